"""The tank's level switch: low by it after a while of slosh; only 0 and 1 are readings."""

from math import inf

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.channels import COLUMN_OF, NOT_SENT
from rules.explain import explain, status
from rules.facts import Action, Rig
from rules.findings import FINDINGS, why_impossible
from rules.step.state import (
    ABSENT,
    HEALTHY,
    IMPLAUSIBLE,
    NOT_A_NUMBER,
    SIGNAL_LOST,
    STALE,
    TANK_LOW,
)
from rules.step.watch import SWITCH_FOR_S
from tests.kit.rigs import ESSENTIAL, NAN, Drive, first, healthy, rig, terms

SWITCH = COLUMN_OF["tank_switch"]
FINDING = next(finding for finding in FINDINGS if finding.name == "tank_low")


def facts(*more: str) -> Rig:
    """Return the test rig with a switch in its tank, and whatever else."""
    return rig(channels=terms(*ESSENTIAL, "tank_switch", *more))


def test_a_switch_that_stays_low_warns_and_says_so() -> None:
    """Three seconds of it, with no level in mL mapped and no key set."""
    drive = healthy(facts(), tank_switch=0.0)
    low = drive.run(SWITCH_FOR_S + 0.5, tank_switch=1.0)
    warned = first(low, Action.WARN)
    assert SWITCH_FOR_S - 0.05 < 0.01 * warned < SWITCH_FOR_S + 0.05
    assert low[warned].level[TANK_LOW] == Action.WARN
    assert "tank's switch has read low for 3 s" in explain(drive.guard.rig, TANK_LOW, low[warned])
    assert drive.run(2.0, tank_switch=0.0)[-1].action == Action.NO_ACTION


@settings(max_examples=40)
@given(spells=st.lists(st.tuples(st.floats(0.1, 2.8), st.floats(0.05, 1.0)), max_size=6))
def test_a_float_that_bobs_is_no_empty_tank(spells: list[tuple[float, float]]) -> None:
    """However often it swings, as long as it is up again within three seconds."""
    drive = healthy(facts(), tank_switch=0.0)
    for low_s, up_s in spells:
        decisions = drive.run(low_s, tank_switch=1.0) + drive.run(up_s, tank_switch=0.0)
        assert {d.action for d in decisions} == {Action.NO_ACTION}


@pytest.mark.parametrize(
    ("reads", "health"),
    [(0.5, IMPLAUSIBLE), (2.0, IMPLAUSIBLE), (-1.0, IMPLAUSIBLE), (NAN, NOT_A_NUMBER)],
)
def test_what_no_switch_reads_is_never_healthy(reads: float, health: float) -> None:
    """Neither open nor shut: told at once, warned of once the last good reading is too old."""
    drive = healthy(facts(), tank_switch=0.0)
    decisions = drive.run(6.0, tank_switch=reads)
    assert {d.health[SWITCH] for d in decisions} == {health}
    assert decisions[-1].level[SIGNAL_LOST] == Action.WARN
    if reads == 0.5:
        assert "reads 0.5, plausible are 0 and 1" in explain(
            drive.guard.rig, SIGNAL_LOST, decisions[-1]
        )


def test_a_switch_that_is_absent_or_silent_is_never_healthy() -> None:
    """Where the rig maps it, silence is told; where it doesn't, no such thing is looked for."""
    drive = healthy(facts(), tank_switch=0.0)
    silent = drive.run(6.0, tank_switch=NOT_SENT)
    assert silent[0].health[SWITCH] == HEALTHY
    assert silent[-1].health[SWITCH] == STALE
    assert silent[-1].level[SIGNAL_LOST] == Action.WARN
    without = Drive(rig())
    assert without.run(5.0, tank_switch=1.0)[-1].health[SWITCH] == ABSENT
    assert without.last.action == Action.NO_ACTION
    assert why_impossible(rig(), FINDING) == "no channel tank_ml or tank_switch"
    assert why_impossible(facts(), FINDING) is None
    assert "No action" in status(rig(), without.last)


def test_switch_and_level_warn_each_for_itself() -> None:
    """A level above its reserve doesn't hide a switch that reads low, nor the other way round."""
    by = rig(
        channels=terms(*ESSENTIAL, "tank_switch", "tank_ml"),
        watch={"tank_reserve_ml": 300.0, "logger_stuck_after_s": inf},
    )
    for level_ml, switch, says in ((4000.0, 1.0, "switch"), (200.0, 0.0, "200 mL left")):
        drive = healthy(by, tank_ml=4000.0, tank_switch=0.0)
        low = drive.run(4.0, tank_ml=level_ml, tank_switch=switch)
        warned = low[first(low, Action.WARN)]
        assert warned.level[TANK_LOW] == Action.WARN
        assert says in explain(by, TANK_LOW, warned)
