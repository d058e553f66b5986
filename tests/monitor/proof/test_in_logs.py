"""Recorded drives with marked faults: the same verdicts, and every mark is used or told."""

import json
from pathlib import Path
from typing import Any

import pytest

from monitor.cli import run as flowdebt
from monitor.proof.in_logs import LogProof
from monitor.review.log import open_log
from monitor.review.marks import add_mark
from simulator.plant import run
from simulator.proof.results import Proof, Verdict
from simulator.scenario import scenario_from_text
from tests.kit.guards import SHORT_PUMP_STOP, short_pump_stop
from tests.kit.proofs import brindle, requirements
from tests.kit.recordings import record

STOP_S = 4.5
NEED = """
name = "Drives"

[[requirements]]
name = "pump stop"
boost = ["100 kPa", "400 kPa"]
faults = [{ kind = "pump_stop" }]
action_at_least = "pull_timing"
within = "600 ms"
share = "2 %"
confidence = "60 %"

[[calm]]
name = "let be"
action = "pull_timing"
at_most_per_100_h = 1
of = "driving"
"""
CLOGGED = "[{ kind = 'clogged_nozzle', magnitude = '40 %' }]"


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log of 9 s in which the pump stops at full boost; nobody marked it."""
    folder = tmp_path_factory.mktemp("drive")
    log = folder / "run.csv"
    assert flowdebt(["simulate", str(short_pump_stop(folder)), "--to", str(log)]) == 0
    return log


@pytest.fixture
def log(drive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The same log, in the current folder and free to be marked."""
    monkeypatch.chdir(tmp_path)
    Path("need.toml").write_text(NEED, encoding="utf-8")
    path = Path("run.csv")
    path.write_bytes(drive.read_bytes())
    return path


def mark(log: Path, *marks: tuple[float, str]) -> None:
    """Set marks, as a replay does."""
    opened = open_log(log, "brindle")
    for time_s, text in marks:
        add_mark(opened, time_s, text, "tester")


def proved(log: Path, text: str = NEED) -> tuple[Proof, LogProof]:
    """Judge the log."""
    proof = LogProof(requirements(text), brindle())
    proof.take(log, log.name, "brindle")
    return proof.proof({}), proof


@pytest.mark.parametrize("text", ["fault pump_stop", "Fault  pump stop: plug pulled by hand"])
def test_a_marked_fault_is_an_outcome(log: Path, text: str) -> None:
    """Its delay counts from the mark; what came before is healthy, what comes after isn't."""
    mark(log, (STOP_S, text), (1.0, "at fault is nobody"))
    proof, found = proved(log)
    (row,), (calm,) = proof.rows, proof.calms
    assert (row.verdict, row.passed, found.unmatched) == (Verdict.PASS, 1, [])
    assert 0.03 < row.delays_s[0] < 0.6
    assert row.outcomes[0].onset_s == STOP_S
    assert (calm.verdict, calm.count) == (Verdict.UNDECIDED, 0)
    assert calm.hours == pytest.approx(STOP_S / 3600.0, rel=0.01)
    late, _ = proved(log, NEED.replace('"600 ms"', '"50 ms"').replace('"2 %"', '"90 %"'))
    assert late.rows[0].passed == 0
    assert "came late" in late.rows[0].reason


def test_what_nobody_marked_is_healthy(log: Path) -> None:
    """So a pull in it is a false one, and a row without a fault decides nothing."""
    proof, _ = proved(log)
    assert (proof.rows[0].verdict, proof.rows[0].outcomes) == (Verdict.UNDECIDED, ())
    assert proof.rows[0].reason == "no marked fault is one of these"
    assert (proof.calms[0].verdict, proof.calms[0].count) == (Verdict.FAIL, 1)
    assert proof.calms[0].hours == pytest.approx(9.0 / 3600.0, rel=0.01)


def test_an_action_that_stands_is_no_answer(log: Path) -> None:
    """Marked only once it was acted on: that came before."""
    mark(log, (STOP_S + 0.9, "fault pump stop"), (STOP_S + 1.4, "fault over"))
    text = NEED.replace("100 kPa", "-100 kPa").replace('"2 %"', '"90 %"')
    proof, _ = proved(log, text)
    assert (len(proof.rows[0].begun), proof.rows[0].passed) == (1, 0)
    assert "had come before anything was wrong" in proof.rows[0].reason


def test_healthy_time_goes_on_behind_a_fault_that_is_over(log: Path) -> None:
    """Not before the guard asks for nothing any more; a fault that is not over has no behind."""
    mark(log, (2.0, "fault sensor stuck of boost_kpa"), (3.0, "fault over"))
    proof, found = proved(log)
    assert proof.calms[0].hours == pytest.approx((9.0 - 1.0) / 3600.0, rel=0.02)
    assert found.unmatched == [
        "run.csv at 2.00 s: fault sensor stuck of boost kpa: no row asks about it"
    ]
    mark(log, (STOP_S, "fault pump stop"), (STOP_S + 1.0, "fault over"))
    proof, _ = proved(log)
    assert (proof.calms[0].count, proof.rows[0].passed) == (0, 1)
    assert 2.0 + 1.4 < 3600.0 * proof.calms[0].hours < 9.0 - 1.0 - 1.0


