"""Pulls in a log, against simulated cars whose gear, pedal and road speed are known."""

from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from itertools import pairwise
from math import inf
from typing import Any, NamedTuple

import numpy as np
import pytest

from monitor.review import pulls as module
from monitor.review.pulls import Pull, PullFinder, pulls_of
from rules.channels import CHANNEL_NAMES, NOT_SENT
from rules.facts import Rig, Vehicle
from simulator.plant import Car
from simulator.scenario import load_scenario

Columns = dict[str, Any]
# The throttle moves within some 0.1 s of the pedal, and a shift is cut where engine speed turns.
NEAR_S = 0.25


class Drive(NamedTuple):
    """A simulated drive: what was logged, and what the driver did, (start, end, gear) each."""

    rig: Rig
    columns: Columns
    done: list[tuple[float, float, int]]


@cache
def drive(name: str) -> Drive:
    """Drive a shipped scenario; road speed is logged, too, under its name among ``columns``."""
    scenario = load_scenario(name)
    car = Car(scenario.rig, scenario, 1)
    rows, truths = [], []
    while not car.finished:
        for row in car.step(0.0, inf):
            rows.append(row)
            state = car.state
            full = state.pedal >= 0.99 and state.clutch_open == 0.0
            truths.append((state.gear if full else 0, 3.6 * state.road_m_s))
    table, (gear, speed_kmh) = np.array(rows), np.array(truths).T
    columns = {"time_s": table[:, 0], "speed_kmh": speed_kmh}
    columns |= {channel: table[:, at] for at, channel in enumerate(CHANNEL_NAMES, start=1)}
    edges = np.flatnonzero(np.diff(gear, prepend=0, append=0))
    time_s = table[:, 0]
    spans = [(a, b - 1) for a, b in pairwise(edges) if gear[a]]
    done = [(float(time_s[a]), float(time_s[b]), int(gear[a])) for a, b in spans]
    return Drive(scenario.rig, columns, [one for one in done if one[1] - one[0] >= 1.2])


def without(columns: Columns, *names: str) -> Columns:
    """Return a log that lacks some columns."""
    return {name: values for name, values in columns.items() if name not in names}


def near(found: list[Pull], done: list[tuple[float, float, int]], near_s: float) -> bool:
    """Whether what was found begins and ends near what was done, one by one."""
    return len(found) == len(done) and all(
        abs(pull.start_s - start_s) <= near_s and abs(pull.end_s - end_s) <= near_s
        for pull, (start_s, end_s, _) in zip(found, done, strict=True)
    )


@pytest.mark.parametrize("name", ["unboosted_drive", "highway_pull", "pump_stop"])
def test_by_throttle_pulls_are_what_the_driver_did(name: str) -> None:
    """Nothing boosts, or a turbocharger does: start and end are the pedal's, shifts between."""
    it = drive(name)
    assert near(pulls_of(it.columns, it.rig), it.done, NEAR_S)


def test_a_supercharged_car_without_throttle_is_told_by_boost() -> None:
    """Its switch drops out in each shift; three gears are three pulls."""
    it = drive("gear_shifts")
    assert near(pulls_of(it.columns, it.rig), it.done[:3], 0.4)


@pytest.mark.parametrize("name", ["unboosted_drive", "gear_shifts"])
def test_road_speed_tells_the_gear(name: str) -> None:
    """Engine speed over road speed is one gear of the rig's gearbox."""
    it = drive(name)
    found = pulls_of(it.columns, it.rig)
    told = [(pull.gear.number, pull.gear.why) for pull in found]
    assert told == [(gear, "by road speed") for _, _, gear in it.done[: len(found)]]
    assert len(found) >= 3


def test_shifts_tell_the_gear_where_no_speed_is_logged() -> None:
    """How far engine speed falls fits one set of steps; where it fits two, nothing is told."""
    it = drive("unboosted_drive")
    log = without(it.columns, "speed_kmh")
    assert [pull.gear.number for pull in pulls_of(log, it.rig)] == [gear for *_, gear in it.done]
    even = replace(it.rig.vehicle, gears=(2.9, 2.17, 1.63, 1.22, 0.92, 0.69))
    for pull in pulls_of(log, replace(it.rig, vehicle=even)):
        assert pull.gear.number is None
        assert "no shift tells it" in pull.gear.why


def test_a_gearbox_nobody_stated_tells_no_gear() -> None:
    """The simulated car's own numbers are no claim about a car whose rig states none."""
    it = drive("unboosted_drive")
    for pull in pulls_of(it.columns, replace(it.rig, vehicle=Vehicle())):
        assert pull.gear == (None, "no gear is logged, and the rig states no [vehicle]")


def test_a_logged_gear_goes_before_what_is_reckoned() -> None:
    """A gear column is believed where it keeps still; where it doesn't, no gear is told."""
    it = drive("highway_pull")
    gear = np.full(len(it.columns["time_s"]), 4.0)
    assert pulls_of(it.columns | {"gear": gear}, it.rig)[0].gear == (4, "as logged")
    gear[::2] = 3.0
    told = pulls_of(it.columns | {"gear": gear}, it.rig)[0].gear
    assert told == (None, "the gear as logged changes within the pull")


