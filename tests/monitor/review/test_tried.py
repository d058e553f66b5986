"""Thresholds tried on several logs, here or in processes of their own: the same, in order."""

from pathlib import Path

import pytest

from monitor.review import in_processes, tried
from monitor.review.tried import Trials, Tried
from simulator.logfile import mapped, write_csv
from simulator.plant import run
from simulator.scenario import load_scenario
from simulator.strict import BadInput
from tests.kit.recordings import BRINDLE, record

SETS = ('debt.cut="0.2 s"',)


def _told(trials: Trials, jobs: int) -> list[object]:
    found = list(trials.each(jobs))
    words = [
        [one.as_json(), *one.in_words()] if isinstance(one, Tried) else str(one) for one in found
    ]
    return [*words, trials.as_json({}), *trials.in_words(of=len(found))]


@pytest.fixture
def logs(tmp_path: Path) -> list[Path]:
    """Logs in which spray fails sooner or later, a session, and what is none."""
    samples = list(run(load_scenario("pump_stop"), 2))
    for name, count in (("a", 2000), ("b", 500)):
        write_csv(samples[:count], tmp_path / f"{name}.csv", mapped(BRINDLE.rig))
    (tmp_path / "drives").mkdir()
    session = record(tmp_path / "drives", samples[:800])
    return [tmp_path / "a.csv", tmp_path / "none.csv", session, tmp_path / "b.csv"]


def test_whoever_tries_them_they_are_the_same(
    logs: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One after the other, or two at once: each log, and the sum."""
    names = ["a", "none", "drive", "b"]
    here = _told(Trials(logs, names, "brindle", SETS), 1)
    assert "no such file" in str(here[1])
    assert here[4] != Trials([], [], "brindle", SETS).as_json({})
    monkeypatch.setattr(in_processes, "ProcessPoolExecutor", None)
    assert _told(Trials(logs, names, "brindle", SETS), 2) == here  # not worth it
    monkeypatch.undo()
    monkeypatch.setattr(tried, "BYTES_WORTH_IT", 1)
    assert _told(Trials(logs, names, "brindle", SETS), 2) == here


def test_progress_is_of_both_decidings(logs: list[Path]) -> None:
    """It rises from the first log to the last, and ends at all of it."""
    shares: list[float] = []
    list(Trials(logs[::3], ["a", "b"], "brindle", SETS).each(1, shares.append))
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_a_change_that_suits_no_rig_is_refused_before_anything_is_tried(logs: list[Path]) -> None:
    """It suits neither the rig asked for nor a session's own."""
    with pytest.raises(BadInput, match=r"^--set: "):
        Trials(logs, ["a", "none", "drive", "b"], "brindle", ('debt.nothing="1 s"',))
