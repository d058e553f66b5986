"""What a plot draws of a log: no peak is lost, whatever its length, and gaps stay gaps."""

from pathlib import Path

import numpy as np
import pytest

from monitor.review.review import review
from monitor.review.traces import NAMES, Thinner, Trace, joined
from simulator.logfile import mapped, write_csv
from simulator.plant import run
from simulator.scenario import load_scenario

BOOST = NAMES.index("boost_kpa")


def thinned(n: int, size: int, most: int = 50) -> tuple[Trace, np.ndarray]:
    """Return a log of n rows, thinned in blocks of a size, and its boost."""
    rng = np.random.default_rng(3)
    values = np.full((n, len(NAMES)), np.nan)
    values[:, BOOST] = rng.normal(0.0, 10.0, n)
    time_s = np.linspace(0.0, 0.01 * (n - 1), n)
    thinner = Thinner(most)
    for at in range(0, n, size):
        part = slice(at, at + size)
        thinner.take(time_s[part] + 100.0, time_s[part], values[part])
    return thinner.trace(), values[:, BOOST]


@pytest.mark.parametrize("size", [1, 37, 100_000])
@pytest.mark.parametrize("n", [1, 40, 5000])
def test_the_highest_and_the_lowest_stay(n: int, size: int) -> None:
    """However it is cut up; so many pieces at most, in order."""
    trace, boost = thinned(n, size)
    assert 1 <= len(trace.time_s) <= 50
    assert (np.diff(trace.time_s) > 0.0).all()
    assert np.nanmax(trace.high[:, BOOST]) == np.float32(boost.max())
    assert np.nanmin(trace.low[:, BOOST]) == np.float32(boost.min())
    time_s, values = trace.line("boost_kpa")
    assert time_s[0] == 100.0
    assert values.max() == np.float32(boost.max())
    assert len(trace.line("knock")[0]) == 0


def test_few_rows_are_drawn_as_they_are() -> None:
    """Where each piece holds one row, each is one point."""
    trace, boost = thinned(40, 7)
    np.testing.assert_array_equal(trace.line("boost_kpa")[1], boost.astype(np.float32))


def test_a_gap_breaks_the_line() -> None:
    """Where nothing was read for long, nothing is drawn."""
    values = np.full((100, len(NAMES)), 5.0)
    values[40:60, BOOST] = np.nan
    thinner = Thinner()
    time_s = np.linspace(0.0, 9.9, 100)
    thinner.take(time_s, time_s, values)
    _, drawn = thinner.trace().line("boost_kpa")
    assert np.count_nonzero(np.isnan(drawn)) == 1
    assert np.isnan(drawn[40])
    assert not np.isnan(thinner.trace().line("knock")[1]).any()


def test_a_finer_piece_takes_the_place_of_the_coarse() -> None:
    """In a pull there is more to see; outside it all stays."""
    coarse, _ = thinned(5000, 500)
    values = np.full((300, len(NAMES)), 7.0)
    time_s = np.linspace(120.0, 122.99, 300)
    thinner = Thinner(150)
    thinner.take(time_s, time_s, values)
    both = joined(coarse, [thinner.trace()])
    inside = (both.time_s >= 120.0) & (both.time_s <= 122.99)
    assert inside.sum() == 150
    assert (both.high[inside, BOOST] == 7.0).all()
    assert (~inside).sum() < len(coarse.time_s)
    assert (np.diff(both.time_s) > 0.0).all()


def test_a_review_is_traced_where_that_is_asked_for(tmp_path: Path) -> None:
    """Evidence and debt to their limits, the flow as read; without asking, nothing is kept."""
    log = tmp_path / "stop.csv"
    scenario = load_scenario("pump_stop")
    write_csv(list(run(scenario, 1)), log, mapped(scenario.rig))
    assert review(log, "brindle").trace is None
    found = review(log, "brindle", traced=True)
    assert found.trace is not None
    evidence = found.trace.line("evidence_pct")[1]
    assert np.nanmax(evidence) == pytest.approx(100.0 * found.spray.evidence.share, rel=1e-5)
    debt = found.trace.line("debt_pct")[1]
    assert np.nanmax(debt) == pytest.approx(100.0 * found.spray.debt_ml.share, rel=1e-5)
    assert np.nanmax(found.trace.line("boost_kpa")[1]) == pytest.approx(found.spray.most_kpa)