@pytest.mark.parametrize("name", ["unboosted_drive", "pump_stop"])
def test_without_throttle_boost_and_a_rising_engine_speed_tell(name: str) -> None:
    """Each pull in which the engine speeds up is found; a start is as late as boost is."""
    it = drive(name)
    found = pulls_of(without(it.columns, "throttle_pct"), it.rig)
    for start_s, end_s, gear in it.done:
        if end_s - start_s < 2.5 or gear == 5:
            continue  # it hardly speeds up
        nearest = min(found, key=lambda pull: abs(pull.end_s - end_s))
        assert abs(nearest.end_s - end_s) <= NEAR_S
        assert -0.1 <= nearest.start_s - start_s <= 2.0


@pytest.mark.parametrize("name", ["part_throttle", "throttle_jabs"])
def test_part_throttle_and_jabs_are_no_pulls(name: str) -> None:
    """Boost alone would take the one for a pull; the throttle says that it is none."""
    it = drive(name)
    assert not pulls_of(it.columns, it.rig)


def blocks(columns: Columns, size: int) -> Iterator[Columns]:
    """Yield a log in blocks."""
    for at in range(0, len(columns["time_s"]), size):
        yield {name: values[at : at + size] for name, values in columns.items()}


@pytest.mark.parametrize("size", [1, 7, 400])
def test_blocks_of_any_size_find_the_same(size: int) -> None:
    """What is found doesn't hang on how a log is cut up, and the rows come back whole."""
    it = drive("unboosted_drive")
    finder = PullFinder(it.rig)
    found = [pull for block in blocks(it.columns, size) for pull in finder.take(block)]
    found += finder.finish()
    whole = pulls_of(it.columns, it.rig)
    assert [(p.start_s, p.end_s, p.gear) for p in found] == [
        (p.start_s, p.end_s, p.gear) for p in whole
    ]
    for one, other in zip(found, whole, strict=True):
        for name, values in other.columns.items():
            np.testing.assert_array_equal(one.columns[name], values)


def test_columns_at_different_rates() -> None:
    """Each row sends one of three channels: the newest of each counts."""
    it = drive("unboosted_drive")
    columns = {name: values.copy() for name, values in it.columns.items()}
    row = np.arange(len(columns["time_s"]))
    for turn, name in enumerate(("engine_speed_rpm", "throttle_pct", "boost_kpa")):
        columns[name][row % 3 != turn] = NOT_SENT
    assert near(pulls_of(columns, it.rig), it.done, NEAR_S)


def test_a_clock_that_steps_back_and_rows_that_come_late() -> None:
    """Times go on where a clock begins anew, and a row that came late ends no pull."""
    it = drive("pump_stop")
    whole = pulls_of(it.columns, it.rig)
    late = np.arange(len(it.columns["time_s"]))
    late[5::50], late[4::50] = late[4::50].copy(), late[5::50].copy()
    found = pulls_of({name: values[late] for name, values in it.columns.items()}, it.rig)
    assert [(p.start_s, p.end_s) for p in found] == [(p.start_s, p.end_s) for p in whole]
    columns = dict(it.columns)
    middle_s = 0.5 * (whole[0].start_s + whole[0].end_s)
    columns["time_s"] = np.where(
        columns["time_s"] > middle_s, columns["time_s"] - middle_s, columns["time_s"]
    )
    found = pulls_of(columns, it.rig)
    assert found[0].end_s == pytest.approx(whole[0].end_s - middle_s)


def test_a_hole_ends_a_pull() -> None:
    """What happened while nothing was logged isn't known."""
    it = drive("highway_pull")
    time_s = it.columns["time_s"]
    keep = (time_s < 10.0) | (time_s > 11.0)
    found = pulls_of({name: values[keep] for name, values in it.columns.items()}, it.rig)
    assert found[0].end_s == pytest.approx(10.0, abs=0.05)
    assert len(found) == 2


def test_a_log_that_never_ends_its_pull_keeps_few_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    """A throttle that stays full for hours costs the memory of so many rows, no more."""
    monkeypatch.setattr(module, "MOST_ROWS", 500)
    it = drive("highway_pull")
    finder = PullFinder(it.rig)
    most = 0
    for block in blocks(it.columns, 100):
        most = max(most, *(len(p.columns["time_s"]) for p in finder.take(block)), 0)
    found = finder.finish()
    assert found or finder.pulls
    assert 500 <= most <= 600


def test_no_engine_speed_no_throttle_or_nothing_at_all() -> None:
    """Without engine speed the throttle tells; without both nothing does; no row is no error."""
    it = drive("highway_pull")
    found = pulls_of(without(it.columns, "engine_speed_rpm"), it.rig)
    assert len(found) == 1
    assert np.isnan(found[0].high_rpm)
    assert not pulls_of(without(it.columns, "engine_speed_rpm", "throttle_pct"), it.rig)
    assert not pulls_of({name: values[:0] for name, values in it.columns.items()}, it.rig)
    still = it.columns | {"engine_speed_rpm": np.zeros(len(it.columns["time_s"]))}
    assert not pulls_of(still, it.rig)
