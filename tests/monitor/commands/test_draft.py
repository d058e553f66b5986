"""``flowdebt draft``: from a log as it lies on the disk to a rig that check and review take."""

import os
import re
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest

from monitor.cli import run as flowdebt
from monitor.commission.columns import Column
from simulator.rig import shipped_rigs
from tests.kit.invented_drive import drive
from tests.kit.odd_headers import log_of
from tests.kit.patience import PATIENCE_S

DRIVE = drive()
MAIN = "from monitor.cli import main; main()"


def write_log(
    path: Path,
    columns: Iterable[Column],
    *,
    between: str = ",",
    comma: bool = False,
    encoding: str = "utf-8",
    before: str = "",
    time: tuple[str, str] = ("Time (s)", ""),
) -> Path:
    """Write a log of the drive's times and these columns; return its path."""
    shown = [*columns]
    lines = [between.join([time[0], *(f'"{one.header}"' for one in shown)])]
    if any(one.unit_word for one in shown):
        lines.append(between.join([time[1], *(one.unit_word for one in shown)]))
    scale = 1000.0 if "ms" in "".join(time) else 1.0
    for i, time_s in enumerate(DRIVE.time_s.tolist()):
        cells = [f"{time_s * scale:.10g}", *(f"{one.values[i]:.7g}" for one in shown)]
        row = between.join(cells)
        lines.append(row.replace(".", ",") if comma else row)
    path.write_text(before + "\n".join(lines) + "\n", encoding=encoding)
    return path


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A current folder with a plain log, whose headers and units are its logger's own."""
    monkeypatch.chdir(tmp_path)
    write_log(tmp_path / "drive.csv", log_of("plain English", DRIVE)[0])
    return tmp_path


WAYS = {
    "plain English": {},
    "US units": {"between": "\t", "before": "Logger 3\nSession of an invented car\n\n"},
    "German": {"between": ";", "comma": True, "encoding": "latin-1"},
    "French": {"between": ";", "comma": True},
    "a row of units": {"between": "|", "time": ("t", "ms")},
    "snake case": {"time": ("timestamp_ms", "")},
    "camel case": {"encoding": "utf-16"},
    "spray system's own": {"between": ";"},
    "shares for percent": {"encoding": "utf-8-sig"},
}


