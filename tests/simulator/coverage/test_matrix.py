"""The fault coverage matrix: honest cells, the same bytes on any number of processes."""

import json
from dataclasses import replace
from math import inf, isfinite
from typing import Any

import numpy as np
import pytest

from monitor.cli import run as flowdebt
from monitor.words.coverage import as_json, as_markdown, as_table, cell_text
from rules.facts import Charger, CommandKind, Limits, Rig
from rules.step.state import FINDING_NAMES
from simulator.compiled_or_not import Way
from simulator.coverage.cases import CASES
from simulator.coverage.expectation import Case, Expectation, expected
from simulator.coverage.matrix import Cell, Found, State, cover, evaluation_seed, judge, observe
from simulator.coverage.points import POINTS
from simulator.plant import FaultKind
from simulator.plant.truth import TRUTH_NAMES
from simulator.rig import find_rig, load_rig
from simulator.runs import Drive
from simulator.scenario import load_scenario, shipped_scenarios

BRINDLE = load_rig(find_rig("brindle")).rig
BY_NAME = {case.name: case for case in CASES}
BY_KEY = {point.key: point for point in POINTS}
PUMP = BY_NAME["pump stop"]
HIGH = BY_KEY["high"]
NEEDS = Expectation((frozenset({"under_delivery"}),), frozenset({"knock"}), "because")


def found(*names: str, at_s: float = 0.2, **more: Any) -> Found:
    """Return what a run showed that raised these findings."""
    raised = tuple((name, at_s) for name in names)
    values: dict[str, Any] = {"began": True, "action_s": 0.3, "harm": 1.0, "missing": 1.0, **more}
    return Found(raised=raised, **values)


def cell(*runs: Found, expectation: Expectation = NEEDS) -> Cell:
    """Return the cell these runs make."""
    return judge(PUMP, HIGH, expectation, runs)


def test_every_kind_of_fault_has_a_row() -> None:
    """No kind is forgotten, sensors lie on several channels, names are short and unlike."""
    kinds = {fault.kind for case in CASES for fault in case.faults}
    assert kinds == set(FaultKind)
    channels = {fault.channel for case in CASES for fault in case.faults} - {""}
    assert {"delivered_ml_min", "boost_kpa", "intake_c", "knock", "tank_ml"} <= channels
    assert len(BY_NAME) == len(CASES)
    assert all(len(case.name) <= 23 for case in CASES)
    assert any(len(case.faults) > 1 for case in CASES)


def test_expectations_name_findings_and_reasons() -> None:
    """Every finding named exists, every cell says why, with whatever rig."""
    for case in CASES:
        for point in POINTS:
            expectation = expected(case, point.key, BRINDLE)
            names = expectation.may.union(*expectation.needs)
            assert names <= set(FINDING_NAMES)
            assert expectation.why or expectation.not_applicable


def test_what_a_rig_cannot_find_is_not_expected() -> None:
    """No channel, no limit: the cell does not apply, and says so."""
    short = replace(
        BRINDLE, channels=tuple(t for t in BRINDLE.channels if t.name != "tank_ml"), limits=Limits()
    )
    assert (
        "maps no channel tank_ml" in expected(BY_NAME["tank short"], "high", short).not_applicable
    )
    over = expected(BY_NAME["overboost 25 %"], "high", short)
    assert over.not_applicable == "the rig does not look for overboost: no [limits.boost_kpa]"
    empty = expected(BY_NAME["empty tank"], "high", short)
    assert empty.needs == (frozenset({"under_delivery"}),)
    assert len(expected(BY_NAME["empty tank"], "high", BRINDLE).needs) == 2


def rig_with(channel: str, **terms: Any) -> Rig:
    """Return brindle with other terms for a channel."""
    channels = tuple(replace(t, **terms) if t.name == channel else t for t in BRINDLE.channels)
    return replace(BRINDLE, channels=channels)


