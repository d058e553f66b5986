"""What is told is compared with what was counted, height by height."""

import numpy as np

from simulator.proof.false_pulls import Watched
from tests.bench.told import COUNTED, GROUP, compared


def test_a_known_law_is_told_as_it_is_counted() -> None:
    """Exponential peaks: most intervals hold, and the counts are those asked for."""
    rng = np.random.default_rng(4)
    nothing = np.zeros((19, 3), dtype=int)
    seen = [
        Watched(800.0, 360.0, nothing[0], nothing, 1.5 + rng.exponential(0.9, 30))
        for _ in range(4 * GROUP)
    ]
    found = list(compared(seen, np.inf))
    assert [round(one.per_h * 20.0) for one in found] == list(COUNTED)
    for one in found:
        name, *_ = one.row()
        assert float(name) == round(one.height_nats, 1)
        assert len(one.told) == 4
        assert sum(t.low_per_h <= one.per_h <= t.high_per_h for t in one.told) >= 3
