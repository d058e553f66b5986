"""Hostile files and lines, in short; ``python -m tests.bench hostile`` does more, and measures."""

import sys
from pathlib import Path

import pytest

from monitor.cli import run
from tests.bench.hostile.files import ACTS, LONG, Make
from tests.bench.hostile.live import BY_NAME
from tests.bench.hostile.stage import stage

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="pipes, ttys and /proc")

SHORT = [pytest.param(make, code, id=name) for name, make, code in ACTS if name not in LONG]
# Each leaves nothing that could be judged.
BLINDING = (
    "binary garbage only",
    "a line without end",
    "readings nan",
    "one time of -9223372036854775808, then silence",
)


@pytest.mark.parametrize(("make", "code"), SHORT)
def test_a_hostile_file_ends_in_its_code_and_plain_words(
    make: Make,
    code: int,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """No hang, no traceback, no control character; where it can't be used, 2 and a line."""
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))
    assert run(make(tmp_path)) == code
    said = capsys.readouterr()
    assert "Traceback" not in said.out + said.err
    assert "\x1b" not in said.out + said.err
    assert (said.err.count("\n") >= 1) or code == 0


@pytest.mark.parametrize("name", BLINDING)
def test_a_hostile_line_releases_an_armed_output(name: str, tmp_path: Path) -> None:
    """A real guard on a tty, its output held, then not."""
    with stage(tmp_path, settled=False) as made:
        made.wire.wait_until_held()
        BY_NAME[name].do(made)
        made.wire.wait_until_told_released()
