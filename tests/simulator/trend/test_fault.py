"""Which fault moves the numbers so."""

import pytest

from rules.causes.known import CAUSES
from simulator.trend.change import Interval
from simulator.trend.fault import SLOW, causes_of
from simulator.trend.season import DELAY, FLOW, LAG, LINE, SUPPLY


def by(value: float, either: float = 0.002) -> Interval:
    """Return a change and its interval."""
    return Interval(value, value - either, value + either)


CASES = {
    "clog": ({FLOW: by(-0.06), LINE: by(0.03)}, FLOW, ("clog",)),
    "clog behind a regulator": ({FLOW: by(-0.06), LINE: by(0.0)}, FLOW, ("clog", "sensor_drift")),
    "pump": ({FLOW: by(-0.06), LINE: by(-0.10)}, FLOW, ("pump", "split_before_sensor")),
    "not sure": ({FLOW: by(-0.06), LINE: by(-0.03, 0.02)}, FLOW, ("pump", "clog")),
    "no line": ({FLOW: by(-0.06)}, FLOW, ("clog", "pump", "sensor_drift")),
    "supply": (
        {FLOW: by(-0.06), LINE: by(-0.1), SUPPLY: by(-0.9, 0.1)},
        FLOW,
        ("supply_low",),
    ),
    "supply alone": ({FLOW: by(0.0), SUPPLY: by(-0.9, 0.1)}, SUPPLY, ("supply_low",)),
    "supply hardly": (
        {FLOW: by(-0.06), LINE: by(-0.1), SUPPLY: by(-0.05, 0.01)},
        FLOW,
        ("pump", "split_before_sensor"),
    ),
    "leak": ({FLOW: by(0.06), LINE: by(-0.03)}, FLOW, ("split_after_sensor",)),
    "line alone": ({FLOW: by(0.0), LINE: by(-0.06)}, LINE, ("line_sensor",)),
    "no flow sensor, low": (
        {LINE: by(-0.06)},
        LINE,
        ("pump", "split_before_sensor", "line_sensor"),
    ),
    "no flow sensor, high": ({LINE: by(0.06)}, LINE, ("clog", "line_sensor")),
    "later": ({FLOW: by(0.0), DELAY: by(0.03)}, DELAY, (SLOW,)),
    "slower": ({FLOW: by(0.0), LAG: by(0.03)}, LAG, (SLOW,)),
}


@pytest.mark.parametrize("case", CASES)
def test_what_moves_how_names_the_fault(case: str) -> None:
    """Likeliest first, by names that the guard's own causes have."""
    beside, main, expected = CASES[case]
    found = causes_of(beside, main)
    assert found == expected
    assert found == (SLOW,) or set(found) <= CAUSES.keys()
