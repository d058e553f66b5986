"""``flowdebt drill`` in a terminal of its own: from the command to the debrief, by keys alone."""

import contextlib
import fcntl
import os
import re
import struct
import subprocess
import sys
import termios
import threading
from pathlib import Path

import pytest

from tests.kit.drills import short_lesson
from tests.kit.patience import PATIENCE_S

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="a terminal of our own")


class Terminal:
    """A program in a pseudo-terminal, what it drew so far, and its keys."""

    def __init__(self, *arguments: str, folder: Path) -> None:
        self._master, slave = os.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.process = subprocess.Popen(
            [sys.executable, "-c", "from monitor.cli import main; main()", *arguments],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
            env={**os.environ, "TERM": "xterm-256color", "FLOWDEBT_RUNTIME_DIR": str(folder)},
        )
        os.close(slave)
        self.drawn = b""
        self._news = threading.Condition()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        with contextlib.suppress(OSError):
            while drawn := os.read(self._master, 65536):
                with self._news:
                    self.drawn += drawn
                    self._news.notify_all()

    def until(self, words: str) -> str:
        """Wait until words were drawn; return all that was drawn up to now."""
        with self._news:
            assert self._news.wait_for(lambda: words in self.text, PATIENCE_S), words
            return self.text

    @property
    def text(self) -> str:
        """What was drawn, without what steers a terminal."""
        return re.sub(r"\x1b\[[0-9;?<>=]*[A-Za-z$]", "", self.drawn.decode("utf-8", "replace"))

    def press(self, keys: str) -> None:
        """Press keys."""
        os.write(self._master, keys.encode())


def test_a_drill_is_driven_from_the_command_to_the_debrief(tmp_path: Path) -> None:
    """Nothing names the fault before; the class ends with its screen, and the result is kept."""
    lesson = short_lesson(tmp_path)
    kept = tmp_path / "kept"
    there = Terminal(
        *("drill", str(lesson), "--alias", "ann", "--record", str(kept), "--speed", "4"),
        folder=tmp_path / "run",
    )
    try:
        there.until("space begins")
        there.press(" ")
        there.until("kPa")
        there.press(" b")
        before = there.until("Debrief, ann").partition("Debrief, ann")[0]
        assert "pump stops" not in before
        there.press("q")
        assert there.process.wait(PATIENCE_S) == 0
        there.until("One pull:")
    finally:
        there.process.kill()
        there.process.wait()
    (file,) = kept.iterdir()
    assert b'"alias":"ann"' in file.read_bytes()
    assert not list((tmp_path / "run").rglob("*.class"))
