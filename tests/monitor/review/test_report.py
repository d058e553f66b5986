"""What a review says to people, beside what was found."""

from dataclasses import replace
from pathlib import Path

import pytest

from monitor.review.report import in_words
from monitor.review.review import Review, review
from rules.step.from_rig import constants_of
from simulator.logfile import mapped, write_csv
from simulator.plant import Do, Step, run
from simulator.rig import find_rig, load_rig
from simulator.scenario import load_scenario
from tests.kit.rig_text import SMALL

ACKNOWLEDGED = "this rig releases only what an operator acknowledges"


def write(folder: Path, rows: list[str], rig: str = SMALL) -> Review:
    """Return the review of a log with these rows."""
    log, rig_path = folder / "log.csv", folder / "car.toml"
    header = "time_s,boost_kpa,delivered_ml_min"
    log.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    rig_path.write_text(rig, encoding="utf-8")
    return review(log, str(rig_path))


def words(result: Review) -> str:
    """Return a review's text."""
    return "\n".join(in_words(result))


@pytest.mark.parametrize(
    ("step_s", "said"),
    [
        (10.0, "rows are 10 s apart: is [time] unit right?"),
        (0.00001, "rows are 0.01 ms apart: is [time] unit right?"),
        (1.0, "rows are 1 s apart, too far to judge a command that switches"),
        (0.6, "rows are 600 ms apart, too far to judge a command that switches"),
        (0.2, ""),
        (0.05, ""),
        (0.001, ""),
    ],
)
def test_rows_too_far_apart_or_too_close_are_told(tmp_path: Path, step_s: float, said: str) -> None:
    """A wrong unit of time shows in the rows' spacing; so does a logger too slow to judge by."""
    text = words(write(tmp_path, [f"{i * step_s:.6f},-50,{i % 2}" for i in range(20)]))
    if said:
        assert said in text
    else:
        assert "apart" not in text


def test_one_row_is_one_row(tmp_path: Path) -> None:
    """One row used and one not: no plural."""
    text = words(write(tmp_path, ["0,-50,0", "1,2"]))
    assert "log.csv: 1 row, 0.00 to 0.00 s" in text
    assert "1 row not used" in text
    assert "1 rows" not in text


def test_an_explanation_says_when_it_was_true(tmp_path: Path) -> None:
    """An event begins with a warning; what is explained is its worst action, later."""
    result = write(tmp_path, [f"{i * 0.01:.2f},150,{i % 3}" for i in range(300)])
    event = next(event for event in result.events if event.finding == "under_delivery")
    assert event.action_time_s > event.time_s + 0.01
    lines = list(in_words(result))
    first = next(i for i, line in enumerate(lines) if "under-delivery" in line)
    assert lines[first].split()[0] == f"{event.time_s:.2f}"
    why = event.explanation
    assert lines[first + 1].strip() == f"at {event.action_time_s:.2f} s: {why[0].lower()}{why[1:]}"


def test_a_latch_that_nobody_releases_is_explained(tmp_path: Path) -> None:
    """Where the rig wants an acknowledgement, a log that latched says why it never releases."""
    rows = [f"{i * 0.01:.2f},150,{i % 3}" for i in range(300)]
    rig = SMALL + "[ladder]\nacknowledge_to_release = true\n"
    assert ACKNOWLEDGED in words(write(tmp_path, rows, rig))
    assert ACKNOWLEDGED not in words(write(tmp_path, rows))
    assert ACKNOWLEDGED not in words(write(tmp_path, ["0.00,-50,0", "0.01,-50,1"], rig))


def test_shipped_rigs_still_pass() -> None:
    """The shipped rigs keep a pump that reaches its regulated pressure, and a dry limit."""
    for name in ("brindle", "tarnwick"):
        rig = load_rig(find_rig(name)).rig
        assert rig.spray.pump.regulated_kpa <= rig.spray.pump.shut_off_kpa
        assert rig.paid.dry_limit_kpa > 0.0


def test_cells_that_are_no_numbers_are_told(tmp_path: Path) -> None:
    """With line, column and what stands there, the first three of them; the log is judged."""
    log = tmp_path / "log.csv"
    text = ["time_s,boost_kpa,delivered_ml_min", *(f"{i / 100},{20 + i % 2},0" for i in range(100))]
    for at in (5, 40, 41, 70):
        text[at] = text[at].replace(",2", ",ERR")
    log.write_text("\n".join(text) + "\n", encoding="ascii")
    rig = tmp_path / "rig.toml"
    rig.write_text(SMALL, encoding="utf-8")
    found = review(log, str(rig))
    (line,) = [line for line in in_words(found) if "no number" in line]
    assert line == (
        '  4 cells are no number, and never healthy: line 6: boost_kpa: found "ERR0"; '
        'line 41: boost_kpa: found "ERR1"; line 42: boost_kpa: found "ERR0" and so on'
    )
    assert found.as_json()["no_numbers"]["cells"] == 4
    assert found.rows >= 100


