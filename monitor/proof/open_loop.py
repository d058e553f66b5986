"""What an open loop can't tell: nothing that is done in it reaches the car.

So neither harm nor work lost is known, and a row that asks for them doesn't pass by the rest.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import isfinite

from rules.facts import Action
from simulator.proof.requirements import Requirement
from simulator.proof.results import RowResult, Verdict


def not_judged(row: Requirement, *, tells_action: bool) -> list[str]:
    """Return what a row asks for and can't be told.

    Args:
        row: The row.
        tells_action: Whether it is known which action was taken, or only that one was.
    """
    return list(_not_judged(row, tells_action))


def _not_judged(row: Requirement, tells_action: bool) -> Iterator[str]:
    if not _most_is_told(row, tells_action):
        yield f"whether more is done than {row.at_most.word.replace('_', ' ')}"
    if isfinite(row.harm_at_most):
        yield "knock harm"
    if isfinite(row.work_lost_at_most_kj):
        yield "work lost"


def anything_judged(row: Requirement, *, tells_action: bool) -> bool:
    """Return whether a row asks for anything that can be told."""
    asks_most = row.at_most is not Action.CUT_BOOST and _most_is_told(row, tells_action)
    return row.at_least is not Action.NO_ACTION or asks_most


def _most_is_told(row: Requirement, tells_action: bool) -> bool:
    # Of an output that only lets go it is told whether there was any action.
    return tells_action or row.at_most in (Action.NO_ACTION, Action.CUT_BOOST)


def limited(result: RowResult, untold: Sequence[str]) -> RowResult:
    """Return what a row came to, undecided where it passes by what could be judged alone."""
    if not untold:
        return result
    said = f"not judged: {', '.join(untold)}"
    if result.verdict is Verdict.PASS:
        said = f"what is judged passes; {said}"
        return replace(result, verdict=Verdict.UNDECIDED, reason=said)
    return replace(result, reason="; ".join(filter(None, (result.reason, said))))
