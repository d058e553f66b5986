"""What came of each pull, against the rows of its log added up by themselves."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.review.pull_table import MOST_LINES, columns, table, worst_first
from monitor.review.report import in_words
from monitor.review.review import Review, review
from monitor.words.units import METRIC, US
from rules.channels import CHANNEL_NAMES, DELIVERED
from rules.facts import Action
from simulator.logfile import mapped, open_log, write_csv
from simulator.rig import find_rig
from simulator.scenario import load_scenario
from tests.kit.drives import Driven

SAMPLES = Driven("pump_stop", 1)


@pytest.fixture(scope="module")
def stop(tmp_path_factory: pytest.TempPathFactory) -> Review:
    """The review of a drive whose pump stops in its third pull."""
    log = tmp_path_factory.mktemp("log") / "stop.csv"
    write_csv(SAMPLES, log, mapped(load_scenario("pump_stop").rig))
    return review(log, "brindle")


def sums(one: Any) -> dict[str, float]:
    """Return what a pull's rows come to, by the log's own columns."""
    column = dict(zip(("time_s", *CHANNEL_NAMES), np.array(SAMPLES[:]).T, strict=False))
    time_s = column["time_s"]
    at = (time_s >= one.pull.start_s) & (time_s <= one.pull.end_s)
    ml = {
        name: 0.01 / 60.0 * float(np.nansum(column[name][at]))
        for name in ("commanded_ml_min", "delivered_ml_min")
    }
    peaks = ("boost_kpa", "intake_c", "knock", "injector_duty_pct", "engine_speed_rpm")
    return ml | {name: float(np.nanmax(column[name][at])) for name in peaks}


def test_volumes_and_peaks_are_those_of_its_rows(stop: Review) -> None:
    """Commanded, delivered and the peaks as the log has them, between start and end."""
    assert len(stop.pulls) == 4
    for one in stop.pulls:
        own = sums(one)
        assert one.spray.commanded_ml == pytest.approx(own["commanded_ml_min"], rel=0.03)
        assert one.spray.delivered_ml == pytest.approx(own["delivered_ml_min"], abs=0.15)
        assert one.used_ml == one.spray.delivered_ml
        for name, peak in one.peaks.items():
            assert peak.value == pytest.approx(own[name])
        assert one.pull.high_rpm == own["engine_speed_rpm"]
        assert one.judged == 1.0
        assert not one.pull.columns  # its rows are let go of


def test_a_healthy_pull_gets_what_is_due_and_a_stopped_pump_does_not(stop: Review) -> None:
    """Expected stands between: near delivered while all is well, far above it afterwards."""
    first, second, third, _ = stop.pulls
    for one in (first, second):
        assert one.spray.delivered_ml == pytest.approx(one.spray.expected_ml, rel=0.08)
        assert one.action is Action.NO_ACTION
        assert one.spray.evidence.share < 0.5
        assert one.nearest()[1].share < 0.5
    assert third.spray.delivered_ml < 0.6 * third.spray.expected_ml
    assert third.action is Action.CUT_BOOST
    assert third.findings[0] == "under_delivery"
    assert third.spray.evidence.share > 1.0
    assert third.spray.debt_ml.share > 1.0
    assert third.spray.worst is not None
    assert third.spray.off(third.spray.worst) > 0.9


def test_json_has_all_of_it(stop: Review) -> None:
    """Start and end, speeds, gear and why not, volumes, peaks to limits, actions: plain types."""
    told = stop.as_json()["pulls"][2]
    one = stop.pulls[2]
    assert (told["start_s"], told["end_s"]) == (one.pull.start_s, one.pull.end_s)
    assert told["gear"] is None
    assert "no [vehicle]" in told["gear_told_by"]
    assert told["action"] == "cut_boost"
    assert told["peaks"]["boost_kpa"] == one.peaks["boost_kpa"]._asdict()
    assert told["peak_debt"]["s"] > told["peak_debt"]["limit_s"]
    assert told["commanded_ml"] > told["expected_ml"] > told["delivered_ml"]


def test_an_action_counts_for_the_pull_it_is_in_force_in(stop: Review) -> None:
    """What was done after a pull isn't its; what lasts into the next one is."""
    cleared = [event for event in stop.events if event.until_s is not None]
    assert cleared
    for one in stop.pulls:
        for event in stop.events:
            until_s = float("inf") if event.until_s is None else event.until_s
            within = event.time_s <= one.pull.end_s and until_s >= one.pull.start_s
            assert (event.finding in one.findings) >= within


