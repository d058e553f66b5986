"""Which of wanted hours and what the engine survives decides a limit."""

from dataclasses import replace

import pytest

from monitor.commission.thresholds import pump_stop, reasons
from rules.facts import Rig
from tests.kit.rigs import rig

RIG = rig()
PERIOD_S = 0.01


def surviving(seconds: float, **debt: float) -> Rig:
    """Return the rig of an engine that survives so long."""
    intervals = replace(RIG.fault_intervals, tolerant_s=seconds)
    return replace(RIG, fault_intervals=intervals, debt=replace(RIG.debt, **debt))


@pytest.mark.parametrize(
    ("seconds", "told"),
    [(5.0, "leaves room for any number of them"), (0.05, "is too short for any number of them")],
)
def test_hours_decide_where_the_engine_leaves_room_or_none(seconds: float, told: str) -> None:
    """The sentence names the hours and what the engine survives."""
    pull, _ = reasons(surviving(seconds), PERIOD_S)
    assert pull == (
        "the limit for timing is decided by the 100 h of spraying wanted between false pulls; "
        f"what the engine survives, {seconds:g} s, {told}"
    )


def test_hours_that_would_be_in_time_are() -> None:
    """Between the two the hours that are told are in time, and not many more would be."""
    takes_s = [
        pump_stop(surviving(1.0, false_pull_every_h=hours), PERIOD_S).pull_s for hours in (1.0, 1e5)
    ]
    assert takes_s[0] < takes_s[1]
    short = surviving(0.5 * sum(takes_s), false_pull_every_h=1e5)
    pull, _ = reasons(short, PERIOD_S)
    told = pull.partition("wants false_pull_every at ")[2]
    hours = float(told.removesuffix(" h or less"))
    now = replace(short, debt=replace(short.debt, false_pull_every_h=hours))
    assert pump_stop(now, PERIOD_S).pull_s < short.fault_intervals.tolerant_s


def test_cut_in_time_and_late() -> None:
    """A cut that comes too late is told with one that wouldn't, where there is one."""
    cut_s = pump_stop(RIG, PERIOD_S).cut_s
    assert "[debt] cut, in time for" in reasons(surviving(cut_s + 0.1), PERIOD_S)[1]
    late = surviving(cut_s - 0.1)
    told = reasons(late, PERIOD_S)[1].partition('cut = "')[2]
    shorter_s = float(told.removesuffix(' s" would be in time'))
    now = replace(late, debt=replace(late.debt, cut_s=shorter_s))
    assert pump_stop(now, PERIOD_S).cut_s < late.fault_intervals.tolerant_s
    assert reasons(surviving(0.1), PERIOD_S)[1].endswith("no cut would be in time")
    assert "by [debt] cut_volume" in reasons(surviving(1.0, cut_ml=0.2), PERIOD_S)[1]