def test_expectations_follow_the_rigs_own_terms() -> None:
    """Plausible ranges, stuck_after, charger and command all change what is due."""
    lost = (frozenset({"signal_lost"}),)
    intake_open, intake_stuck = BY_NAME["intake open"], BY_NAME["intake stuck"]
    assert expected(intake_open, "high", BRINDLE).needs == lost
    assert expected(intake_open, "high", rig_with("intake_c", low=-60.0)).needs == ()
    assert expected(intake_stuck, "high", BRINDLE).needs == ()
    assert expected(intake_stuck, "high", rig_with("intake_c", stuck_after_s=1.0)).needs == lost
    logged = replace(BRINDLE, command=replace(BRINDLE.command, kind=CommandKind.LOG_FLOW))
    assert expected(BY_NAME["boost stuck"], "high", BRINDLE).needs
    for name in ("boost stuck", "boost offset -15 %"):
        assert expected(BY_NAME[name], "high", logged).needs == ()
    blown = replace(BRINDLE, engine=replace(BRINDLE.engine, charger=Charger.DISPLACEMENT))
    assert expected(BY_NAME["overboost 25 %"], "high", BRINDLE).needs
    assert expected(BY_NAME["overboost 25 %"], "high", blown).needs == ()


def test_what_nothing_boosts_can_show() -> None:
    """No charger, no cooler, little knock; a reading far above the air outside isn't plausible."""
    unboosted = load_rig(find_rig("quarrick")).rig
    for name in ("overboost 25 %", "cooler blocked"):
        assert expected(BY_NAME[name], "high", BRINDLE).not_applicable == ""
        assert "nothing boosts" in expected(BY_NAME[name], "high", unboosted).not_applicable
    for name in ("wrong mix", "petrol short 25 %"):
        assert expected(BY_NAME[name], "high", BRINDLE).needs
        assert expected(BY_NAME[name], "high", unboosted).needs == ()
    high = BY_NAME["boost offset +15 %"]
    assert all("signal_lost" not in names for names in expected(high, "high", BRINDLE).needs)
    assert all("signal_lost" in names for names in expected(high, "high", unboosted).needs)
    low = BY_NAME["boost offset -15 %"]
    assert expected(low, "high", unboosted).needs == expected(low, "high", BRINDLE).needs


def test_a_cell_is_what_its_runs_are() -> None:
    """As expected, missed, odd, quiet, allowed: by every run, not by most."""
    good, nothing, odd = found("under_delivery"), found(), found("under_delivery", "tank_low")
    assert cell(good, found("under_delivery", "knock")).state is State.AS_EXPECTED
    missed = cell(good, nothing, good)
    assert (missed.state, missed.missed, missed.runs) == (State.MISSED, 1, 3)
    strange = cell(good, odd)
    assert (strange.state, strange.odd) == (State.ODD, 1)
    assert strange.raised == {"under_delivery": 1.0, "tank_low": 0.5}
    both = cell(odd, nothing)
    assert (both.state, both.missed, both.odd) == (State.MISSED, 1, 1)
    optional = Expectation((), frozenset({"knock"}), "because")
    assert cell(nothing, expectation=optional).state is State.QUIET
    assert cell(nothing, found("knock"), expectation=optional).state is State.ALLOWED
    assert cell(good, expectation=optional).state is State.ODD


def test_evaluation_seeds_are_no_tuning_seeds() -> None:
    """They are the upper half of all seeds, and no shipped scenario's. Other indices fail."""
    assert [evaluation_seed(i) for i in (0, 1, 2**31 - 1)] == [2**31, 2**31 + 1, 2**32 - 1]
    assert all(load_scenario(path).seed < 2**31 for path in shipped_scenarios().values())
    for index in (-1, 2**31):
        with pytest.raises(ValueError, match="seed index: found"):
            evaluation_seed(index)


def test_each_group_of_findings_is_demanded() -> None:
    """Where two groups are expected, one of each has to come."""
    two = Expectation((frozenset({"under_delivery", "no_command"}), frozenset({"tank_low"})))
    assert cell(found("no_command", "tank_low"), expectation=two).state is State.AS_EXPECTED
    assert cell(found("no_command"), expectation=two).state is State.MISSED
    assert cell(found("tank_low"), expectation=two).state is State.MISSED


def test_a_small_shortfall_is_not_demanded() -> None:
    """Where the truth is short by less than the case asks for, silence is no miss."""
    least = replace(NEEDS, least_missing=0.25)
    assert cell(found(missing=0.2), expectation=least).state is State.QUIET
    assert cell(found(missing=0.3), expectation=least).state is State.MISSED
    assert cell(found("under_delivery", missing=0.2), expectation=least).state is State.ALLOWED