def test_a_clean_log_says_how_near_it_was(tmp_path: Path) -> None:
    """What was asked for and arrived, the worst of it, and the peaks to their limits; 80 wide."""
    drive = (Step(Do.CRUISE, 2.0, 3), Step(Do.PULL, 4.0, 3), Step(Do.LIFT, 2.0))
    pull = replace(load_scenario("healthy_pulls"), drive=drive)
    log = tmp_path / "pull.csv"
    write_csv(run(pull, 3), log, mapped(pull.rig))
    result = review(log, "brindle")
    first, sprayed, steady, near = list(in_words(result))[1:5]
    assert first == "  no action throughout"
    told = result.as_json()["spray"]
    low_kpa, high_kpa = told["boost_kpa"]
    assert 55.0 < low_kpa < 65.0 < 150.0 < high_kpa < 190.0  # brindle sprays from 60 kPa on
    assert 0.85 < told["delivered_ml"] / told["commanded_ml"] < 1.15
    assert sprayed == (
        f"  sprayed for {told['sprayed_s']:.2f} s at {low_kpa:.0f} to {high_kpa:.0f} kPa: "
        f"{told['delivered_ml']:.1f} of {told['commanded_ml']:.1f} mL commanded arrived "
        f"({100.0 * told['delivered_ml'] / told['commanded_ml']:.0f} %)"
    )
    top, worst = told["at_highest_boost"], told["worst"]
    share, worst_share = (100.0 * one["reads"] / one["due"] for one in (top, worst))
    assert 2.0 < worst["time_s"] < 6.0
    assert steady == (
        f"  steady at {top['boost_kpa']:.0f} kPa, its highest, at {top['time_s']:.2f} s: "
        f"{top['reads']:.0f} of {top['due']:.0f} mL/min due ({share:.0f} %); "
        f"worst half second: {worst_share:.0f} %, at {worst['time_s']:.2f} s"
    )
    peak, debt = told["peak_evidence"], told["peak_debt"]
    assert 0.0 < peak["value"] < peak["limit"] == constants_of(pull.rig).limit_nats
    assert near == (
        f"  highest evidence {peak['value']:.1f} of the {peak['limit']:.1f} that pull timing "
        f"({100.0 * peak['value'] / peak['limit']:.0f} %), at {peak['time_s']:.2f} s; highest debt "
        f"{debt['s']:.2f} of the 0.40 s of full flow that cut boost"
    )


def test_the_same_stands_behind_the_events(tmp_path: Path) -> None:
    """A log with events ends with it; what arrived is what arrived."""
    lines = list(in_words(write(tmp_path, [f"{i * 0.01:.2f},150,{i % 3}" for i in range(300)])))
    at = next(i for i, line in enumerate(lines) if line.startswith("  sprayed for"))
    assert max(i for i, line in enumerate(lines) if "under-delivery" in line) < at
    assert lines[at].endswith("mL commanded arrived (0 %)")
    assert "worst half second: 0 %" in lines[at + 1]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("-50,0", "no spray was asked for (boost -50 kPa at most; spray begins at 60 kPa)"),
        ("150,nan", "no row could be judged"),
    ],
)
def test_a_log_that_tells_nothing_of_the_spray_says_so(tmp_path: Path, row: str, said: str) -> None:
    """Never sprayed, or its witness silent throughout: no share, no peak."""
    text = words(write(tmp_path, [f"{i * 0.01:.2f},{row}" for i in range(10)]))
    assert said in text
    assert "highest evidence" not in text
    assert "sprayed for" not in text


def test_spray_that_could_not_be_judged_is_told_of(tmp_path: Path) -> None:
    """Half of the pull without a flow reading: only the other half is summed up."""
    rows = [f"{i * 0.01:.2f},150,{'nan' if i > 150 else 700 + i % 3}" for i in range(300)]
    text = words(write(tmp_path, rows))
    assert "spray was asked for during 1.49 s that could not be judged" in text
    assert "sprayed for 1.50 s at 150 to 150 kPa" in text


def test_a_car_without_a_flow_sensor_tells_by_its_witness(tmp_path: Path) -> None:
    """Line pressure against what was due; what arrived isn't known."""
    rig = load_rig(find_rig("orrinby")).rig
    drive = (Step(Do.CRUISE, 2.0, 3), Step(Do.PULL, 4.0, 3), Step(Do.LIFT, 2.0))
    pull = replace(load_scenario("healthy_pulls"), rig=rig, drive=drive)
    log = tmp_path / "line.csv"
    write_csv(run(pull, 3), log, mapped(rig))
    text = words(review(log, "orrinby"))
    assert "mL commanded\n  line pressure, steady at " in text
    assert " kPa due (" in text
    assert "arrived" not in text
