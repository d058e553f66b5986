"""Several logs, here or in processes of their own: the same, in order."""

from pathlib import Path

import pytest

from monitor.review import in_processes as module
from monitor.review.in_processes import reviews
from monitor.review.report import in_words
from monitor.review.review import Review
from simulator.logfile import mapped, write_csv
from simulator.plant import run
from simulator.scenario import load_scenario
from simulator.strict import BadInput
from tests.kit.recordings import BRINDLE, record


def _told(found: list[Review | BadInput]) -> list[object]:
    return [
        str(one) if isinstance(one, BadInput) else [one.as_json(), *in_words(one)] for one in found
    ]


def test_whoever_reads_them_they_are_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Logs, a session, and what is none; two processes for four of them."""
    samples = list(run(load_scenario("pump_stop"), 2))
    for name, count in (("a", 2000), ("b", 500)):
        write_csv(samples[:count], tmp_path / f"{name}.csv", mapped(BRINDLE.rig))
    (tmp_path / "drives").mkdir()
    session = record(tmp_path / "drives", samples[:800])
    paths = [tmp_path / "a.csv", tmp_path / "none.csv", session, tmp_path / "b.csv"]
    here = _told(list(reviews(paths, "brindle", 1)))
    assert "no such file" in str(here[1])
    monkeypatch.setattr(module, "ProcessPoolExecutor", None)
    assert _told(list(reviews(paths, "brindle", 2))) == here  # so short that it isn't worth it
    monkeypatch.undo()
    monkeypatch.setattr(module, "BYTES_WORTH_IT", 1)
    assert _told(list(reviews(paths, "brindle", 2))) == here


def test_a_byte_of_parquet_counts_for_more(tmp_path: Path) -> None:
    """It holds as many rows as several of CSV; what isn't there counts for nothing."""
    for name in ("a.csv", "a.parquet"):
        (tmp_path / name).write_bytes(b"0123456789")
    sizes = [module._bytes(tmp_path / name) for name in ("a.csv", "a.parquet", "none.csv")]
    assert sizes == [10, 40, 0]
