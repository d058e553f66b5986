"""A car without a flow sensor: its line's pressure tells what can be told, or says why not."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rules.channels import CHANNEL_NAMES, COLUMN_OF
from rules.facts import Action, Rig
from rules.guard import Guard
from rules.step.from_rig import limit_nats
from rules.step.state import Decision
from simulator.identify import Identified, Pull, Series, identify, rig_with
from simulator.identify.widen import CALM, as_written
from simulator.plant import Fault, FaultKind
from simulator.rig import find_rig, load_rig
from tests.bench.healthy.car import Spread, rows_for
from tests.bench.healthy.drive import make_drive
from tests.kit.plant_logs import drive, log_of
from tests.simulator.identify.test_widen import STOPS

RIG = load_rig(find_rig("orrinby")).rig
FOLLOWS = replace(RIG, spray=replace(RIG.spray, pump=replace(RIG.spray.pump, follows_command=True)))


def known(seed: int, rate_hz: float = 50.0, gain: float = 0.95, for_s: float = 150.0) -> Series:
    """Return the log of a healthy car that shares nothing with rules and plant."""
    rng = np.random.default_rng(seed)
    spread = Spread(rate_hz, jitter=0.3, line_gain=gain)
    rows = rows_for(rng, RIG, make_drive(rng, RIG, for_s), spread)
    read = {name: rows[:, COLUMN_OF[name]] for name in CHANNEL_NAMES}
    return Series(rows[:, 0], {n: np.where(np.isfinite(c), c, np.nan) for n, c in read.items()})


def value(found: Identified, key: str) -> float:
    """Return a number that was told."""
    number = found.numbers[key].value
    assert number is not None
    return number


def changed(log: Series, **columns: Any) -> Series:
    """Return a log with other columns."""
    return Series(log.t_s, {**log.columns, **columns})


def longest(pulls: Sequence[Pull]) -> Pull:
    """Return the pull that lasts longest."""
    return max(pulls, key=lambda pull: pull.ends_s - pull.begins_s)


def one_pull(log: Series, share: float) -> Series:
    """Return a log whose longest pull has another line pressure."""
    pull = longest(identify([log], RIG).pulls)
    odd = (log.t_s > pull.begins_s) & (log.t_s < pull.ends_s)
    return changed(log, line_kpa=np.where(odd, share, 1.0) * log.column("line_kpa"))


def test_the_line_tells_gain_lag_and_noise() -> None:
    """A gauge that reads 5 % low, behind a line of some 20 to 60 ms; of the flow nothing."""
    found = identify([known(3)], RIG)
    gain = found.numbers["line_sensor.gain"]
    assert gain.low is not None
    assert gain.high is not None
    assert gain.low < 0.95 < gain.high
    assert gain.high - gain.low < 0.02
    assert 0.015 < value(found, "line_sensor.lag") < 0.065
    assert 1.5 < value(found, "line_sensor.noise") < 5.0
    assert 5.0 < value(found, "line_sensor.gain_within") < 15.0
    assert found.left_out == ()
    assert "which is judged by its line's pressure" in found.numbers["flow_sensor.lag"].why_not
    assert "neither command nor flow" in found.numbers["command.kind"].why_not


@pytest.mark.parametrize(("share", "word"), [(0.7, "under-delivery"), (1.2, "under-delivery")])
def test_a_pull_of_another_pressure_is_left_out(share: float, word: str) -> None:
    """Low or high against the others: said, left out, and the rest still right."""
    log = known(3)
    pulls = identify([log], RIG).pulls
    found = identify([one_pull(log, share)], RIG)
    assert [pull.left_out != "" for pull in found.pulls] == [p == longest(pulls) for p in pulls]
    assert f"1 of {len(pulls)} pulls left out: at " in found.left_out[0]
    assert word in found.left_out[0]
    assert value(found, "line_sensor.gain") == pytest.approx(0.95, abs=0.01)


def test_a_pull_that_is_a_little_off_differs_from_the_others() -> None:
    """By 8 %, which no guard of this rig accuses."""
    found = identify([one_pull(known(3, gain=1.0), 0.92)], RIG)
    assert "its line pressure is 92 % of the other pulls'" in found.left_out[0]


def test_mostly_unhealthy_log_makes_no_rig() -> None:
    """Half of all pulls at half of their pressure."""
    log = known(3)
    pulls = identify([log], RIG).pulls
    share = np.ones(len(log.t_s))
    for pull in pulls[::2]:
        share[(log.t_s > pull.begins_s) & (log.t_s < pull.ends_s)] = 0.5
    found = identify([changed(log, line_kpa=share * log.column("line_kpa"))], RIG)
    assert found.numbers["line_sensor.gain"].value is None
    assert "half or more of the pulls" in found.numbers["line_sensor.gain"].why_not


@pytest.mark.parametrize(
    ("factor", "offset", "words"),
    [
        (1.0 / 6.895, 0.0, "psi read as kPa?"),
        (0.01, 0.0, "bar read as kPa?"),
        (1.0, 0.0, ""),
        (0.9, 0.0, "put a gauge beside it"),
    ],
)
def test_wrong_units_are_told(factor: float, offset: float, words: str) -> None:
    """By how far all readings are off."""
    log = known(3, gain=1.0)
    found = identify([changed(log, line_kpa=factor * log.column("line_kpa") + offset)], RIG)
    assert any(words in one for one in found.doubts) if words else found.doubts == ()


def test_absolute_read_as_gauge_is_told() -> None:
    """A line that never has less than the air outside."""
    log = known(3)
    line = np.where(log.t_s < 2.0, 0.0, log.column("line_kpa")) + 101.3
    found = identify([changed(log, line_kpa=line)], RIG)
    assert any("is absolute read as gauge?" in one for one in found.doubts)


def test_one_pull_is_not_enough() -> None:
    """Three are asked for."""
    log = known(3)
    first = identify([log], RIG).pulls[0]
    found = identify([log.between(0, int(np.searchsorted(log.t_s, first.ends_s + 2.0)))], RIG)
    assert "no line pressure in three pulls" in found.numbers["line_sensor.gain"].why_not


@pytest.mark.parametrize("car", [RIG, FOLLOWS])
def test_fitted_rig_is_calm_on_other_pulls_and_finds_a_stopped_pump(car: Rig) -> None:
    """Narrower than before, no action on fresh seeds, and a stopped pump is found at once."""
    found = identify([log_of(drive(car, 1))], car)
    fitted = rig_with(car, found.numbers)
    assert found.left_out == ()
    assert fitted.line_sensor.gain_within < car.line_sensor.gain_within
    assert fitted.line_sensor.noise < car.line_sensor.noise
    assert fitted.line_sensor.lag_s == car.line_sensor.lag_s  # the line's own lag is no sensor's
    for seed in (101, 102):
        assert not Guard(fitted).run_rows(drive(car, seed))[:, 1].any()
    decided = Decision.named(np.ascontiguousarray(Guard(fitted).run_rows(drive(car, 103, STOPS))))
    pulled_s = decided["time_s"][decided["action"] >= Action.PULL_TIMING]
    assert 6.0 < pulled_s[0] < 6.2


def test_what_is_written_keeps_a_guard_calm_all_through_the_log() -> None:
    """One that learns on the way, not one for each pull alone."""
    log = known(4, 100.0, gain=1.0)
    fitted = as_written(RIG, identify([log], RIG).numbers)
    decided = Decision.named(np.ascontiguousarray(Guard(fitted).run_rows(log.rows())))
    assert decided["evidence"].max() <= CALM * limit_nats(fitted)


def test_a_log_of_a_stopped_pump_is_told_as_a_review_does() -> None:
    """Not by a fit to the stop itself, by which the pull ahead of it would look odd."""
    found = identify([log_of(drive(RIG, 1, Fault(FaultKind.PUMP_STOP, 14.5)))], RIG)
    assert [pull.left_out for pull in found.pulls] == ["", *["under-delivery"] * 3]


def test_a_pull_with_a_clog_is_left_out() -> None:
    """Which raises the pressure."""
    rows = drive(RIG, 2, Fault(FaultKind.CLOGGED_NOZZLE, 14.0, magnitude=0.5, for_s=5.0))
    found = identify([log_of(rows)], RIG)
    assert [i for i, pull in enumerate(found.pulls) if pull.left_out] == [1]


def test_the_other_way_to_carry_a_command_out_is_told() -> None:
    """By pulls that look healthy then alone; with a command that varies by the pressure itself."""
    found = identify([log_of(drive(FOLLOWS, 1))], RIG)
    assert "most pulls look healthy with follows_command = true" in " ".join(found.doubts)
    tarnwick = load_rig(find_rig("tarnwick")).rig
    pump = replace(tarnwick.spray.pump, follows_command=True, regulated_kpa=np.inf)
    speed = replace(tarnwick, spray=replace(tarnwick.spray, pump=pump))
    for car, rig, word in ((speed, tarnwick, "true and no regulated"), (tarnwick, speed, "false")):
        found = identify([log_of(drive(car, 1))], rig)
        assert f"with follows_command = {word}: write that" in " ".join(found.doubts)
        assert found.numbers["line_sensor.gain"].value is None
    assert identify([log_of(drive(speed, 1))], speed).numbers["line_sensor.gain"].value is not None


def test_a_car_judged_by_its_intake_alone_says_what_can_be_told() -> None:
    """How far spray cools the charge, and that beside a dry temperature alone."""
    alone = replace(RIG.charge_sensor, drop_k=12.0, rise_k=20.0)
    channels = tuple(t for t in RIG.channels if t.name != "line_kpa")
    found = identify([known(3)], replace(RIG, charge_sensor=alone, channels=channels))
    why = found.numbers["line_sensor.gain"].why_not
    assert why.startswith("not told on a car that is judged by its intake temperature alone")
    assert "dry intake temperature" in found.numbers["charge_sensor.drop_k"].why_not
