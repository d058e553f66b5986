"""Since when, how far, how fast: intervals that hold what they say on sessions of known truth."""

from typing import Any

import numpy as np
import pytest

from simulator.trend.change import Change, change_of, follows

DAYS = 7.0 * np.arange(34)
BEGINS = 19
CASES = {"steep": (1.0, True), "slow": (0.3, True), "hidden": (0.12, True), "jump": (2.0, False)}


def season(rng: Any, pace: float, *, gradual: bool) -> tuple[Any, float]:
    """Return sessions of scatter one, and by how much the last is off."""
    since = np.maximum(np.arange(34) - BEGINS, 0)
    off = -pace * (since if gradual else (since > 0).astype(float))
    return rng.normal(size=34) + off, float(off[-1])


@pytest.mark.parametrize("case", CASES)
def test_intervals_of_ninety_per_cent_hold_the_truth(case: str) -> None:
    """When it began, how far it went and how fast, in 100 seasons each."""
    pace, gradual = CASES[case]
    rng = np.random.default_rng(4)
    held = np.zeros(4)
    for _ in range(100):
        values, by = season(rng, pace, gradual=gradual)
        change = change_of(values, DAYS)
        assert change is not None
        truths = DAYS[BEGINS], by, 0.0, -pace / 7.0 if gradual else 0.0
        told = change.since, change.by, change.before, change.per_day
        if gradual != change.gradual:  # a slow one may be either
            told = (*told[:3], (0.0, -np.inf, np.inf))  # type: ignore[assignment]
        held += [one[1] <= truth <= one[2] for one, truth in zip(told, truths, strict=True)]
    assert (held >= 82.0).all(), held


def steady(pace: float = -0.01) -> Change:
    """Return the change of sessions that fall at a pace from a week on, with next to no scatter."""
    rng = np.random.default_rng(1)
    values = 1.0 + 1e-3 * rng.normal(size=34)
    values += pace * np.maximum(np.arange(34) - BEGINS, 0)
    change = change_of(values, DAYS)
    assert change is not None
    return change


def test_a_pace_says_when_a_level_is_reached() -> None:
    """Fourteen weeks at one per cent: from 86 % it is six weeks more to 80 %."""
    change = steady()
    when = change.reaches(0.80)
    assert change.gradual
    assert when is not None
    assert when.low <= DAYS[-1] + 42.0 <= when.high
    assert when.value == pytest.approx(DAYS[-1] + 42.0, abs=3.0)
    assert change.reaches(1.2) is not None  # behind it: it has been passed
    assert change.reaches(1.2).value == DAYS[-1]  # type: ignore[union-attr]


def test_a_jump_reaches_nothing() -> None:
    """It has no pace."""
    values = np.where(np.arange(20) < 12, 1.0, 0.9) + 1e-3 * np.sin(np.arange(20.0))
    change = change_of(values, DAYS[:20])
    assert change is not None
    assert not change.gradual
    assert change.since.value == DAYS[11]
    assert change.by.value == pytest.approx(-0.1, abs=0.002)
    assert change.reaches(0.5) is None


def test_another_number_is_asked_what_it_did_meanwhile() -> None:
    """With its own interval; one that stays has nought in it."""
    change = steady()
    rng = np.random.default_rng(3)
    up = 0.002 * np.maximum(np.arange(34) - BEGINS, 0) + 1e-3 * rng.normal(size=34)
    rises, stays = follows(up, DAYS, change), follows(1e-3 * rng.normal(size=34), DAYS, change)
    assert rises is not None
    assert stays is not None
    assert rises.low < 0.028 < rises.high
    assert rises.low > 0.02
    assert stays.low < 0.0 < stays.high


def test_too_few_sessions_have_no_change() -> None:
    """Three before and one behind are the least, and gaps don't count."""
    values = np.array([1.0, 1.1, np.nan, 0.9, 1.0])
    assert change_of(values, DAYS[:5]) is None
    assert follows(values, DAYS[:5], steady()) is None
