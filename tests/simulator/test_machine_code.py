"""Machine code on the disk: it decides as interpreted code does, and only where it is whole."""

import subprocess
import sys
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rules.guard import Guard
from simulator import machine_code
from simulator.compiled_mark import folders
from tests.kit.paths import ROOT
from tests.kit.recordings import BRINDLE
from tests.kit.replays import tiled


@cache
def rows() -> Any:
    """Return some rows of two drives."""
    return tiled(2000)


@pytest.fixture(scope="module")
def kept() -> Path:
    """Return the file, written where none is."""
    Guard(BRINDLE.rig).run_rows(rows()[:1])
    machine_code.keep()
    return next(path for folder in folders() if (path := folder / machine_code._name()).exists())


@pytest.fixture(autouse=True)
def _as_before(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Guard, "machine_code", None)


def test_it_decides_as_interpreted_code_does(kept: Path) -> None:
    """Every decision to the last bit, also those that changed something alone."""
    live = Guard(BRINDLE.rig)
    expected = np.array([live.step(row).flat() for row in rows().tolist()])
    assert machine_code.is_kept()
    assert machine_code.load()
    guard, short = Guard(BRINDLE.rig), Guard(BRINDLE.rig)
    assert guard.run_rows(rows()).tobytes() == expected.tobytes()
    assert np.array(guard.state()).tobytes() == np.array(live.state()).tobytes()
    where, changed, (action,) = short.run_changes(rows(), (1,))
    assert 0 < len(where) < len(rows())
    assert changed.tobytes() == expected[where].tobytes()
    assert action.tolist() == expected[:, 1].tolist()


def test_it_fails_as_compiled_code_does(kept: Path) -> None:
    """What can't be divided is an error, and no number."""
    for loads in (False, True):
        guard = Guard(BRINDLE.rig)
        guard.constants.full_ml_min = 0.0
        assert not loads or machine_code.load()
        with pytest.raises(ZeroDivisionError, match="division by zero"):
            guard.run_rows(rows())


def test_no_compiler_is_loaded(kept: Path) -> None:
    """Neither to look for it nor to decide by it."""
    code = (
        "import sys\nimport numpy as np\nfrom rules.channels import ROW_WIDTH\n"
        "from rules.guard import Guard\nfrom simulator import machine_code\n"
        "from simulator.rig import find_rig, load_rig\n"
        "assert machine_code.is_kept() and machine_code.load()\n"
        "Guard(load_rig(find_rig('brindle')).rig).run_rows(np.zeros((5, ROW_WIDTH)))\n"
        "print('numba' in sys.modules)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=ROOT,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert (done.stdout, done.stderr) == ("False\n", "")


def test_what_is_not_whole_counts_as_none(
    kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cut off, changed or not there: numba does it, and the file goes. A whole one is found."""
    content = kept.read_bytes()
    broken = tmp_path / "broken"
    for folder in (broken, tmp_path / "whole"):
        folder.mkdir()
    monkeypatch.setattr(machine_code, "folders", lambda: [broken])
    assert not machine_code.load()
    for wrong in (b"", content[:-1], content[:-1] + bytes([content[-1] ^ 1])):
        (broken / kept.name).write_bytes(wrong)
        assert not machine_code.load()
        assert not machine_code.is_kept()
    assert Guard.machine_code is None
    (broken / kept.name).write_bytes(b"")
    (tmp_path / "whole" / kept.name).write_bytes(content)
    monkeypatch.setattr(machine_code, "folders", lambda: [broken, tmp_path / "whole"])
    assert machine_code.load()


def test_code_by_other_names_is_numbas_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What another numba calls otherwise is told once, and not looked for in every process."""
    monkeypatch.setattr(machine_code, "folders", lambda: [tmp_path])
    monkeypatch.setattr("rules.compiling.llvm_of", lambda loop: "define void @other() { ret void }")
    machine_code.keep()
    assert machine_code.is_kept()
    assert not machine_code.load()
    assert machine_code.is_kept()


def test_without_a_place_nothing_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A user without a home decides all the same."""
    monkeypatch.setattr(machine_code, "folders", lambda: [tmp_path / "none"])
    machine_code.keep()
    assert not machine_code.is_kept()
