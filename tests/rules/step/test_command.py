"""How much spray is commanded, for every kind of spray control."""

import pytest

from rules.facts import Action, CommandKind
from rules.step.command import commanded_flow_ml_min
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min
from tests.kit.rigs import ALL_CHANNELS, Drive, first, of_kind


def commanded(kind: CommandKind, boost_kpa: float, duty: float, **command: float) -> float:
    """Return the commanded flow as a share of full flow; the log says 100 mL/min and 25 %."""
    k = constants_of(of_kind(kind, command=command))
    full = full_flow_ml_min(k, boost_kpa)
    return commanded_flow_ml_min(k, boost_kpa, duty, 100.0, 25.0) / full


@pytest.mark.parametrize(
    ("kind", "boost_kpa", "duty", "share"),
    [
        (CommandKind.LOG_PERCENT, 20.0, 0.0, 0.25),  # the log is believed below the onset too
        (CommandKind.FIXED, 49.9, 50.0, 0.0),
        (CommandKind.FIXED, 50.0, 50.0, 1.0),
        (CommandKind.BOOST, 49.0, 50.0, 0.0),
        (CommandKind.BOOST, 75.0, 50.0, 0.25),
        (CommandKind.BOOST, 150.0, 50.0, 1.0),
        (CommandKind.BOOST, 200.0, 50.0, 1.0),
        (CommandKind.INJECTOR_DUTY, 49.0, 80.0, 0.0),
        (CommandKind.INJECTOR_DUTY, 60.0, 10.0, 0.0),
        (CommandKind.INJECTOR_DUTY, 60.0, 65.0, 0.75),
        (CommandKind.INJECTOR_DUTY, 60.0, 95.0, 1.0),
        (CommandKind.MAP, 49.0, 80.0, 0.0),
        (CommandKind.MAP, 75.0, 50.0, 0.35),
        (CommandKind.MAP, 150.0, 80.0, 0.85),
        (CommandKind.MAP, 300.0, 95.0, 1.0),
    ],
)
def test_each_kind_of_command(
    kind: CommandKind, boost_kpa: float, duty: float, share: float
) -> None:
    """Every kind of spray control asks for its share of what the hydraulics give at this boost."""
    assert commanded(kind, boost_kpa, duty) == pytest.approx(share, abs=1e-12)


def test_flows_in_ml_min_are_capped_by_the_hydraulics() -> None:
    """A logged or fixed flow counts as it is, up to full flow."""
    k = constants_of(of_kind(CommandKind.LOG_FLOW))
    assert commanded_flow_ml_min(k, 100.0, 0.0, 123.0, 0.0) == 123.0
    assert commanded_flow_ml_min(k, 100.0, 0.0, 5000.0, 0.0) == full_flow_ml_min(k, 100.0)
    fixed = constants_of(of_kind(CommandKind.FIXED, command={"rate_ml_min": 222.0}))
    assert commanded_flow_ml_min(fixed, 100.0, 0.0, 0.0, 0.0) == 222.0


@pytest.mark.parametrize("kind", list(CommandKind))
def test_pump_stop_is_seen_with_every_kind(kind: CommandKind) -> None:
    """Whatever commands the spray, a stopped pump at full boost is pulled within 0.4 s."""
    everything = {**dict.fromkeys(ALL_CHANNELS, 50.0), "line_kpa": 900.0, "tank_switch": 0.0}
    drive = Drive(of_kind(kind))
    readings = {**everything, "boost_kpa": 150.0, "commanded_ml_min": 500.0, "lambda_ratio": 0.8}
    del readings["delivered_ml_min"]
    assert {d.action for d in drive.run(3.0, **readings)} == {0.0}
    assert 0 < first(drive.run(1.0, share=0.0, **readings), Action.PULL_TIMING) <= 40
