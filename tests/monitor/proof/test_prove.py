"""``flowdebt prove``: a verdict as exit code, kept runs, one line for whatever is wrong."""

import json
from collections.abc import Iterator
from math import inf
from pathlib import Path
from typing import Any

import pytest

from monitor.cli import run as flowdebt
from monitor.proof.store import ABOUT, Store
from simulator.proof import limits, proving
from simulator.proof.false_pulls import Watched
from simulator.proof.outcomes import CHUNK, Outcome
from simulator.proof.proving import HEALTHY, Job
from simulator.strict import BadInput
from tests.kit.proofs import QUICK, ran

ABOUT_IT: dict[str, Any] = {
    "requirements_sha256": "a",
    "rig_sha256": "b",
    "car_sha256": "b",
    "version": "1",
    "code": "c",
}
JOB = Job(0, 2)
OUTCOMES = [ran(i, 0.1 * i if i else inf) for i in range(CHUNK)]


def test_what_is_kept_comes_back(tmp_path: Path) -> None:
    """To the last bit, infinity too, twice over; nothing else lies about."""
    for _ in range(2):
        store = Store(tmp_path / "kept", ABOUT_IT)
        store.keep(JOB, OUTCOMES)
    assert Store(tmp_path / "kept", ABOUT_IT).kept() == {JOB: OUTCOMES}
    assert {path.name for path in (tmp_path / "kept").iterdir()} == {ABOUT, "0-2.json"}


def test_healthy_drives_come_back_too(tmp_path: Path) -> None:
    """Hours, counts and peaks of each; a drive that is cut short, or has no number, is none."""
    numbers = [400.0, 180.5, 2, 1, 0, *range(57), 2.5, 7.12345]
    drives, job = [Watched.of(numbers)] * CHUNK, Job(HEALTHY, 3)
    store = Store(tmp_path, ABOUT_IT)
    store.keep(job, drives)
    kept = store.kept()
    assert [list(drive) for drive in kept[job]] == [numbers] * CHUNK
    whole = (tmp_path / "healthy-3.json").read_bytes()
    for damaged in (whole.replace(b"7.12345", b"null", 1), whole.replace(b"180.5,", b"", 1)[:-9]):
        (tmp_path / "healthy-3.json").write_bytes(damaged)
        assert store.kept() == {}


@pytest.mark.parametrize("key", ABOUT_IT)
def test_runs_of_something_else_are_refused(tmp_path: Path, key: str) -> None:
    """Rig, car, requirements, version, code: each has to be as it was."""
    Store(tmp_path, ABOUT_IT).keep(JOB, OUTCOMES)
    with pytest.raises(BadInput, match=r"found finished runs of .*expected those of this proof"):
        Store(tmp_path, ABOUT_IT | {key: "other"})


def test_a_folder_with_other_things_is_refused(tmp_path: Path) -> None:
    """Nothing is put among somebody's files."""
    (tmp_path / "mine.txt").write_text("x", encoding="ascii")
    with pytest.raises(BadInput, match="other things in it"):
        Store(tmp_path, ABOUT_IT)
    with pytest.raises(BadInput, match="found"):
        Store(tmp_path / "mine.txt", ABOUT_IT)


