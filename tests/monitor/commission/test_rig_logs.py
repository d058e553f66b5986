"""Logs as a rig reads them: pieces, and the hash that tells one from another."""

import hashlib
from pathlib import Path

import pytest

from monitor.commission import rig_logs
from monitor.commission.rig_logs import read_rig_logs, sha256_of
from simulator.strict import BadInput
from tests.kit.paths import OLDER_SESSION
from tests.kit.rig_text import SMALL

HEAD = "time_s,boost_kpa,delivered_ml_min,commanded_ml_min\n"


@pytest.fixture
def small(tmp_path: Path) -> str:
    """A rig of these columns."""
    path = tmp_path / "small.toml"
    path.write_text(SMALL + "[channels.commanded_ml_min]\n", encoding="ascii")
    return str(path)


def log(path: Path, *times_s: float) -> Path:
    """Write a log of these times."""
    rows = [f"{time_s},{i},,{10 * i}\n" for i, time_s in enumerate(times_s)]
    path.write_text(HEAD + "".join(rows), encoding="ascii")
    return path


def test_clock_that_starts_again_begins_another_series(small: str, tmp_path: Path) -> None:
    """Late rows are left out, a new start is a new piece, and what was never sent is no column."""
    path = log(tmp_path / "a.csv", 50.0, 50.1, 50.05, 50.2, 3.0, 3.1)
    rig_file, (read,) = read_rig_logs([path], small)
    assert rig_file.rig.name == "Small"
    first, second = (one.t_s for one in read.series)
    assert first == pytest.approx([0.0, 0.1, 0.2])  # from the first row on
    assert second == pytest.approx([-47.0, -46.9])
    assert read.series[0].columns["boost_kpa"].tolist() == [0.0, 1.0, 3.0]
    assert "delivered_ml_min" not in read.series[0].columns
    assert read.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert read.name == "a.csv"


def test_hash_of_a_session_is_that_of_its_samples_in_order() -> None:
    """Neither its events nor its rig are in it, which may be written later."""
    samples = [OLDER_SESSION / f"samples-000{i}.arrow" for i in (1, 2)]
    joined = b"".join(path.read_bytes() for path in samples)
    assert sha256_of(OLDER_SESSION) == hashlib.sha256(joined).hexdigest()


def test_log_of_one_reading_is_refused(small: str, tmp_path: Path) -> None:
    """It tells nothing."""
    with pytest.raises(BadInput, match=r"a\.csv: found fewer than 2 readings"):
        read_rig_logs([log(tmp_path / "a.csv", 1.0)], small)


def test_logs_too_long_are_refused(
    small: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Told with the log that is one too many."""
    monkeypatch.setattr(rig_logs, "MOST_ROWS", 5)
    logs = [log(tmp_path / name, 1.0, 1.1, 1.2) for name in ("a.csv", "b.csv")]
    assert len(read_rig_logs(logs[:1], small)[1]) == 1
    with pytest.raises(BadInput, match=r"b\.csv: found 6 rows with the logs before it"):
        read_rig_logs(logs, small)