@pytest.mark.parametrize("name", WAYS)
def test_from_an_odd_log_to_a_judged_review_in_two_commands(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nobody asked, nothing set but what the log leaves open: the healthy log cuts nothing."""
    log = write_log(tmp_path / "drive.csv", log_of(name, DRIVE)[0], **WAYS[name])  # type: ignore[arg-type]  # each of its own type
    rig = tmp_path / "car.toml"
    sets = [] if name != "a row of units" else ["--set", "channels.engine_speed_rpm.column=N"]
    assert flowdebt(["draft", str(log), "--to", str(rig), *sets]) == 0
    told = capsys.readouterr().out
    assert f"wrote {rig}" in told
    assert f"next: flowdebt check {rig}" in told
    assert f"then: flowdebt review {log} --rig {rig}" in told
    assert f"flowdebt fit {log} --rig {rig}" in told
    assert flowdebt(["check", str(rig)]) == 0
    marks = rig.read_text(encoding="utf-8").count("\n# TO DO: ")
    said = " ".join(capsys.readouterr().out.split())
    assert (
        f"next: settle {marks} keys marked TO DO in the rig, the most dangerous first: "
        "paid.dry_limit, paid.timing, paid.boost, fault_intervals.tolerant and "
    ) in said
    assert flowdebt(["review", str(log), "--rig", str(rig), "--fail-on", "pull_timing"]) == 0, (
        capsys.readouterr().out
    )


def test_without_to_the_columns_are_told_and_nothing_is_written(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Name, what it is, unit, how sure, range; beneath, why, its step and its rate."""
    assert flowdebt(["draft", "drive.csv"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "drive.csv: 11 columns, 3100 rows in 62 s (50 rows a second)"
    assert lines[2].split() == ["Time", "(s)", "time", "s", "sure", "0,", "61.98", "s"]
    assert lines[3] == '      column "Time (s)" counts s; steps of 0.02, 50 changes a second'
    at = next(at for at, line in enumerate(lines) if line.startswith("  MAP (kPa)"))
    assert lines[at].split() == ["MAP", "(kPa)", "boost", "kPa", "abs", "sure", "33.1,", "254.3"]
    assert lines[at + 1] == (
        "      by name; absolute: never below 33.1, idling too; steps of 0.1, 48.5 changes a second"
    )
    assert lines[-1] == "nothing is written: --to mycar.toml drafts a rig"
    assert [path.name for path in folder.iterdir()] == ["drive.csv"]


def test_what_a_log_says_against_itself_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Columns shifted against each other, in a sentence that begins with a mark."""
    columns, _ = log_of("plain English", DRIVE)
    columns = [
        Column(c.header, "", np.roll(c.values, 30)) if c.header.startswith("MAP") else c
        for c in columns
    ]
    log = write_log(tmp_path / "late.csv", columns)
    assert flowdebt(["draft", str(log)]) == 0
    (told,) = (line for line in capsys.readouterr().out.splitlines() if line.startswith("! "))
    assert told.startswith('! "MAP (kPa)" seems 0.6 s late against')


def test_a_sentence_with_the_key_where_check_will_refuse(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a terminal no question is asked: what decides stays unknown, and check names it."""
    log = write_log(tmp_path / "drive.csv", log_of("no units at all", DRIVE)[0])
    rig = tmp_path / "car.toml"
    assert flowdebt(["draft", str(log), "--to", str(rig)]) == 0
    told = capsys.readouterr().out
    assert (
        "! check refuses channels.boost_kpa.unit, channels.delivered_ml_min.unit until "
        'it is decided: "?" stands there now'
    ) in told
    text = rig.read_text(encoding="utf-8")
    assert "# TO DO: L/h? no unit written; L/h was the best guess." in text
    assert "gauge psi was the best guess." in text
    assert flowdebt(["check", str(rig)]) == 2
    assert 'channels.boost_kpa.unit: found unit "?"' in capsys.readouterr().err
    sets = ["--set", "channels.boost_kpa.unit=psi", "--set", "channels.delivered_ml_min.unit=gal/h"]
    assert flowdebt(["draft", str(log), "--to", str(tmp_path / "two.toml"), *sets]) == 0
    assert flowdebt(["check", str(tmp_path / "two.toml")]) == 0


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_on_a_terminal_five_questions_are_asked(folder: Path) -> None:
    """Answers typed, a wrong one said so, the rig written; ctrl+D leaves the rest open."""
    typed = "yes\n2.2\n2.2 L, 5\n\n\x04\x04"
    here, there = os.openpty()
    with subprocess.Popen(
        [sys.executable, "-c", MAIN, "draft", "drive.csv", "--to", "car.toml"],
        stdin=there,
        stdout=there,
        stderr=there,
        cwd=folder,
        close_fds=True,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "200"},
    ) as process:
        os.close(there)
        os.write(here, typed.encode())
        told = b""
        while True:
            try:
                part = os.read(here, 65536)
            except OSError:  # the other end is closed
                break
            if not part:
                break
            told += part
        assert process.wait(PATIENCE_S) == 0
    os.close(here)
    text = told.decode()
    assert re.findall(r"\n([0-9])\. ", text.replace("\r", "")) == ["1", "2", "3", "4", "5"]
    assert 'displacement: found "2.2", expected text with a volume unit' in text
    assert "to do, " in text
    rig = (folder / "car.toml").read_text(encoding="utf-8")
    assert 'displacement = "2.2 L"  # asked' in rig
    assert "cylinders = 5  # asked" in rig
    assert "# TO DO: prove on a dyno what the engine holds without spray" in rig


def test_odd_rigs_and_names_are_one_line(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A rig laid out as no shipped one; a name with signs that don't print."""
    text = shipped_rigs()["brindle"].read_text(encoding="utf-8")
    head = text.partition("[channels.engine_speed_rpm]")[0]
    odd = "".join(
        f"{name} = {{}}\n"
        for name in ("boost_kpa", "delivered_ml_min", "intake_c", "injector_duty_pct", "knock")
    )
    Path("odd.toml").write_text(f"{head}[channels]\n{odd}", encoding="utf-8")
    assert flowdebt(["check", "odd.toml"]) == 0
    capsys.readouterr()
    assert flowdebt(["draft", "drive.csv", "--from", "odd.toml", "--to", "car.toml"]) == 2
    assert "odd.toml: found a file too oddly laid out" in capsys.readouterr().err
    assert flowdebt(["draft", "drive.csv", "--to", "a\nb\x1b[2J.toml"]) == 0
    assert capsys.readouterr().out.replace("\n", "").isprintable()
    (made,) = folder.glob("a*.toml")
    assert flowdebt(["check", str(made)]) == 0


def test_several_logs_make_one_rig(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One behind the other, though the second lacks a column; a log without time needs its rate."""
    columns, _ = log_of("plain English", DRIVE)
    write_log(folder / "two.csv", columns[:-1])
    assert flowdebt(["draft", "drive.csv", "two.csv", "--to", "car.toml"]) == 0
    told = capsys.readouterr().out
    assert told.startswith("drive.csv, two.csv: 11 columns, 6200 rows in 124 s")
    assert "then: flowdebt review drive.csv two.csv --rig car.toml" in told
    assert "drafted by flowdebt from drive.csv, two.csv." in Path("car.toml").read_text("utf-8")
    assert flowdebt(["draft", "."]) == 0
    assert capsys.readouterr().out.startswith("drive.csv, two.csv: ")
    write_log(folder / "other.csv", log_of("German", DRIVE)[0])
    assert flowdebt(["draft", "drive.csv", "other.csv", "--to", "both.toml"]) == 2
    assert capsys.readouterr().err.strip() == (
        'flowdebt: other.csv: found a header with "Motordrehzahl [1/min]" and without "RPM", '
        "expected that of drive.csv: a draft is of one car and logger"
    )
    assert not (folder / "both.toml").exists()
    lines = Path("drive.csv").read_text("utf-8").splitlines()
    Path("timeless.csv").write_text("\n".join(line.partition(",")[2] for line in lines), "utf-8")
    assert flowdebt(["draft", "timeless.csv"]) == 2
    assert "found no column that tells time" in capsys.readouterr().err
    sets = ["--set", "time.unit=rows", "--set", "time.period=20 ms"]
    assert flowdebt(["draft", "timeless.csv", "--to", "rows.toml", *sets]) == 0
    assert flowdebt(["review", "timeless.csv", "--rig", "rows.toml", "--fail-on", "warn"]) == 0


def test_a_clock_that_steps_back_is_told_and_commands_to_type_are_quoted(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A drive logged twice into one file; its name, and the rig's, have blanks in them."""
    lines = Path("drive.csv").read_text("utf-8").splitlines()
    Path("two drives.csv").write_text("\n".join([*lines, *lines[1:]]), "utf-8")
    assert flowdebt(["draft", "two drives.csv", "--to", "my car.toml"]) == 0
    told = capsys.readouterr().out
    assert f"  two drives.csv: {len(lines) - 2} rows left out: its clock steps back\n" in told
    assert "next: flowdebt check 'my car.toml'\n" in told
    assert "then: flowdebt review 'two drives.csv' --rig 'my car.toml'\n" in told
    (folder / "cars").mkdir()
    moved = Path("my car.toml").rename(folder / "cars" / "my car.toml")
    assert flowdebt(["check", str(moved.relative_to(folder))]) == 0
    assert "then: flowdebt check 'cars/my car.toml'" in capsys.readouterr().out


def test_new_without_a_log(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Its check is good; nothing that is there is overwritten."""
    assert flowdebt(["draft", "--new", "--to", "new.toml", "--set", "engine.charger=none"]) == 0
    assert "next: flowdebt check new.toml" in capsys.readouterr().out
    assert flowdebt(["check", "new.toml"]) == 0
    assert flowdebt(["draft", "--new", "--from", "tarnwick", "--to", "new.toml"]) == 2
    # What was done to one car proves nothing of another.
    assert flowdebt(["check", "new.toml", "--done", "trip", "--by", "Wren", "--result", "ok"]) == 0
    assert "[commissioned.trip]" in Path("new.toml").read_text("utf-8")
    assert flowdebt(["draft", "--new", "--from", "new.toml", "--to", "other.toml"]) == 0
    assert "commissioned" not in Path("other.toml").read_text("utf-8")
    assert "nothing is overwritten" in capsys.readouterr().err


BAD = {
    "nothing": ("draft", "draft: found no LOG, expected one, or --new"),
    "both": ("draft drive.csv --new --to x.toml", "found a log and --new, expected one of the two"),
    "new to nowhere": ("draft --new", "found --new without --to"),
    "no such log": ("draft none.csv", "none.csv: found no such file"),
    "other ending": ("draft drive.csv --to x.csv", "x.csv: found .csv, expected .toml"),
    "no such folder": ("draft drive.csv --to gone/x.toml", "gone/x.toml: found no folder gone"),
    "unknown rig": ("draft drive.csv --from nemo --to x.toml", 'found rig "nemo"'),
    "unknown key": ("draft drive.csv --to x.toml --set enginn=3", "enginn: found an unknown key"),
    "no value": ("draft drive.csv --to x.toml --set engine", "expected a change such as"),
    "wrong unit": (
        "draft drive.csv --to x.toml --set paid.dry_limit=3L",
        'paid.dry_limit: found "3L" (a volume unit), expected text with a pressure unit',
    ),
    "contradiction": (
        "draft drive.csv --to x.toml --set paid.dry_limit=400kPa",
        "paid.dry_limit: found ",
    ),
    "no such column": (
        "draft drive.csv --set channels.boost_kpa.column=q",
        'channels.boost_kpa.column: found "q", expected one of the log\'s columns',
    ),
    "no time": ("draft drive.csv --set time.column=q", 'none called "q"'),
    "no log": ("draft words.csv", "words.csv:1: found "),
    "folder without logs": ("draft bare", "bare: found a folder"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_input_is_one_line(name: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 2, what was wrong, what was expected; nothing is written."""
    (folder / "words.csv").write_text("all is well\nnothing here\n", encoding="utf-8")
    (folder / "bare").mkdir()
    line, expected = BAD[name]
    assert flowdebt(line.split()) == 2
    err = capsys.readouterr().err
    assert len(err.splitlines()) == 1
    assert expected in err
    assert not (folder / "x.toml").exists()
