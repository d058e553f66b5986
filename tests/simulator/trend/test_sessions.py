"""A session in few numbers, and several laid over each other."""

import numpy as np
import pytest

from simulator.rig import find_rig, load_rig
from simulator.trend.sessions import (
    ENOUGH_STRETCHES,
    MOST_BANDS,
    Measured,
    band_edges_kpa,
    by_band,
    measured,
    pooled,
)

PSI = 6.894757


@pytest.mark.parametrize("name", ["brindle", "tarnwick", "orrinby", "wexmoor", "quarrick"])
@pytest.mark.parametrize("unit_kpa", [1.0, PSI])
def test_bands_cover_what_is_sprayed_in_round_steps(name: str, unit_kpa: float) -> None:
    """From where spray begins to the boost it pays for."""
    rig = load_rig(find_rig(name)).rig
    edges = np.array(band_edges_kpa(rig, unit_kpa))
    assert 2 <= len(edges) <= MOST_BANDS + 1
    assert edges[0] <= rig.command.start_boost_kpa + 1e-9
    assert edges[-1] >= rig.paid.boost_kpa[-1] - 1e-9
    assert edges / unit_kpa == pytest.approx(np.round(edges / unit_kpa), abs=1e-6)
    assert np.diff(edges) == pytest.approx(np.diff(edges)[0])


def test_a_stretch_gone_wrong_moves_no_median() -> None:
    """A short stop is a review's business."""
    rng = np.random.default_rng(1)
    values = rng.normal(0.98, 0.02, 400)
    stopped = values.copy()
    stopped[:20] = 0.0
    one, other = measured(values), measured(stopped)
    assert one is not None
    assert other is not None
    assert abs(other.value - one.value) < 0.004
    assert one.error == pytest.approx(1.2533 * 0.02 / 20.0, rel=0.15)
    assert measured(np.array([1.0, np.nan, 1.1])) is None


def test_stretches_beyond_the_outer_edges_belong_to_the_outer_bands() -> None:
    """Each band has the median of its own."""
    boost = np.array([40.0, 60.0, 70.0, 120.0, 120.0, 130.0, 210.0, 220.0])
    values = np.array([0.1, 0.2, 0.3, 0.5, 0.5, 0.5, 0.8, 0.9])
    low, middle, high = by_band(boost, values, (50.0, 100.0, 150.0, 200.0))
    assert low is not None
    assert middle is not None
    assert (low.value, low.stretches) == (0.2, 3)
    assert middle.value == 0.5
    assert high is None  # two are too few


def test_which_bands_a_session_sprayed_in_moves_no_session() -> None:
    """What a band always reads is no session's doing: sessions here have none or all of two."""
    truth = np.array([1.0, 0.99, 1.01, 0.95, 0.94])
    off = (0.03, 0.0, -0.02)
    seen = ((0, 1), (1, 2), (0, 1, 2), (1, 2), (0, 1))
    sessions = [
        tuple(
            Measured(level + off[band], 0.001, 20) if band in bands else None for band in range(3)
        )
        for level, bands in zip(truth, seen, strict=True)
    ]
    found = pooled(sessions)
    assert found - found[0] == pytest.approx(truth - truth[0], abs=1e-6)


def test_too_little_spray_tells_nothing() -> None:
    """Under five seconds of it in all."""
    enough, little = ENOUGH_STRETCHES, ENOUGH_STRETCHES - 1
    found = pooled([(Measured(1.0, 0.01, enough),), (Measured(0.5, 0.01, little),), (None,)])
    assert found[0] == 1.0
    assert np.isnan(found[1:]).all()