@pytest.mark.parametrize("damage", ["cut", "empty", "garbage", "short", "other", "folder"])
def test_a_torn_file_is_run_again(tmp_path: Path, damage: str) -> None:
    """Whatever happened to a file: it is as if its job was never done."""
    store = Store(tmp_path, ABOUT_IT)
    store.keep(JOB, OUTCOMES)
    path = tmp_path / "0-2.json"
    raw = path.read_bytes()
    path.unlink()
    if damage == "folder":
        path.mkdir()
    else:
        damaged = {
            "cut": raw[: len(raw) // 2],
            "empty": b"",
            "garbage": b"\xff[[[",
            "short": raw.replace(b",[1,", b",[", 1),
            "other": raw.replace(b'"of":"', b'"of":"0', 1),
        }
        path.write_bytes(damaged[damage])
    (tmp_path / ".left.part").write_bytes(b"x")
    assert Store(tmp_path, ABOUT_IT).kept() == {}


@pytest.fixture
def quick(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A requirements file in the current folder, whose runs are made up: pulled after 0.2 s."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "req.toml").write_text(QUICK, encoding="utf-8")
    monkeypatch.setattr(proving, "run_chunk", lambda cars, row, chunk: made_up(chunk))
    return tmp_path


def made_up(chunk: int, pull_s: float = 0.2) -> list[Outcome]:
    """Return a chunk of runs nobody drove."""
    return [ran(chunk * CHUNK + i, pull_s, worst=1) for i in range(CHUNK)]


RUN = ["prove", "req.toml", "--rig", "brindle", "--jobs", "1"]


def test_a_pass_is_exit_code_0(quick: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A table of 80 columns that says what it rests on, and what it doesn't prove."""
    assert flowdebt(RUN) == 0
    lines = capsys.readouterr().out.splitlines()
    commands = [line for line in lines if line.startswith("    flowdebt prove")]
    assert max(len(line) for line in lines if line not in commands) <= 80
    assert lines[0].startswith("Quick: Brindle 1.8 (rig ")
    text = "\n".join(lines)
    assert "pump stop                pass" in text
    assert "PASS" in lines
    assert "A simulated car is not the car" in text
    assert commands == [
        f"    flowdebt prove req.toml --rig brindle --replay {row}:0 --to run.csv" for row in (1, 2)
    ]


def test_a_fail_is_exit_code_1(
    quick: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The table says what failed."""
    monkeypatch.setattr(proving, "run_chunk", lambda cars, row, chunk: made_up(chunk, 0.5))
    assert flowdebt(RUN) == 1
    text = capsys.readouterr().out
    assert "FAIL" in text.splitlines()
    assert "pump stop: pull timing came late (half of them after 500 ms or more," in text


def test_undecided_is_exit_code_3(
    quick: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Too few runs decide nothing."""
    text = QUICK.replace('"70 %"', '"99 %"').replace('"60 %"', '"95 %"')
    (quick / "req.toml").write_text(text, encoding="utf-8")
    assert flowdebt([*RUN, "--most-runs", "32", "--json"]) == 3
    told = json.loads(capsys.readouterr().out)
    assert told["verdict"] == "undecided"
    assert [row["runs"] for row in told["requirements"]] == [32, 32]


def test_broken_off_it_goes_on_where_it_was(
    quick: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C keeps what is done, says so, and the same command ends as if nothing had been."""
    text = QUICK.replace('"70 %"', '"99 %"').replace('"60 %"', '"95 %"')
    (quick / "req.toml").write_text(text, encoding="utf-8")
    assert flowdebt([*RUN, "--json", "--to", "whole"]) == 0
    whole = capsys.readouterr().out

    ran_so_far: list[int] = []

    def breaks(limit: float) -> Iterator[None]:
        def run_chunk(cars: object, row: object, chunk: int) -> list[Outcome]:
            if len(ran_so_far) >= limit:
                raise KeyboardInterrupt
            ran_so_far.append(chunk)
            return made_up(chunk)

        monkeypatch.setattr(proving, "run_chunk", run_chunk)
        yield

    next(breaks(5))
    assert flowdebt([*RUN, "--json"]) == 130
    out, err = capsys.readouterr()
    assert json.loads(out)["unfinished"] is True
    assert "kept in req.proof: the same command goes on from there" in err
    assert len(list((quick / "req.proof").glob("*-*.json"))) == 5
    next(breaks(inf))
    assert flowdebt([*RUN, "--json"]) == 0
    assert capsys.readouterr().out == whole
    assert len(ran_so_far) == len(list((quick / "whole").glob("*-*.json")))


def test_reports_are_written(
    quick: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As many as are asked for, and told; nothing is written where it was broken off."""
    reports = ["--report", "proof.xml", "--report", "proof.html", "--report", "proof.json"]

    def broken_off(*_: object) -> list[Outcome]:
        raise KeyboardInterrupt

    for breaks in (proving, limits):
        with monkeypatch.context() as patched:
            patched.setattr(breaks, "run_chunk", broken_off)
            assert flowdebt([*RUN, *reports]) == 130
        assert "the same command goes on" in capsys.readouterr().err
        assert list(quick.glob("proof.*")) == []
    monkeypatch.setattr(limits, "run_chunk", lambda cars, row, chunk: made_up(chunk))
    assert flowdebt([*RUN, *reports, "--json"]) == 0
    out, err = capsys.readouterr()
    assert err == "wrote proof.xml\nwrote proof.html\nwrote proof.json\n"
    assert (quick / "proof.json").read_text(encoding="utf-8") == out
    assert "harm by limit (32 runs each)" in (quick / "proof.html").read_text(encoding="utf-8")
    assert flowdebt([*RUN, *reports]) == 2
    assert "nothing is overwritten" in capsys.readouterr().err


def test_a_command_can_be_pasted(quick: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A name with a space or a sign of the shell's is quoted, and none drives the terminal."""
    (quick / "req.toml").rename(quick / "my $need\x1b[2J.toml")
    assert flowdebt(["prove", "my $need\x1b[2J.toml", *RUN[2:]]) == 0
    out = capsys.readouterr().out
    assert "    flowdebt prove 'my $need[2J.toml' --rig brindle --replay 1:0 --to run.csv" in out
    assert "\x1b" not in out


def test_a_fresh_file_is_written_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """To standard output, or to a file that isn't there yet."""
    monkeypatch.chdir(tmp_path)
    assert flowdebt(["prove", "--new"]) == 0
    text = capsys.readouterr().out
    assert flowdebt(["prove", "mine.toml", "--new"]) == 0
    assert (tmp_path / "mine.toml").read_text(encoding="utf-8") == text
    assert flowdebt(["prove", "mine.toml", "--new"]) == 2
    assert "nothing is overwritten" in capsys.readouterr().err


def test_one_run_is_replayed(quick: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The printed command writes the run's log, which decides as the run did."""
    arguments = ["prove", "req.toml", "--rig", "brindle", "--replay", "1:3", "--to", "run.csv"]
    assert flowdebt(arguments) == 0
    err = capsys.readouterr().err
    assert "wrote 1200 samples to run.csv" in err
    assert "pull timing at" in err
    assert flowdebt(["review", "run.csv", "--rig", "brindle", "--json"]) == 0
    assert '"pull_timing"' in capsys.readouterr().out


def test_a_healthy_drive_is_replayed(quick: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Row 0 is that of the drives without a fault; its log is read as any other."""
    arguments = ["prove", "req.toml", "--rig", "brindle", "--replay", "0:2", "--to", "run.csv"]
    assert flowdebt(arguments) == 0
    assert "s of healthy driving to run.csv" in capsys.readouterr().err
    assert flowdebt(["review", "run.csv", "--rig", "brindle", "--json"]) == 0
    assert '"pull_timing"' not in capsys.readouterr().out


BAD = {
    "no file": (["prove", "--rig", "brindle"], "found no REQUIREMENTS, expected a file (or --new)"),
    "no rig": (["prove", "req.toml"], "found no --rig"),
    "unknown rig": (["prove", "req.toml", "--rig", "nemo"], 'found rig "nemo"'),
    "unknown car": ([*RUN, "--car", "nemo"], 'found rig "nemo"'),
    "missing file": (["prove", "none.toml", "--rig", "brindle"], "none.toml: found no such file"),
    "no such row": ([*RUN, "--replay", "9:1", "--to", "x.csv"], "a row from 1 to 2 (0: a healthy"),
    "no number": ([*RUN, "--replay", "one", "--to", "x.csv"], 'found "one"'),
    "no such run": ([*RUN, "--replay", "1:100000", "--to", "x.csv"], "expected less than 100000"),
    "no log": ([*RUN, "--replay", "1:1"], "--replay: found no --to"),
    "no log's name": ([*RUN, "--replay", "1:1", "--to", "x.png"], "expected .csv or .parquet"),
    "no such report": ([*RUN, "--report", "x.pdf"], "x.pdf: found .pdf, expected .html or .md"),
    "no jobs": ([*RUN, "--jobs", "0"], "--jobs"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_one_line(quick: Path, case: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 2, one line, nothing run, nothing left behind."""
    arguments, said = BAD[case]
    if case == "no jobs":
        arguments = [*RUN[:-2], "--jobs", "0"]
    assert flowdebt(arguments) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert said in err
    assert [path.name for path in quick.iterdir()] == ["req.toml"]