def test_what_never_came_stays_censored() -> None:
    """A run without a finding counts as one that takes for ever, not as one left out."""
    slow = [found("under_delivery", at_s=t) for t in (0.1, 0.2)]
    never = [found(action_s=inf)] * 2
    assert cell(*slow, never[0]).first_s == 0.2
    assert cell(*slow, *never).first_s == inf
    assert cell(*never).as_json()["median_first_finding_s"] is None


def test_cells_left_out_stay_visible() -> None:
    """Not reached and not applicable each keep their place and their reason."""
    unreached = cell(found(began=False))
    assert (unreached.state, cell_text(unreached)) == (State.NOT_TESTED, "-")
    assert "not reached in 1 runs" in unreached.why
    (cut,) = cover(BRINDLE, 1, cases=[BY_NAME["log cut"]], points=[HIGH])
    assert (cut.state, cell_text(cut)) == (State.NOT_APPLICABLE, "n/a")
    assert "nothing is left to judge" in cut.why


def test_texts_fit_and_mark_what_differs_with_a_word() -> None:
    """Seven characters at most; a miss and an oddity are words, not colours."""
    good = found("under_delivery")
    texts = {
        cell_text(cell(good)): ".20 .30",
        cell_text(cell(found("under_delivery", at_s=3.63, action_s=inf))): "3.6 no",
        cell_text(cell(found("under_delivery", at_s=12.4, action_s=0.996))): "12 1.0",
        cell_text(cell(found())): "missed",
        cell_text(cell(good, good, found())): "miss 33",
        cell_text(cell(*[good] * 999, found())): "miss 1",
        cell_text(cell(good, found("under_delivery", "tank_low"))): "odd 50",
        cell_text(cell(found("under_delivery", "tank_low"))): "odd",
    }
    assert all(text == wanted and len(text) <= 7 for text, wanted in texts.items())


def every_cell() -> list[Cell]:
    """Return a matrix with a state of every sort, without running a car."""
    runs = [found("under_delivery", "tank_low"), found("signal_lost", at_s=1.234), found()]
    return [
        judge(case, point, expected(case, point.key, BRINDLE), [runs[(i + j) % 3]] * 2)
        for i, case in enumerate(CASES)
        for j, point in enumerate(POINTS)
    ]


@pytest.mark.parametrize("why", [False, True])
def test_the_table_fits_80_columns(why: bool) -> None:
    """Every line, with every row, legend, difference and reason."""
    lines = as_table(BRINDLE, 2, 0, every_cell(), why=why)
    assert max(len(line) for line in lines) <= 80
    text = "\n".join(lines)
    assert all(case.name in text for case in CASES)
    assert "pump stop: missed at " in text
    assert "under 2 runs" not in text
    assert ("nothing arrives once spray is due" in " ".join(text.split())) is why


def test_markdown_and_json_tell_the_same() -> None:
    """A row for each case; differences in bold; JSON without a number that is not one."""
    cells = every_cell()
    lines = as_markdown(BRINDLE, 2, 0, cells, why=True)
    rows = [line for line in lines if line.startswith("| ") and line.count("|") == 9]
    assert len(rows) == len(CASES) + 1
    assert any("**missed**" in row for row in rows)
    told = json.loads(json.dumps(as_json(BRINDLE, 2, 0, cells), allow_nan=False))
    assert len(told["cells"]) == len(CASES) * len(POINTS)
    assert sum(told["summary"].values()) == len(told["cells"])
    assert told["cells"][0]["because"]


