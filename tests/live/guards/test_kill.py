"""kill -9 loses nothing that was said to be recorded, over several segments."""

import sys
from pathlib import Path

import pytest

from tests.kit.kills import kill_in_the_middle

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals and sockets")


def test_a_killed_guard_loses_nothing_it_said_was_recorded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every row a viewer was told of reads back and replays (``tests.bench kill`` has times)."""
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))
    left = kill_in_the_middle(tmp_path, rate=500, after=600, segment_rows=130)
    assert left.told >= 600
    assert left.review.rows >= left.told
    assert left.segments >= 4
    assert left.review.cut == "no end record: the recording was cut off"
    assert left.review.reproduced is True
