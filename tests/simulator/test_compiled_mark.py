"""The mark of compiled code: true wherever numba keeps its cache, and only while it is there."""

import importlib
import re
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Final

import numba
import pytest

from simulator import compiled_mark
from simulator.compiled_mark import Loop, is_on_disk, leave_mark, marks
from tests.kit.paths import ROOT

# Made as the real loops are; the fingerprint is in numba's key.
TINY: Final = """
import numba

def fingerprint():
    return "first"

def _make(stamp):
    def doubled(x):
        return 2.0 * x if stamp else 0.0
    return doubled

try:
    doubled = numba.njit(cache=True)(_make(fingerprint()))
except RuntimeError:
    doubled = numba.njit(_make(fingerprint()))
"""
DOUBLED: Final = Loop("tiny", "doubled")
COLD: Final = (False, False)
WARM: Final = (True, True)


class Machine:
    """A machine with a tiny loop installed, nothing compiled yet."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """Install into a folder."""
        self._patch = monkeypatch
        self.folder = folder
        self.home = folder / "home"
        self.install = folder / "install"
        self.install.mkdir()
        self.write(TINY)
        monkeypatch.syspath_prepend(str(self.install))
        monkeypatch.setattr(compiled_mark, "rules", SimpleNamespace(__file__=f"{self.install}/x"))
        monkeypatch.setenv("HOME", str(self.home))
        monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
        self.choose(None)

    def choose(self, folder: str | None) -> Path:
        """Set or unset NUMBA_CACHE_DIR, as for a new process."""
        chosen = self.folder / (folder or "")
        if folder is None:
            self._patch.delenv("NUMBA_CACHE_DIR", raising=False)
        else:
            self._patch.setenv("NUMBA_CACHE_DIR", str(chosen))
        self._patch.setattr(numba.config, "CACHE_DIR", str(chosen) if folder else "")
        return chosen

    def write(self, text: str) -> None:
        """Install another version of the loop."""
        (self.install / "tiny.py").write_text(text, encoding="utf-8")

    def make_read_only(self) -> None:
        """Let nothing be written where the loop is installed, not even by root: a file is there."""
        (self.install / "__pycache__").write_text("", encoding="utf-8")

    def ask(self, *, mark: bool = True) -> tuple[bool, bool]:
        """As a new process: is the loop on the disk? Run it; did numba find it? Then mark it."""
        sys.modules.pop("tiny", None)
        importlib.invalidate_caches()
        found = is_on_disk(DOUBLED)
        tiny: Any = importlib.import_module("tiny")
        assert tiny.doubled(1.0) == 2.0
        hit = sum(tiny.doubled.stats.cache_hits.values()) == 1
        # Never "quick" and then compiling: a live guard would not decide meanwhile.
        assert hit or not found
        if mark:
            leave_mark(DOUBLED)
        return found, hit


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Machine:
    """A machine of its own."""
    return Machine(tmp_path, monkeypatch)


@pytest.mark.parametrize("where", ["beside the source", "chosen", "read-only", "chosen read-only"])
def test_what_one_process_compiled_the_next_finds(machine: Machine, where: str) -> None:
    """Cold, then warm, wherever numba may keep its cache."""
    if where.startswith("chosen"):
        chosen = machine.choose("chosen")
        if where == "chosen read-only":
            chosen.write_text("", encoding="utf-8")
    if where == "read-only":
        machine.make_read_only()
    assert machine.ask() == COLD
    assert machine.ask() == WARM


def test_a_cache_chosen_later_begins_cold(machine: Machine) -> None:
    """A mark in one place says nothing of another, in either direction."""
    machine.ask()
    machine.choose("chosen")
    assert machine.ask() == COLD
    assert machine.ask() == WARM
    machine.choose(None)
    assert machine.ask() == WARM
    machine.choose("another")
    assert machine.ask() == COLD


def test_nowhere_to_write_is_never_warm(machine: Machine) -> None:
    """Where nothing can be kept, nothing is promised and nothing fails."""
    machine.make_read_only()
    machine.home.write_text("", encoding="utf-8")
    assert [machine.ask(), machine.ask()] == [COLD, COLD]
    assert marks(DOUBLED) == []


@pytest.mark.parametrize("chosen", [None, "chosen"])
def test_a_stale_mark_promises_nothing(machine: Machine, chosen: str | None) -> None:
    """Other code, or a cache that is gone while its mark stayed, is cold; then warm again."""
    machine.choose(chosen)
    machine.ask()
    for text in (TINY.replace('"first"', '"second"'), TINY + "# reinstalled\n"):
        machine.write(text)
        assert not machine.ask()[0]
        assert machine.ask() == WARM
    for index in machine.folder.rglob("*.nbi"):
        index.unlink()
    assert machine.ask(mark=False) == COLD
    assert marks(DOUBLED) != []


def test_the_compiler_is_loaded_only_where_a_mark_is(tmp_path: Path) -> None:
    """A guard that finds none starts at once."""
    ask = (
        "import sys; from pathlib import Path; from simulator import compiled_mark\n"
        "compiled_mark.folders = lambda: [Path(sys.argv[1])]\n"
        "assert not compiled_mark.is_on_disk(compiled_mark.STEP_ROW)\n"
        "print('numba' in sys.modules)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", ask, str(tmp_path)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert (done.stdout, done.stderr) == ("False\n", "")


def test_one_place_knows_where_compiled_code_is() -> None:
    """Nobody else looks for numba's cache, or asks for a fingerprint to compare."""
    users = {
        path.relative_to(ROOT).as_posix()
        for floor in ("rules", "simulator", "monitor")
        for path in (ROOT / floor).rglob("*.py")
        if re.search(r"NUMBA_CACHE|__pycache__|import fingerprint", path.read_text("utf-8"))
    }
    assert users == {"simulator/compiled_mark.py"}