def test_points_are_where_they_say() -> None:
    """At each onset boost, gear and direction are what the point's name promises."""
    case = BY_NAME["speed open"]  # a fault that changes nothing
    onset_kpa, peak_kpa = BRINDLE.command.start_boost_kpa, BRINDLE.paid.boost_kpa[-1]
    at_onset = {}
    for point in POINTS:
        drive = Drive(
            point.scenario(BRINDLE, case.faults), evaluation_seed(0), guarded=True, compiled=True
        )
        truths = np.concatenate([block.truths for block in drive])
        begins_s = drive.spans[0].begins_s
        assert isfinite(begins_s), point.key
        boost = truths[:, TRUTH_NAMES.index("true_boost_kpa")]
        here = int(np.searchsorted(truths[:, 0], begins_s))
        at_onset[point.key] = (boost[here], boost[here + 20] - boost[here])
    for key in ("low", "high"):
        assert at_onset[key][0] > 0.9 * peak_kpa
    assert onset_kpa < at_onset["spool"][0] < 0.7 * peak_kpa
    assert at_onset["spool"][1] > 10.0
    assert onset_kpa < at_onset["part"][0] < BRINDLE.paid.dry_limit_kpa
    assert abs(at_onset["part"][1]) < 5.0
    assert at_onset["shift"][1] > 10.0
    assert at_onset["cruise"][0] < -20.0
    assert at_onset["lift"][1] < -10.0


def test_a_pump_that_stops_is_found_at_full_boost() -> None:
    """A run of the real thing: found within 0.6 s and acted on, the car's spray really missing."""
    one = observe(HIGH.scenario(BRINDLE, PUMP.faults), evaluation_seed(0))
    assert one.began
    assert min(delay_s for _, delay_s in one.raised) < 0.6
    assert one.action_s < 0.6
    assert one.missing > 0.9
    healthy = observe(HIGH.scenario(BRINDLE, ()), evaluation_seed(0))
    assert healthy.raised == ()
    assert healthy.action_s == inf


def test_the_number_of_processes_changes_nothing() -> None:
    """One process or two, the same bytes; another set of seeds, other cars."""
    cases: list[Case] = [PUMP, BY_NAME["clogged nozzle 40 %"], BY_NAME["unplugged"]]
    points = [HIGH, BY_KEY["part"]]
    steps: list[tuple[int, int]] = []
    texts = []
    for workers, seed in ((1, 0), (2, 0), (1, 1)):
        cells = cover(
            BRINDLE,
            2,
            seed,
            workers=workers,
            cases=cases,
            points=points,
            progress=lambda done, of: steps.append((done, of)),
        )
        texts.append(json.dumps(as_json(BRINDLE, 2, 0, cells), allow_nan=False))
    assert texts[0] == texts[1]
    assert texts[0] != texts[2]
    assert steps[:6] == [(i, 6) for i in range(1, 7)]


def test_the_command_prints_a_table(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One row, real runs: a table by default, Markdown or JSON on request; exit code 0."""
    monkeypatch.setattr("simulator.compiled_or_not.choose", lambda _: Way(True, ""))
    one_row = ["coverage", "--fault", "Unplugged", "--runs", "1", "--workers", "1"]
    assert flowdebt(one_row) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "Fault coverage: Brindle 1.8, 1 run a cell, seed set 0"
    assert sum(line.startswith("unplugged ") for line in lines) == 1
    assert flowdebt([*one_row, "--markdown", "--why"]) == 0
    assert "| unplugged | " in capsys.readouterr().out
    assert flowdebt([*one_row, "--json"]) == 0
    cells = json.loads(capsys.readouterr().out)["cells"]
    assert [c["point"] for c in cells] == [point.key for point in POINTS]
    assert all(c["raised"]["signal_lost"] == 1.0 for c in cells)


BAD = {
    "unknown rig": (["--rig", "nemo"], 'found rig "nemo"'),
    "unknown fault": (
        ["--fault", "gremlins"],
        'found "gremlins", expected part of a name such as ',
    ),
    "two formats": (["--json", "--markdown"], "found --json and --markdown"),
    "no runs": (["--runs", "0"], "--runs"),
    "too many runs": (["--runs", "1001"], "--runs"),
    "seed below nought": (["--seed", "-1"], "--seed"),
    "no workers": (["--workers", "0"], "--workers"),
}


@pytest.mark.parametrize("case", BAD, ids=BAD.keys())
def test_bad_options_are_one_line(case: str, capsys: pytest.CaptureFixture[str]) -> None:
    """One line that names the option, code 2, nothing run."""
    arguments, said = BAD[case]
    assert flowdebt(["coverage", *arguments]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert said in err
