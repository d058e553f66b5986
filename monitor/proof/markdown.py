"""A proof as Markdown: tables as GitHub's flavour has them, and what was found as a list."""

from collections.abc import Callable, Iterator
from typing import Final

from monitor.proof.asked import ADVISES, asked, basis, calm_asked
from monitor.proof.words import QUANTILES, calm_told, row_told, run_told, verdict_told
from monitor.words.markdown import literal, table
from simulator.proof.results import Proof
from simulator.strict import clean

_LONGEST: Final = 2000


def as_markdown(proof: Proof, replay: Callable[[int, int], str]) -> str:
    """Return a proof as Markdown.

    Args:
        proof: The proof.
        replay: The command that replays a run, by number of row (from 1) and of car.
    """
    return "\n".join(_lines(proof, replay)) + "\n"


def _lines(proof: Proof, replay: Callable[[int, int], str]) -> Iterator[str]:
    yield f"# Proof of {literal(proof.about['rig'])}: {verdict_told(proof)}"
    yield ""
    yield f"{literal(proof.does_not_prove)} {ADVISES}"
    yield ""
    yield from table(("rests on", ""), basis(proof))
    if proof.rows:
        head = ("", "requirement", "verdict", "passed", "share at least")
        yield from table((*head, *(f"{name}, ms" for name, _ in QUANTILES)), _rows(proof))
        yield (
            "ms from the fault's onset to the action asked for, or, where none is, to the first "
            "finding; no: in that share of runs, never."
        )
        yield ""
    if proof.calms:
        calms = [(c.calm.name, c.verdict.value, calm_told(c)) for c in proof.calms]
        yield from table(("nothing wrong", "verdict", "counted"), calms)
    for number, row in enumerate(proof.rows, 1):
        yield f"## {number}. {literal(row.requirement.name)}: {row.verdict.value}"
        yield ""
        yield literal(asked(row.requirement))
        yield ""
        for text in (f"Why: {row.reason}" if row.reason else "", row.reckoned):
            if text:
                yield f"{literal(text)}."
                yield ""
        if row.worst:
            yield "The worst runs, and the command for each:"
            yield ""
            yield "```sh"
            for outcome in row.worst:
                yield f"# {run_told(row, outcome)}"
                yield clean(replay(number, outcome.number), _LONGEST)
            yield "```"
            yield ""
    for calm in proof.calms:
        yield f"## {literal(calm.calm.name)}: {calm.verdict.value}"
        yield ""
        yield literal(calm_asked(calm.calm))
        yield ""
        if calm.reason:
            yield f"Told: {literal(calm.reason)}."
            yield ""


def _rows(proof: Proof) -> Iterator[tuple[str, ...]]:
    for number, row in enumerate(proof.rows, 1):
        yield str(number), row.requirement.name, row.verdict.value, *row_told(row)
