"""A comparison in words and JSON."""

import json
from dataclasses import replace
from pathlib import Path

from monitor.dyno.comparing import Comparison
from monitor.dyno.words import as_json, in_words
from monitor.words.units import METRIC, US
from simulator.dyno.correction import Correction
from tests.kit.dyno_runs import Drawn
from tests.monitor.dyno.test_comparing import ASKED, CHANGE, SPRAYED, compared


def lines(found: Comparison) -> list[str]:
    """Return its lines."""
    return list(in_words(found, "Small", METRIC))


def test_a_comparison_says_what_it_rests_on(tmp_path: Path) -> None:
    """Runs, gear, how torque was told, correction, what was left out, and the caution."""
    asked = ASKED._replace(method=Correction.ISO1585)
    told = lines(compared(tmp_path, [Drawn()] * 3, [SPRAYED, SPRAYED, Drawn()], asked))
    assert told[0].startswith("Small: 3 dry against 2 spray, gear 3, 3")
    assert told[1] == "torque: as logged, smoothed by a quadratic through 0.62 s around each moment"
    assert told[2].startswith(
        "correction: ISO 1585 ((99/dry kPa)^1.2 x (K/298)^0.6): dry times 1.0"
    )
    assert told[3] == (
        "left out: 50-2.csv 0:01.00 to 0:05.98: no spray flowed, but it is to be sprayed"
    )
    assert any("two spray runs: intervals are wide" in line for line in told)
    assert told[-1].startswith("Full throttle belongs on a dyno or a closed course")
    assert any(line.startswith("mean power 3") and "area under" in line for line in told)
    assert sum(line.startswith("repeatability: 95 % of further") for line in told) == 2


def test_torque_told_from_acceleration_says_how(tmp_path: Path) -> None:
    """By which numbers, and what noise leaves of it."""
    one = Drawn(left_out=("torque_nm",))
    other = replace(one, flow_ml_min=200.0)
    told = lines(compared(tmp_path, [one] * 2, [other] * 2))[1]
    assert told.startswith("torque: from mass, gearing and drag by [vehicle]")
    assert "leaves a run's torque off by up to " in told


def test_tables_fit_80_columns(tmp_path: Path) -> None:
    """In both kinds of units, with long names and with boost that differs."""
    found = compared(tmp_path, [Drawn(3000.0, 90.0)] * 3, [SPRAYED] * 3, CHANGE)
    for units in (METRIC, US):
        told = list(in_words(found, "Small", units))
        rows = [line for line in told if line[:6].strip().isdigit() or line.startswith("  ")]
        assert len(rows) > 20
        assert max(map(len, rows)) <= 80


def test_us_units_are_the_same_figures(tmp_path: Path) -> None:
    """300 N m are 221 lb ft, 1 kW is 1.341 hp (NIST SP 811); JSON stays metric."""
    found = compared(tmp_path, [Drawn()] * 2, [SPRAYED] * 2)
    metric, us = (list(in_words(found, "Small", units)) for units in (METRIC, US))
    at = next(i for i, line in enumerate(metric) if line.startswith("  4400"))
    one, other = ([float(cell) for cell in line.split()[2:6]] for line in (metric[at], us[at]))
    assert abs(other[0] / one[0] - 0.73756) < 0.003
    assert abs(other[2] / one[2] - 1.34102) < 0.003
    assert any("torque, lb ft" in line and "power, hp" in line for line in us)


def test_json_is_whole_and_plain(tmp_path: Path) -> None:
    """Every list is as long as there are speeds; what isn't known is null."""
    found = compared(tmp_path, [Drawn()], [SPRAYED] * 2)
    told = json.loads(json.dumps(as_json(found, "Small"), allow_nan=False))
    speeds = len(told["engine_speed_rpm"])
    assert told["gear"] == 3
    assert [len(told[key]) for key in ("torque_gain_nm", "power_gain_kw", "boost_differs")] == [
        speeds
    ] * 3
    assert told["power_gain_kw"][5]["low"] is None
    dry, spray = told["groups"]
    assert (dry["name"], len(spray["runs"])) == ("dry", 2)
    assert spray["runs"][0]["torque_told_by"] == "log"
    assert dry["knock"] == [None] * speeds
    assert len(spray["power_repeatability_kw"]) == speeds
    assert told["mean_power"]["gain_kw"]["value"] > 0.0


def test_a_span_that_no_run_goes_through_is_said(tmp_path: Path) -> None:
    """In place of the mean: of which group none does."""
    asked = ASKED._replace(between_rpm=(2000.0, 9000.0))
    told = lines(compared(tmp_path, [Drawn()], [SPRAYED], asked))
    assert "mean power 2000 to 9000 rpm: not told, no dry and no spray run spans that" in told


def test_a_gain_that_is_not_sure_has_its_unit(tmp_path: Path) -> None:
    """Behind the figure."""
    told = lines(compared(tmp_path, [Drawn()], [SPRAYED]))
    (mean,) = (line for line in told if line.startswith("mean power"))
    assert " kW (not sure), +" in mean
