"""A proof as one HTML file: nothing is fetched, nothing runs, and it prints.

It is XML as well, so that what is open is closed.
"""

from collections.abc import Callable, Iterator, Sequence
from html import escape
from typing import Final

from monitor.proof.asked import ADVISES, asked, basis, calm_asked, fault_told
from monitor.proof.plots import row_plot
from monitor.proof.words import QUANTILES, calm_told, ms, run_told, verdict_told
from simulator.coverage.points import POINTS
from simulator.proof.limits import AtLimit
from simulator.proof.proportions import quantile
from simulator.proof.results import Proof, RowResult, Verdict
from simulator.strict import clean

_LONGEST: Final = 2000
# Black on a hue of Okabe and Ito's: what it says stands in it as a word.
_STYLE: Final = """
body { font: 15px/1.45 system-ui, "DejaVu Sans", sans-serif; color: #14171A; background: #FFF;
  max-width: 1120px; margin: 1.5em auto; padding: 0 1.2em; }
h1 { font-size: 1.6em; margin: 0 0 0.4em; } h2 { font-size: 1.25em; margin: 1.6em 0 0.4em; }
h3 { font-size: 1.05em; margin: 1.6em 0 0.2em; } p { margin: 0.4em 0; }
table { border-collapse: collapse; margin: 0.6em 0; font-size: 0.93em; }
th, td { border-bottom: 1px solid #D5D9DE; padding: 0.25em 0.7em 0.25em 0; text-align: left;
  vertical-align: top; overflow-wrap: anywhere; }
th, td > b { white-space: nowrap; }
code { font: 0.88em "DejaVu Sans Mono", monospace; overflow-wrap: anywhere; }
b.pass, b.fail, b.undecided { color: #000; padding: 0.05em 0.45em; border-radius: 3px;
  white-space: nowrap; -webkit-print-color-adjust: exact; print-color-adjust: exact; }
b.pass { background: #9FDCC6; } b.fail { background: #F0A070; } b.undecided { background: #E6C3D8; }
p.caution { border-left: 4px solid #E69F00; padding: 0.3em 0.8em; margin: 0.8em 0; }
svg { width: 100%; height: auto; }
@page { size: A4; margin: 14mm; }
@media print { body { font-size: 9.5pt; max-width: none; margin: 0; padding: 0; }
  section.row, tr, figure { break-inside: avoid; } h2, h3 { break-after: avoid; }
  a { color: inherit; text-decoration: none; } }
figure { margin: 0.5em 0; }
"""
_HEAD: Final = (
    '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"/>'
    '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
    "style-src 'unsafe-inline'\"/>"
    '<meta name="viewport" content="width=device-width, initial-scale=1"/>'
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
    title = shown(f"Proof of {proof.about['rig']}")
    parts = [
        f"{_HEAD}<title>{title}</title><style>{_STYLE}</style></head><body>",
        *_summary(proof, title),
    ]
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


def shown(text: str) -> str:
    """Return text as HTML that shows it as it is, on one line."""
    return escape(clean(text, _LONGEST))


def _badge(verdict: Verdict, text: str = "") -> str:
    return f'<b class="{verdict.value}">{text or verdict.value}</b>'


def _table(head: Sequence[str], rows: Iterator[Sequence[str]]) -> Iterator[str]:
    """Yield a table, its cells HTML."""
    yield (
        "<table><thead><tr>" + "".join(f"<th>{cell}</th>" for cell in head) + "</tr></thead><tbody>"
    )
    for cells in rows:
        yield "<tr>" + "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>"
    yield "</tbody></table>"


def _summary(proof: Proof, title: str) -> Iterator[str]:
    yield f"<h1>{title}: {_badge(proof.verdict, verdict_told(proof))}</h1>"
    yield f'<p class="caution">{shown(proof.does_not_prove)} {ADVISES}</p>'
    yield from _table((), ((f"<b>{name}</b>", shown(text)) for name, text in basis(proof)))


def _rows(proof: Proof) -> Iterator[str]:
    head = ("", "requirement", "verdict", "passed", "share at least")
    rows = []
    for number, row in enumerate(proof.rows, 1):
        delays = row.delays_s
        times = [ms(quantile(delays, share)) if delays else "" for _, share in QUANTILES]
        rows.append(
            (
                str(number),
                f'<a href="#row-{number}">{shown(row.requirement.name)}</a>',
                _badge(row.verdict),
                f"{row.passed} of {len(delays)}",
                f"{100.0 * row.least:z.1f} %",
                *times,
            )
        )
    yield from _table((*head, *(f"{name}, ms" for name, _ in QUANTILES)), iter(rows))
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
    yield from _table(("fault", *points), rows)


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
    yield from _table(("row", "verdict", "asked", "counted", "told"), rows)


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
        yield from _table(("the worst runs", "the command for it"), worst)
    yield "</section>"
