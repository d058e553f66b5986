"""How findings, latches and release play together: every combination of two findings' levels."""

from itertools import product

import pytest

from rules.channels import BOOST
from rules.step.constants import Constants
from rules.step.from_rig import constants_of
from rules.step.ladder import hold_level, release, size_action
from rules.step.state import (
    N_FINDINGS,
    NO_FINDING,
    OVER_DELIVERY,
    OVERBOOST,
    UNDER_DELIVERY,
    State,
)
from rules.step.step import fresh_state
from tests.kit.rigs import rig

LEVELS = (0.0, 1.0, 2.0, 3.0)


def state_at(boost_kpa: float = 150.0, missing: float = 0.4) -> tuple[Constants, State]:
    """Return constants and a state in boost, with a share of the spray missing."""
    k = constants_of(rig(ladder={"acknowledge_to_release": True, "release_after_s": 0.5}))
    s = fresh_state(k)
    s.usable[BOOST] = 1.0
    s.value[BOOST] = boost_kpa
    s.missing_share = missing
    return k, s


@pytest.mark.parametrize(("one", "other"), list(product(range(N_FINDINGS), repeat=2)))
def test_the_worst_level_is_the_action_and_the_first_at_it_its_cause(one: int, other: int) -> None:
    """For every pair of findings at every pair of levels: action, finding, degrees and ceiling."""
    if one == other:
        return
    for low, high in product(LEVELS, repeat=2):
        k, s = state_at()
        s.level[one], s.level[other] = low, high
        size_action(k, s, 0.01)
        worst = max(low, high)
        assert s.action == worst
        at_worst = [f for f, level in ((one, low), (other, high)) if level == worst > 0.0]
        assert s.finding == (min(at_worst) if at_worst else NO_FINDING)
        assert (s.boost_ceiling_kpa == 80.0) is (worst == 3.0)
        pulling = [f for f, level in ((one, low), (other, high)) if level >= 2.0]
        # 10 deg paid at 150 kPa, margin 1.2: all of it, or 40 % of it where only the debt pulls.
        share = 0.4 if pulling == [UNDER_DELIVERY] else 1.0
        assert s.retard_deg == pytest.approx(12.0 * share + 0.2 * (share < 1.0) if pulling else 0.0)


@pytest.mark.parametrize(
    ("held", "asked", "after"),
    [
        (held, asked, asked if asked > held else (held if held != 1.0 else 1.0))
        for held, asked in product(LEVELS, repeat=2)
    ],
)
def test_a_level_rises_at_once_and_only_a_warning_clears_by_itself(
    held: float, asked: float, after: float
) -> None:
    """Every level against everything that can be asked: one sample on, and two seconds on."""
    k, s = state_at()
    s.level[0] = held
    s.acknowledged = 1.0
    hold_level(k, s, 0, asked, 0.01)
    assert s.level[0] == after
    assert s.acknowledged == (0.0 if asked >= 2.0 > held else 1.0)
    for _ in range(200):
        hold_level(k, s, 0, asked, 0.01)
    cleared = after == 1.0 and asked == 0.0
    assert s.level[0] == (0.0 if cleared else after)


@pytest.mark.parametrize(
    ("action", "low", "long", "others", "known", "acknowledged"),
    list(product(LEVELS, (True, False), (True, False), LEVELS, (True, False), (True, False))),
)
def test_release_needs_every_one_of_its_terms(
    action: float, low: bool, long: bool, others: float, known: bool, acknowledged: bool
) -> None:
    """Boost known and low for long enough, nothing else asking to pull, and a hand."""
    k, s = state_at(10.0 if low else 100.0)
    s.usable[BOOST] = 1.0 if known else 0.0
    s.level[0] = s.action = action
    s.acknowledged = 1.0 if acknowledged else 0.0
    s.held_missing = 0.7
    s.asked[OVERBOOST] = others
    s.asked[UNDER_DELIVERY] = s.asked[OVER_DELIVERY] = 3.0  # these two accounts are closed by it
    for _ in range(60 if long else 10):
        release(k, s, 0.01)
    released = action >= 2.0 and low and long and others < 2.0 and known and acknowledged
    assert s.level[0] == (0.0 if released else action)
    assert s.held_missing == (0.0 if released else 0.7)
