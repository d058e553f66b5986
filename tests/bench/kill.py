"""kill -9, again and again: samples sent, decided, recorded, lost."""

import os
import tempfile
from pathlib import Path

import numpy as np

from tests.bench.table import show
from tests.kit.kills import kill_in_the_middle

KILLS = 20
RATE = 1000


def main() -> None:
    """Measure: a guard fed over TCP is killed at odd moments, with segments of 250 rows."""
    rng = np.random.default_rng(7)
    rows = []
    lost = []
    with tempfile.TemporaryDirectory() as folder:
        os.environ["FLOWDEBT_RUNTIME_DIR"] = folder
        for count in range(KILLS):
            place = Path(folder) / str(count)
            place.mkdir()
            after = int(rng.integers(500, 1500))
            left = kill_in_the_middle(place, RATE, after, 250)
            lost.append(left.lost_ms)
            reproduced = "yes" if left.review.reproduced else "NO"
            rows.append(
                (
                    *(left.sent, left.decided, left.recorded, left.sent - left.recorded),
                    *(f"{left.lost_ms:.0f}", left.segments, reproduced),
                )
            )
    show(
        f"kill -9 of a guard fed {RATE} samples/s (bar: <= 100 ms lost); median "
        f"{np.median(lost):.0f} ms, worst {max(lost):.0f} ms",
        ("sent", "decided, as seen", "recorded", "lost", "lost ms", "segments", "reproduced"),
        rows,
    )
