"""The kind of a log is what its first bytes say, whatever it is called."""

from pathlib import Path

import pytest

from monitor.sources.logs.file_kind import kind_of
from simulator.strict import BadInput


@pytest.mark.parametrize(
    ("head", "kind"),
    [
        (b"PAR1\x15\x04", "parquet"),
        (b"ARROW1\0\0\xff\xff", "ipc file"),
        (b"\xff\xff\xff\xff\x10\0\0\0", "ipc stream"),
        (b"time_s,boost_kpa\n", None),
        (b"PAR", None),
        (b"", None),
    ],
)
def test_first_bytes_say_what_a_log_is(tmp_path: Path, head: bytes, kind: str | None) -> None:
    """A name that says otherwise changes nothing; what is neither is text."""
    path = tmp_path / "log.csv"
    path.write_bytes(head)
    assert kind_of(path) == kind


def test_what_is_not_there_is_one_clear_error(tmp_path: Path) -> None:
    """It names the file."""
    with pytest.raises(BadInput, match=r"gone\.csv: .*expected a readable log"):
        kind_of(tmp_path / "gone.csv")
    with pytest.raises(BadInput, match=r"found a folder without logs, expected some \(\.arrow, "):
        kind_of(tmp_path)
