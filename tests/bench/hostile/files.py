"""Hostile files: sessions cut, pipes in place of files, lines without end, names that bite."""

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final, NamedTuple

from rules.channels import Sample
from simulator.rig import rig_from_text
from tests.kit.recordings import record
from tests.kit.rig_text import SMALL

HANGS_S: Final = 30.0
LONGEST_TEXT: Final = 110
HEADER: Final = b"time_s,boost_kpa,delivered_ml_min\n"
ROWS: Final = b"".join(b"%.2f,0.%d,0\n" % (0.01 * i, i % 10) for i in range(500))
BITING_NAME: Final = "a\x1b[31m\n[@click=app.quit]x[b] log.csv"


# Makes hostile files in a folder; returns the command line that reads them.
Make = Callable[[Path], list[str]]


class Told(NamedTuple):
    """How a command ended.

    Attributes:
        code: Its exit code; None where it hung.
        text: The last line it said.
        took_s: How long it took, s.
        most_mb: Its largest memory, MB.
        raw: Whether control characters came through, or a traceback.
    """

    code: int | None
    text: str
    took_s: float
    most_mb: float
    raw: bool


def flowdebt(*words: str) -> Told:
    """Run the command line; give up on one that hangs."""
    with tempfile.TemporaryFile() as said:
        start_s = time.monotonic()
        process = subprocess.Popen(
            [sys.executable, "-c", "from monitor.cli import main; main()", *words],
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=subprocess.STDOUT,
        )
        code: int | None = None
        while time.monotonic() - start_s < HANGS_S:
            pid, status, usage = os.wait4(process.pid, os.WNOHANG)
            if pid:
                code = process.returncode = os.waitstatus_to_exitcode(status)
                break
            time.sleep(0.02)
        else:
            process.kill()
            usage = os.wait4(process.pid, 0)[2]
            process.returncode = -9
        took_s = time.monotonic() - start_s
        said.seek(0)
        text = said.read().decode(errors="replace")
    lines = text.strip().splitlines() or [""]
    raw = "Traceback" in text or "\x1b" in text
    return Told(code, lines[-1][:LONGEST_TEXT], took_s, usage.ru_maxrss / 1024.0, raw)


def _session(folder: Path) -> Path:
    """Record a session of five segments."""
    rig = rig_from_text(SMALL, "small.toml")
    samples = [
        Sample(0.01 * i, boost_kpa=0.1 * (i % 7), delivered_ml_min=0.1 * (i % 3))
        for i in range(500)
    ]
    return record(folder / "sessions", samples, rig, segment_rows=100)


def _samples(folder: Path) -> list[Path]:
    return sorted(_session(folder).glob("samples-*.arrow"))


def _cut_to_nothing(folder: Path) -> list[str]:
    paths = _samples(folder)
    for path in paths:
        os.truncate(path, 0)
    return ["review", str(paths[0].parent)]


def _cut(folder: Path) -> list[str]:
    path = _samples(folder)[-1]
    os.truncate(path, path.stat().st_size // 2)
    return ["review", str(path.parent)]


def _missing(folder: Path) -> list[str]:
    paths = _samples(folder)
    for path in paths:
        path.unlink()
    return ["review", str(paths[0].parent)]


def _pipe_inside(verb: str) -> Make:
    def make(folder: Path) -> list[str]:
        path = _samples(folder)[0]
        path.unlink()
        os.mkfifo(path)
        for name in ("summary.json", "about.json"):
            (path.parent / name).unlink(missing_ok=True)
        os.mkfifo(path.parent / "about.json")
        return [verb, str(path.parent.parent if verb == "sessions" else path.parent)]

    return make


def _pipe(*words: str) -> Make:
    def make(folder: Path) -> list[str]:
        os.mkfifo(folder / "log.csv")
        return [words[0], str(folder / "log.csv"), "--rig", _rig(folder), *words[1:]]

    return make


def _rig(folder: Path) -> str:
    path = folder / "small.toml"
    path.write_text(SMALL, encoding="utf-8")
    return str(path)


def log(*parts: bytes, name: str = "log.csv", times: int = 1) -> Make:
    """Write a log out of parts, the last of them ``times`` times."""

    def make(folder: Path) -> list[str]:
        with (folder / name).open("wb") as file:
            for part in parts[:-1]:
                file.write(part)
            for _ in range(times):
                file.write(parts[-1])
        return ["review", str(folder / name), "--rig", _rig(folder)]

    return make


MEGABYTE: Final = b"7" * 1_000_000
# What is done, what is run, and the exit code it must have.
LONG: Final = ("review: a line of 400 MB",)
ACTS: Final[tuple[tuple[str, Make, int], ...]] = (
    ("review: samples cut to nothing", _cut_to_nothing, 2),
    ("review: samples missing", _missing, 2),
    ("review: samples cut in the last segment", _cut, 0),
    ("review: a pipe as log", _pipe("review"), 2),
    ("snapshot: a pipe as log", _pipe("snapshot", "--at", "1", "--to", "x.svg"), 2),
    ("replay: a pipe as log", _pipe("replay"), 2),
    ("watch: a pipe as log", _pipe("watch", "--text", "--no-record"), 2),
    ("review: pipes inside a session", _pipe_inside("review"), 2),
    ("sessions: pipes inside one", _pipe_inside("sessions"), 0),
    ("review: a line of 5 MB", log(HEADER, ROWS, MEGABYTE, times=5), 2),
    ("review: a line of 400 MB", log(HEADER, ROWS, MEGABYTE, times=400), 2),
    ("review: NUL bytes in rows", log(HEADER, ROWS, b"5.0\x00,1,2\n", ROWS), 2),
    ("review: binary", log(bytes(range(256)), times=400), 2),
    ("review: empty", log(b""), 2),
    ("review: header only", log(HEADER), 2),
    ("review: a name that bites", log(HEADER, ROWS, name=BITING_NAME), 0),
    ("review: a name that bites, broken", log(HEADER, b"x,y,z\n", name=BITING_NAME), 2),
    ("review: a name with spaces", log(HEADER, ROWS, name="my first log.csv"), 0),
)


def run() -> list[tuple[object, ...]]:
    """Run every act; return rows of a table."""
    rows: list[tuple[object, ...]] = []
    for name, make, wanted in ACTS:
        folder = Path(tempfile.mkdtemp(prefix="hostile"))
        try:
            told = flowdebt(*make(folder))
        finally:
            shutil.rmtree(folder, ignore_errors=True)
        code = "hangs" if told.code is None else told.code
        good = told.code == wanted and not told.raw
        text = told.text.replace(str(folder), "…").replace("|", "/")
        figures = (f"{told.took_s:.1f}", f"{told.most_mb:.0f}")
        rows.append((name, code, *figures, ascii_only(text), "yes" if good else "**NO**"))
    return rows


def ascii_only(text: str) -> str:
    """Return a text with control characters shown, for a table."""
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)
