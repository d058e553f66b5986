"""A line beyond all bounds, in any file that is read by lines: told by its number, never held."""

import os
import subprocess
import sys
from collections import deque
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cli import run as flowdebt
from monitor.recorder import layout
from monitor.recorder.reader import LONGEST_NOTE
from monitor.review.marks import IN_SESSION
from monitor.sources.logs import bounded_lines
from monitor.sources.logs.bounded_lines import LONGEST_LINE, BoundedLines
from simulator.rig import shipped_rigs
from simulator.strict import BadInput
from tests.kit.drives import Driven
from tests.kit.paths import ROOT
from tests.kit.recordings import record
from tests.kit.rig_text import SMALL

SAMPLES = Driven("pump_stop", 2)
HEADER = "time_s,boost_kpa,delivered_ml_min\n"
ROWS = "".join(f"{i / 50},10,0\n" for i in range(2000))
LONG = "7" * 5_000_000  # more than a block, and than any field the csv module takes
LOGS = {
    "first": (LONG + "\n" + HEADER + ROWS, 1),
    "header": (HEADER.strip() + LONG + "\n" + ROWS, 1),
    "first row": (HEADER + LONG + "\n" + ROWS, 2),
    "a row": (HEADER + ROWS + LONG + "\n" + ROWS, 2002),
    "the last": (HEADER + ROWS + LONG, 2002),
    "after text": (HEADER + "0,x,0\n" + ROWS + LONG + "\n", 2003),
    "quoted": (HEADER + ROWS + '1,"' + LONG + '"\n', 2002),
    "just too long": (HEADER + ROWS + "7" * (LONGEST_LINE + 1) + "\n" + ROWS, 2002),
    "CR": ((HEADER + ROWS + LONG).replace("\n", "\r"), 2002),
    "CRLF": ((HEADER + ROWS + LONG).replace("\n", "\r\n"), 2002),
}
READERS = {
    "review": "review log.csv --rig small.toml",
    "replay": "replay log.csv --rig small.toml",
    "snapshot": "snapshot log.csv --rig small.toml --to x.svg",
    "watch": "watch log.csv --rig small.toml --headless --no-record --speed 0",
}


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("log", LOGS)
def test_a_long_line_of_a_log_is_told_by_its_number(
    log: str,
    reader: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Wherever it stands: one line that names file and line, exit code 2."""
    monkeypatch.chdir(tmp_path)
    text, line = LOGS[log]
    Path("small.toml").write_text(SMALL, encoding="utf-8")
    Path("log.csv").write_text(text, encoding="ascii", newline="")
    assert flowdebt(READERS[reader].split()) == 2
    err = capsys.readouterr().err
    if reader == "replay" and log != "first":  # it is read once there is a screen
        assert err.startswith("flowdebt: ")
        return
    assert err == (
        f"flowdebt: log.csv:{line}: found a line over {LONGEST_LINE} bytes, expected shorter ones\n"
    )


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8-sig", "latin-1"])
def test_a_long_line_in_another_encoding(encoding: str, tmp_path: Path) -> None:
    """Bytes are counted before they become characters."""
    path = tmp_path / "log.csv"
    path.write_text(HEADER + ROWS + LONG, encoding=encoding, newline="")
    with BoundedLines(path) as file, pytest.raises(BadInput, match=r"log\.csv:2002: found a line"):
        deque(iter(lambda: file.read(1 << 16), b""), maxlen=0)


def test_a_line_of_just_the_bound_is_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The longest line there may be is a row like any other."""
    path = tmp_path / "log.csv"
    (tmp_path / "small.toml").write_text(SMALL, encoding="utf-8")
    row = "41,10,0".ljust(LONGEST_LINE)
    path.write_text(HEADER + ROWS + row + "\n", encoding="ascii")
    assert flowdebt(["review", str(path), "--rig", str(tmp_path / "small.toml")]) == 0
    assert "41.00 s" in capsys.readouterr().out


@given(
    st.lists(st.integers(0, 12), max_size=30),
    st.lists(st.sampled_from(["\n", "\r", "\r\n"]), min_size=30, max_size=30),
    st.integers(1, 40),
)
def test_a_bound_is_kept_however_the_file_is_cut_into_reads(
    tmp_path_factory: pytest.TempPathFactory, lengths: list[int], ends: list[str], size: int
) -> None:
    """A read fails if and only if a line is longer; what comes before it is the file's own."""
    raw = "".join("x" * n + end for n, end in zip(lengths, ends, strict=False)).encode()
    path = tmp_path_factory.mktemp("bound") / "log.csv"
    path.write_bytes(raw)
    got = b""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bounded_lines, "LONGEST_LINE", 8)
        with BoundedLines(path) as file:
            try:
                while chunk := file.read(size):
                    got += chunk
            except BadInput:
                assert max(lengths) > 8
            else:
                assert got == raw
                assert max(lengths, default=0) <= 8
    assert raw.startswith(got)


