"""A comparison as Markdown, CSV and JSON: the same figures as its lines."""

import csv
import json
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.dyno.comparing import Comparison
from monitor.dyno.report_files import left_out_table, run_table, text_of
from monitor.dyno.runs import LeftOut
from monitor.dyno.words import as_json, in_words
from monitor.words.units import METRIC, US
from tests.kit.dyno_runs import Drawn
from tests.monitor.dyno.test_comparing import SPRAYED, compared


@pytest.fixture
def found(tmp_path: Path) -> Comparison:
    """Three dry runs, two with spray, and a run of another log that was left out."""
    made = compared(tmp_path, [Drawn()] * 3, [SPRAYED] * 2)
    return replace(made, left_out=(LeftOut("b|ad.csv", 1.0, 2.0, 0.0, "air outside 40 degC"),))


def test_csv_has_a_row_each_engine_speed(found: Comparison) -> None:
    """Every step, the unit in each name; what isn't known is empty; figures as in JSON."""
    rows = list(csv.DictReader(text_of(found, "Small", US, ".csv").splitlines()))
    told = as_json(found, "Small")
    assert [float(row["engine_speed_rpm"]) for row in rows] == told["engine_speed_rpm"]
    assert (rows[0]["dry_runs"], rows[0]["spray_runs"]) == ("3", "2")
    for name, key in (("dry", 0), ("spray", 1)):
        for field in ("torque_nm", "power_kw", "boost_kpa"):
            values = [float(row[f"{name}_{field}"]) for row in rows]
            assert values == pytest.approx(told["groups"][key][field], rel=1e-5)
    gains = [float(row["power_gain_kw_low"]) for row in rows]
    assert gains == pytest.approx([one["low"] for one in told["power_gain_kw"]], rel=1e-5)
    assert {row["dry_knock"] for row in rows} == {""}
    assert {row["boost_differs"] for row in rows} == {"0"}


def test_json_is_what_the_command_says(found: Comparison) -> None:
    """One line of it."""
    text = text_of(found, "Small", US, ".json")
    assert text.count("\n") == 1
    assert json.loads(text) == json.loads(json.dumps(as_json(found, "Small")))


def test_markdown_says_what_the_lines_say(found: Comparison) -> None:
    """All sentences, and tables of speeds, channels, runs and what was left out."""
    text = text_of(found, "Sm_all", METRIC, ".md")
    assert text.startswith(r"# Sm\_all: 3 dry against 2 spray, gear 3")
    for line in in_words(found, "Sm_all", METRIC):
        if line.startswith(("mean power", "torque:", "correction:", "note:")):
            assert f"- {line}" in text
    row = next(line.split() for line in in_words(found, "", METRIC) if line.startswith("  4400"))
    (cells,) = (line for line in text.splitlines() if line.startswith("| 4400 | 3/2"))
    assert [cell.strip() for cell in cells.split("|")[3:7]] == row[2:6]
    assert "| 4400 | 90 | 90 | 30 | 30 | 0 | 250 |" in text
    assert r"| b\|ad.csv | 0:01.00 | 0:02.00 | air outside 40 degC |" in text


def test_where_boost_differs_no_gain_stands(found: Comparison) -> None:
    """Nor is one told in percent."""
    nothing = found.power_gain[0]._replace(value=float("nan"))
    found = replace(found, power_gain=(nothing,) * len(found.speed_rpm))
    found.boost_differs[:] = True
    assert "| boost differs | -- |" in text_of(found, "Small", METRIC, ".md")


def test_tables_are_in_the_units_asked_for(found: Comparison) -> None:
    """20 degC are 68 degF, and so within sentences."""
    head, rows = run_table(found, US)
    assert head[6:8] == ["air outside, °F", "barometer, psi"]
    assert rows[0][:5] == ["dry 1", "0-0.csv", "0:01.00", "0:05.98", "3"]
    assert rows[3][0] == "spray 1"
    assert rows[0][6] == "68"
    assert left_out_table(found, US)[1] == [
        ["b|ad.csv", "0:01.00", "0:02.00", "air outside 104 °F"]
    ]