def test_a_fault_is_named_as_the_reports_name_it(log: Path) -> None:
    """Its share belongs to it; how it comes and how long it lasts doesn't."""
    text = NEED.replace('[{ kind = "pump_stop" }]', CLOGGED.replace(" }", ", ramp = '2 s' }"))
    mark(log, (STOP_S, "fault clogged nozzle 40%"))
    proof, found = proved(log, text)
    assert (len(proof.rows[0].begun), found.unmatched) == (1, [])
    mark(log, (STOP_S + 0.5, "fault clogged nozzle"))
    assert "no row asks about it" in proved(log, text)[1].unmatched[0]


@pytest.mark.parametrize(
    "changed",
    [
        {"boost = [": 'boost = ["300 kPa", "400 kPa"] #'},
        {"boost = [": 'command = ["0 %", "5 %"] #'},
    ],
)
def test_another_operating_point_is_told(log: Path, changed: dict[str, str]) -> None:
    """Nothing is taken for an outcome of a row that asks elsewhere."""
    mark(log, (STOP_S, "fault pump stop"), (99.0, "fault pump stop"))
    text = NEED
    for old, new in changed.items():
        text = text.replace(old, new)
    proof, found = proved(log, text)
    assert proof.rows[0].outcomes == ()
    assert found.unmatched[0].endswith("boost or command there is none that a row asks about")
    assert found.unmatched[1].endswith("the log holds no such time")


def test_harm_is_not_judged(log: Path) -> None:
    """The rest is; a row of nothing else isn't tried."""
    mark(log, (STOP_S, "fault pump stop"))
    proof, _ = proved(log, NEED.replace("share =", "harm_at_most = 2\nshare ="))
    assert proof.rows[0].verdict is Verdict.UNDECIDED
    assert proof.rows[0].reason == "what is judged passes; not judged: knock harm"


def test_the_command(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A table, a page and JSON; the worst have a command that shows them."""
    mark(log, (STOP_S, "fault pump stop"), (8.0, "fault of mine"))
    command = ["prove", "need.toml", "--rig", "brindle", "--log", "run.csv"]
    assert flowdebt([*command, "--report", "proof.html"]) == 3
    out, err = capsys.readouterr()
    assert "1 log\n" in out
    assert "    flowdebt replay run.csv --rig brindle --at 4.50\n" in out
    assert "kJ lost" not in out
    assert "mark not used: run.csv at 8.00 s: fault of mine: no row asks about it\n" in err
    assert "marks not used" in Path("proof.html").read_text(encoding="utf-8")
    assert flowdebt([*command, "--json"]) == 3
    told: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert (told["logs"], len(told["marks_not_used"])) == (["run.csv"], 1)
    assert "seed_set" not in told
    assert flowdebt([*command, "--device", "x"]) == 2
    assert "--device: found --log beside it" in capsys.readouterr().err
    assert flowdebt(["prove", "need.toml", "--rig", "brindle", "--log", "none.csv"]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_a_simulated_log_brings_its_marks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each fault's, as a person would set it, and its end where it has one; once."""
    monkeypatch.chdir(tmp_path)
    scenario = short_pump_stop(tmp_path)
    with scenario.open("a", encoding="utf-8") as file:
        file.write("\n[[faults]]\nkind = 'clogged_nozzle'\nmagnitude = '5 %'\nat = '2 s'\n")
        file.write("for = '1 s'\n")
    simulate = ["simulate", str(scenario), "--to", "run.csv", "--mark"]
    assert flowdebt(simulate) == 0
    lines = Path("run.csv.marks.jsonl").read_text(encoding="utf-8").splitlines()
    assert [(one["time_s"], one["text"]) for one in map(json.loads, lines)] == [
        (pytest.approx(STOP_S, abs=0.011), "fault pump stop"),
        (pytest.approx(2.0, abs=0.011), "fault clogged nozzle 5 %"),
        (pytest.approx(3.0, abs=0.011), "fault over"),
    ]
    proof, found = proved(Path("run.csv"))
    assert (proof.rows[0].passed, len(found.unmatched)) == (1, 1)
    Path("run.csv").unlink()
    capsys.readouterr()
    assert flowdebt(simulate) == 2
    assert "run.csv.marks.jsonl" in capsys.readouterr().err
    assert flowdebt(["simulate", str(scenario), "--mark"]) == 2
    assert "--mark: found no --to" in capsys.readouterr().err


def test_a_session_is_judged_by_the_rig_on_trial(tmp_path: Path) -> None:
    """Its marks lie in its folder; its own rig is another's affair."""
    drive = scenario_from_text(SHORT_PUMP_STOP, "short.toml")
    session = record(tmp_path, list(run(drive)))
    mark(session, (STOP_S, "fault pump stop"))
    proof, _ = proved(session)
    assert (proof.rows[0].verdict, proof.calms[0].count) == (Verdict.PASS, 0)