def _csv(path: Path) -> None:
    path.write_text(HEADER + ROWS, encoding="ascii")


def _rig(path: Path) -> None:
    path.write_bytes(shipped_rigs()["brindle"].read_bytes())


# What is read by lines, made as it should be, and a command that reads it.
KINDS: dict[str, tuple[Callable[[Path], object], str]] = {
    "log.csv": (_csv, "review log.csv --rig small.toml"),
    "played.csv": (_csv, "watch played.csv --rig small.toml --headless --no-record --speed 0"),
    "rig.toml": (_rig, "check rig.toml"),
    "scenario.toml": (_rig, "simulate scenario.toml"),
    f"s/{layout.ABOUT}": (lambda _: None, "review s"),
    f"s/{layout.EVENTS}": (lambda _: None, "review s"),
    f"s/{layout.SUMMARY}": (lambda _: None, "sessions ."),
    f"s/{IN_SESSION}": (lambda path: path.write_bytes(b""), "snapshot s --to x.svg"),
}


@pytest.mark.skipif(sys.platform == "win32", reason="no count of the memory used")
def test_no_line_is_held_in_memory(tmp_path: Path) -> None:
    """With a line of 400 MB at its end, reading any file takes no more memory than without."""
    (tmp_path / "small.toml").write_text(SMALL, encoding="utf-8")
    record(tmp_path, SAMPLES[:50]).rename(tmp_path / "s")
    for name, (make, _) in KINDS.items():
        make(tmp_path / name)
    done = subprocess.run(
        [sys.executable, "-c", _MEASURE, *(f"{name}={line}" for name, (_, line) in KINDS.items())],
        cwd=tmp_path,
        env=_environment(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    before_mb, *after_mb = map(float, done.stdout.split())
    assert len(after_mb) == len(KINDS)
    assert max(after_mb) < before_mb + 64.0, dict(zip(KINDS, after_mb, strict=True))


def _environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT)}


_MEASURE = """
import contextlib, io, os, resource, sys
from monitor.cli import run
kinds = [pair.split("=", 1) for pair in sys.argv[1:]]
unit = 1e6 if sys.platform == "darwin" else 1e3

def peak(line):
    told = io.StringIO()
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(told):
        code = run(line.split())
    if os.path.exists("x.svg"):
        os.unlink("x.svg")
    assert code in (0, 2) and told.getvalue().count("\\n") <= 1, told.getvalue()
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit

for name, line in kinds:
    before = peak(line)
print(before)
for name, line in kinds:
    with open(name, "ab") as file:
        file.write(b"7")
        file.truncate(400_000_000)  # sparse: what is read are zeros, without a line end
    print(peak(line))
    with open(name, "r+b") as file:
        file.truncate(os.path.getsize(name) - 399_000_000)
"""


def test_a_long_event_is_told_by_its_number(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A session's line of an event that is longer than any of ours is left out, and said so."""
    session = record(tmp_path, SAMPLES[:50])
    path = session / layout.EVENTS
    path.write_bytes(b'{"x": "' + b"y" * (2 * LONGEST_NOTE) + b'"}\n' + path.read_bytes())
    assert flowdebt(["review", str(session)]) == 0
    out = capsys.readouterr().out
    assert f"events.jsonl:1: found a line over {LONGEST_NOTE} bytes" in out
    assert "reproduced, bit for bit" in out
