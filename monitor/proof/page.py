"""A proof as one HTML file: nothing is fetched, nothing runs, and it prints.

It is XML as well, so that what is open is closed.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Final

from monitor.pictures.page import STYLE, head, shown, table
from monitor.proof.asked import ADVISES, asked, basis, calm_asked, fault_told
from monitor.proof.plots import row_plot
from monitor.proof.words import QUANTILES, calm_told, row_told, run_told, verdict_told
from simulator.coverage.points import POINTS
from simulator.proof.limits import AtLimit
from simulator.proof.results import Proof, RowResult, Verdict

# Black on a hue of Okabe and Ito's: what it says stands in it as a word.
_STYLE: Final = (
    STYLE
    + """
b.pass, b.fail, b.undecided { color: #000; padding: 0.05em 0.45em; border-radius: 3px;
  white-space: nowrap; -webkit-print-color-adjust: exact; print-color-adjust: exact; }
b.pass { background: #9FDCC6; } b.fail { background: #F0A070; } b.undecided { background: #E6C3D8; }
"""
)


def as_page(
    proof: Proof,
    replay: Callable[[int, int], str],
    limits: Sequence[tuple[AtLimit, ...]] = (),
) -> str:
    """Return a proof as an HTML document.

    Args:
        proof: The proof.
        replay: The command that replays a run, by number of row (from 1) and of car.
        limits: Each row's cars under other limits; none: not tried, and not drawn.
    """
    title = f"Proof of {proof.about['rig']}"
    parts = [head(title, _STYLE), *_summary(proof, shown(title))]
    if proof.rows:
        parts += ["<h2>Requirements</h2>", *_rows(proof), "<h2>Faults and operating points</h2>"]
        parts += _matrix(proof)
    if proof.calms:
        parts += ["<h2>Nothing wrong</h2>", *_calms(proof)]
    if proof.rows:
        parts += ["<h2>Row by row</h2>", *_how_to_read(bool(limits))]
    for number, row in enumerate(proof.rows, 1):
        parts += _row(row, number, replay, limits[number - 1] if limits else ())
    return "\n".join([*parts, "</body></html>\n"])


def _badge(verdict: Verdict, text: str = "") -> str:
    return f'<b class="{verdict.value}">{text or verdict.value}</b>'


def _summary(proof: Proof, title: str) -> Iterator[str]:
    yield f"<h1>{title}: {_badge(proof.verdict, verdict_told(proof))}</h1>"
    yield f'<p class="caution">{shown(proof.does_not_prove)} {ADVISES}</p>'
    yield from table((), ((f"<b>{name}</b>", shown(text)) for name, text in basis(proof)))


def _rows(proof: Proof) -> Iterator[str]:
    columns = ("", "requirement", "verdict", "passed", "share at least")
    rows = []
    for number, row in enumerate(proof.rows, 1):
        link = f'<a href="#row-{number}">{shown(row.requirement.name)}</a>'
        rows.append((str(number), link, _badge(row.verdict), *row_told(row)))
    yield from table((*columns, *(f"{name}, ms" for name, _ in QUANTILES)), iter(rows))
    yield (
        "<p>ms from the fault's onset to the action asked for, or, where none is, to the first "
        "finding; no: in that share of runs, never.</p>"
    )


def _matrix(proof: Proof) -> Iterator[str]:
    """Yield the verdicts by fault and operating point."""
    cells: dict[str, dict[str, list[str]]] = {}
    for number, row in enumerate(proof.rows, 1):
        fault = cells.setdefault(fault_told(row.requirement), {})
        link = f'<a href="#row-{number}">{number}</a> {_badge(row.verdict)}'
        fault.setdefault(row.requirement.point.key, []).append(link)
    taken = {key for fault in cells.values() for key in fault}
    points = [key for key in (*(point.key for point in POINTS), "own") if key in taken]
    rows = (
        (shown(fault), *("<br/>".join(found.get(key, ["not asked"])) for key in points))
        for fault, found in cells.items()
    )
    yield from table(("fault", *points), rows)


def _calms(proof: Proof) -> Iterator[str]:
    rows = (
        (
            shown(calm.calm.name),
            _badge(calm.verdict),
            shown(calm_asked(calm.calm)),
            shown(calm_told(calm)),
            shown(calm.reason),
        )
        for calm in proof.calms
    )
    yield from table(("row", "verdict", "asked", "counted", "told"), rows)


def _how_to_read(limits: bool) -> Iterator[str]:
    yield (
        "<p>Each curve of delays counts all runs in which the fault began: where it stays below "
        "100 %, in the rest the action never came. Dots are the percentiles, dashes what is asked "
        "for.</p>"
    )
    if limits:
        yield (
            "<p>By limit: the row's first cars again, for each limit of evidence (the rig's key "
            "debt.false_pull_every) a guard of its own that acts on them. Its false pulls are "
            "those that the limit allows for where readings are as the rig says. Diamonds: those "
            "that healthy drives tell, extrapolated from the evidence of missing spray that the "
            "same guards had there, between 95 % bounds; none where they tell nothing.</p>"
        )


def _row(
    row: RowResult,
    number: int,
    replay: Callable[[int, int], str],
    limits: tuple[AtLimit, ...],
) -> Iterator[str]:
    name = shown(row.requirement.name)
    yield f'<section class="row" id="row-{number}"><h3>{number}. {name}: {_badge(row.verdict)}</h3>'
    yield f"<p>{shown(asked(row.requirement))}</p>"
    if row.reason:
        yield f"<p>Why: {shown(row.reason)}.</p>"
    if row.reckoned:
        yield f"<p>{shown(row.reckoned)}.</p>"
    if row.begun:
        yield f"<figure>{row_plot(row, limits, number)}</figure>"
        worst = (
            (shown(run_told(row, outcome)), f"<code>{shown(replay(number, outcome.number))}</code>")
            for outcome in row.worst
        )
        yield from table(("the worst runs", "the command for it"), worst)
    yield "</section>"
