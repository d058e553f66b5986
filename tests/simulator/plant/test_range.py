"""The plant stays physical whatever is driven, or stops and names what left its range."""

from dataclasses import replace
from math import inf, nan
from pathlib import Path

import hypothesis.strategies as some
import pytest
from hypothesis import HealthCheck, given, settings

from monitor.cli import run as flowdebt
from simulator.plant import Car, Do, Scenario, Step
from simulator.plant.car import PlantLeftRange
from simulator.plant.kernel import RANGES, Range
from simulator.rig import load_rig, shipped_rigs
from simulator.runs import Drive
from simulator.scenario import load_scenario
from tests.kit.batch import run_whole

RIGS = {name: load_rig(path).rig for name, path in sorted(shipped_rigs().items())}
STEPS = some.builds(
    Step,
    some.sampled_from(Do),
    some.floats(0.1, 15.0),
    some.integers(0, 8),
    some.one_of(some.just(nan), some.floats(0.0, 100.0)),
)


def drive_of(name: str, *steps: Step) -> Scenario:
    """Return a drive of a shipped rig; a gear it lacks is its top one."""
    rig = RIGS[name]
    top = len(rig.vehicle.gears)
    fit = tuple(replace(step, gear=min(step.gear, top)) for step in steps)
    return Scenario("drive", "", rig, fit)


@pytest.mark.parametrize("compiled", [True, False])
def test_first_gear_at_speed_waits_for_the_brakes(compiled: bool) -> None:
    """Tarnwick, cruise, a pull through the gears, then a cruise in first: no engine overspeeds."""
    pull_s = 14.0 if compiled else 5.0
    what = drive_of(
        "tarnwick", Step(Do.CRUISE, 2.0, 3), Step(Do.PULL, pull_s, 3), Step(Do.CRUISE, 14.0, 1)
    )
    car = Car(what.rig, replace(what, rate_hz=20.0), 1, compiled=compiled)
    fastest = most_kpa = 0.0
    while not car.finished:
        car.step(0.0, inf)
        fastest = max(fastest, car.state.speed_rpm)
        most_kpa = max(most_kpa, car.state.boost_kpa)
    assert fastest < 1.02 * what.rig.engine.redline_rpm
    assert most_kpa < 1.1 * what.rig.paid.boost_kpa[-1]
    assert car.state.gear == 1.0  # it came in, once slow enough


@pytest.mark.parametrize("compiled", [True, False])
def test_out_of_neutral_at_speed_waits_for_the_brakes_too(compiled: bool) -> None:
    """A step that names no gear puts in second: not before the engine can take it."""
    steps = (
        Step(Do.CRUISE, 2.0, 3),
        Step(Do.PULL, 9.0, 3),
        Step(Do.IDLE, 0.6),
        Step(Do.CRUISE, 3.0),
    )
    what = replace(drive_of("tarnwick", *steps), rate_hz=20.0)
    car = Car(what.rig, what, 1, compiled=compiled)
    while not car.finished:
        car.step(0.0, inf)
        assert car.state.speed_rpm < 1.02 * what.rig.engine.redline_rpm


@settings(max_examples=60, suppress_health_check=list(HealthCheck))
@given(name=some.sampled_from(sorted(RIGS)), steps=some.lists(STEPS, min_size=1, max_size=5))
def test_whatever_is_driven_the_car_stays_physical(name: str, steps: list[Step]) -> None:
    """Any gears in any order, jabs and lifts: no overspeed, and never out of range."""
    what = drive_of(name, *steps)
    # Nothing boosts an engine whose table of paid timing ends in vacuum: ambient is the most.
    most_kpa = max(1.25 * what.rig.paid.boost_kpa[-1], 1.0)
    car = Car(what.rig, what, 1, compiled=True)
    while not car.finished:
        car.step(0.0, inf)
        assert car.state.speed_rpm < 1.05 * what.rig.engine.redline_rpm
        assert car.state.boost_kpa < most_kpa


@pytest.mark.parametrize("value", [nan, inf, -1e6, 1e6])
@pytest.mark.parametrize("left", RANGES, ids=lambda left: left.field)
def test_a_state_out_of_range_stops_the_run(left: Range, value: float) -> None:
    """Interpreted and compiled alike: one line, with the time, what it was and what it can be."""
    told = []
    for compiled in (False, True):
        what = drive_of("brindle", Step(Do.CRUISE, 2.0, 3))
        car = Car(what.rig, what, 1, compiled=compiled)
        car.step(0.0, inf)
        setattr(car.state, left.field, value)
        with pytest.raises(PlantLeftRange) as caught:
            car.step(0.0, inf)
        told.append(str(caught.value))
    assert told[0] == told[1]
    assert told[0].startswith("scenario drive: the simulated car left what is physical at 0.0")
    assert left.what in told[0]
    assert "\n" not in told[0]


def test_whole_runs_stop_too_and_the_command_says_so_in_a_line(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Runs in batches and by blocks raise it; ``flowdebt simulate`` prints it and exits with 2."""
    begin = Car.__init__

    def bursting(self: Car, *arguments: object, **options: object) -> None:
        begin(self, *arguments, **options)  # type: ignore[arg-type]
        self.state.pipe_kpa = 1e6

    monkeypatch.setattr(Car, "__init__", bursting)
    what = load_scenario("pump_stop")
    for guarded in (True, False):
        with pytest.raises(PlantLeftRange, match="charge pipe pressure 1e\\+06 kPa absolute"):
            run_whole(what, 1, guarded=guarded)
    for compiled in (True, False):
        with pytest.raises(PlantLeftRange, match="expected 0 to 1000 kPa absolute"):
            list(Drive(what, 1, guarded=True, compiled=compiled))
    assert flowdebt(["simulate", "pump_stop", "--to", str(tmp_path / "log.csv")]) == 2
    said = capsys.readouterr()
    assert said.err.count("flowdebt: scenario pump_stop: the simulated car left what is phys") == 1
    assert "Traceback" not in said.err