def test_the_table_fits_and_says_which_is_worst(stop: Review) -> None:
    """80 cells with everything in them; fewer, and the least goes first, never the shortfall."""
    lines = list(table(stop.pulls, METRIC, 0.0))
    assert all(len(line) <= 80 for line in lines[1 : 3 + len(stop.pulls)])
    heads = ["at", "for", "rpm", "asked", "due", "came", "short", "evid", "debt", "boost"]
    assert lines[1].split() == [*heads, "air", "knock", "duty"]
    third = lines[5].split()
    assert third[0] == "0:10.1"
    assert third[3] == f"{stop.pulls[2].spray.commanded_ml:.1f}"
    worst = worst_first(stop.pulls)[0]
    assert f"worst: the pull at 0:{worst.pull.start_s:.1f}, cut boost (under-delivery" in lines[7]
    narrow = list(table(stop.pulls, METRIC, 0.0, room=40))
    assert all(len(line) <= 40 for line in narrow[1:7])
    assert {"at", "asked", "came", "short", "evid", "debt"} <= set(narrow[1].split())
    assert not {"duty", "knock", "due"} & set(narrow[1].split())


def test_us_units_reach_every_figure(stop: Review) -> None:
    """No kPa, degree Celsius or mL/min is left, and figures are the same in other units."""
    text = "\n".join(in_words(stop, US))
    for metric in (" kPa", "degC", "°C", "mL/min"):
        assert metric not in text
    assert "mL" not in text.replace("debt", "").split("pulls at full throttle")[1]
    row = next(line for line in text.splitlines() if line.startswith("  0:10.1"))
    boost_psi = stop.pulls[2].peaks["boost_kpa"].value / 6.894757
    assert f" {boost_psi:.1f} " in row


def test_many_pulls_are_told_by_the_worst_of_them(stop: Review) -> None:
    """A log of hundreds fills no screen; the order stays that of time."""
    many = [replace(one) for _ in range(20) for one in stop.pulls]
    lines = list(table(many, METRIC, 0.0))
    assert lines[0].startswith(f"  80 pulls at full throttle, the {MOST_LINES} worst of them here")
    assert sum(line.startswith("  0:") for line in lines) == MOST_LINES


def test_without_a_flow_sensor_nothing_came_is_not_said(stop: Review) -> None:
    """What line or charge tell isn't mL delivered: the column is empty."""
    came = next(one for one in columns(METRIC, 0.0, DELIVERED + 5) if one.head == "came")
    assert came.cell(stop.pulls[0]) == ""


@pytest.mark.parametrize("hole", [False, True])
def test_a_gear_column_that_the_rig_maps_is_told(tmp_path: Path, hole: bool) -> None:
    """``[extra.gear]`` comes beside each row, also where ticks for silence stand between rows."""
    scenario = load_scenario("pump_stop")
    log, rig = tmp_path / "log.csv", tmp_path / "car.toml"
    rows = np.array(SAMPLES[:650] + SAMPLES[700 if hole else 650 :])
    gears = 2.0 + (rows[:, :1] > 5.4) + (rows[:, :1] > 9.0)
    with open_log(log, mapped(scenario.rig), ["true_gear"], {}) as write:
        write(rows, gears)
    text = find_rig("brindle").read_text(encoding="utf-8")
    rig.write_text(f'{text}\n[extra.gear]\ncolumn = "true_gear"\n', encoding="utf-8")
    told = [one.pull.gear for one in review(log, str(rig)).pulls]
    assert told[0] == (2, "as logged")
    assert {one.number for one in told[-2:]} == {4}
    assert len(told) == 4
