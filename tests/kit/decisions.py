"""Decisions as rows of numbers, and with other numbers than a guard gave them."""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import pytest

from rules.step.state import N_DECISION, Decision


def matrix_of(decisions: Iterable[Decision]) -> npt.NDArray[np.float64]:
    """Return decisions as ``Guard.run_rows`` does, (n, N_DECISION)."""
    return np.array([decision.flat() for decision in decisions]).reshape(-1, N_DECISION)


def compiles_from(rows: int, patch: pytest.MonkeyPatch) -> None:
    """Have reviews of so many rows decide by compiled code, shorter ones row by row."""
    patch.setattr("monitor.review.judge._Loaded.now", False)
    patch.setattr("monitor.review.judge.ROWS_WORTH_COMPILING", rows)


def altered(decision: Decision, **numbers: float) -> Decision:
    """Return a copy with other numbers, named as in ``Decision.names``: ``value_knock=5.0``."""
    known = dict(zip(Decision.names(), decision.flat(), strict=True))
    assert numbers.keys() <= known.keys(), numbers
    return Decision.of_flat(list((known | numbers).values()))
