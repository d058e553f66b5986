"""The simulated car's level switch: where it stands, and what a broken wire reads."""

import pytest

from simulator.plant import Do, Fault, FaultKind, Scenario, Step, run
from simulator.rig import find_rig, load_rig


@pytest.mark.parametrize(
    ("tank_ml", "faults", "last"),
    [
        (4000.0, (), 0.0),
        (150.0, (), 1.0),
        (4000.0, (Fault(FaultKind.SENSOR_OPEN, 0.5, channel="tank_switch"),), 1.0),
    ],
)
def test_the_simulated_switch_stands_at_the_rigs_reserve(
    tank_ml: float, faults: tuple[Fault, ...], last: float
) -> None:
    """Below 400 mL of the shipped car's tank it reads 1, and so does a broken wire."""
    car = load_rig(find_rig("orrinby")).rig
    cruise = (Step(Do.CRUISE, 2.0, 3),)
    rows = list(run(Scenario("", "", car, cruise, faults, tank_ml=tank_ml), 1))
    assert rows[-1].tank_switch == last
    assert {row.tank_switch for row in rows} <= {0.0, 1.0}
