"""What each row adds to an account of the spray, worked out once for whoever adds rows up."""

from collections.abc import Mapping, Sequence
from typing import Any, Final, TypeAlias

import numpy as np

from monitor.review.window import Floats
from rules.channels import DELIVERED, INTAKE, LINE
from rules.step.arithmetic import MIN_PER_S
from rules.step.constants import Constants

# What is averaged over a stretch of steady spray; a trend wants all, a review the first three.
AVERAGED: Final = (
    *("boost_kpa", "due", "reads"),
    *("commanded_ml_min", "line_due_kpa", "value_line_kpa", "value_supply_v"),
)
OF_A_REVIEW: Final = 3
# The column of each: its value times the time of steady spray.
STEADY: Final = {name: f"steady_{name}" for name in AVERAGED}
# Readings are averaged over so long, so that noise alone is not the worst of a log.
STRETCH_S: Final = 0.5
SprayRows: TypeAlias = dict[str, Floats]
"""Columns, (n,) each: ``guard_time_s``; ``clock_s``, which never steps back; ``stretch``, a number
for each half second; ``guard_boost_kpa``; ``evidence``; ``debt_ml``; ``sprayed_kpa``, boost where
spray is asked for and judged, else NaN; and what a row adds: ``commanded_ml``, ``expected_ml``,
``delivered_ml`` and ``sprayed_s`` where judged, ``unjudged_s``, ``steady_s`` and those of
``STEADY``."""
# By witness: what it reads, and what it should.
_READ_AND_DUE: Final = {
    DELIVERED: ("delivered_ml_min", "expected_ml_min"),
    LINE: ("value_line_kpa", "line_due_kpa"),
    INTAKE: ("value_intake_c", "charge_due_c"),
}
# So near to the command must what a sensor is due to read have come: three of its lags.
_STEADY: Final = 0.05
_LONGEST_STEP_S: Final = 0.5


def spray_rows(
    k: Constants,
    every: Mapping[str, Floats],
    judged: Any,
    before_s: float | None,
    averaged: Sequence[str],
) -> SprayRows:
    """Return what rows add, where each holds for the time since the one before.

    Args:
        k: Constants they were judged by.
        every: By name, (n,) of ``Judged.every``, n at least 1.
        judged: (n,) which of them were judged.
        before_s: Clock of the row before them; None where there is none.
        averaged: Which of ``AVERAGED`` are wanted.
    """
    clock_s, commanded = every["clock_s"], every["commanded_ml_min"]
    expected = every["expected_ml_min"]
    held_s = np.empty(len(clock_s))
    held_s[0] = 0.0 if before_s is None else clock_s[0] - before_s
    np.subtract(clock_s[1:], clock_s[:-1], out=held_s[1:])
    np.minimum(np.maximum(held_s, 0.0, out=held_s), _LONGEST_STEP_S, out=held_s)
    asked = commanded > k.nil_ml_min
    counts = judged & (asked | (expected > k.nil_ml_min))
    sprayed = asked & judged
    reads, due = (every[name] for name in _READ_AND_DUE[k.witness_column])
    steady = sprayed & np.isfinite(due)
    steady &= abs(expected - commanded) <= _STEADY * commanded

    def where(rows: Any, column: Floats, weight: Floats) -> Floats:
        return np.multiply(column, weight, out=np.zeros(len(column)), where=rows)

    held_min = held_s * MIN_PER_S
    by_flow = k.witness_column == DELIVERED
    rows = {
        "guard_time_s": every["time_s"],
        "clock_s": clock_s,
        "stretch": np.floor(clock_s / STRETCH_S),
        "guard_boost_kpa": every["boost_kpa"],
        "evidence": every["evidence"],
        "debt_ml": every["debt_ml"],
        "sprayed_kpa": np.where(sprayed, every["boost_kpa"], np.nan),
        "commanded_ml": where(counts, commanded, held_min),
        "expected_ml": where(counts, expected, held_min),
        "delivered_ml": where(counts & by_flow, every["delivered_ml_min"], held_min),
        "sprayed_s": held_s * sprayed,
        "unjudged_s": held_s * (asked & ~judged),
        "steady_s": held_s * steady,
    }
    witness = {"due": due, "reads": reads}
    for name in averaged:
        column = witness[name] if name in witness else every[name]
        rows[STEADY[name]] = where(steady, column, held_s)
    return rows
