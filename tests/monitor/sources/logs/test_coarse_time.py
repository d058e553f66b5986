"""Rows of one time: spread evenly where a log's time is coarse, left alone elsewhere."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.sources.logs.coarse_time import MOST_WAITING, spread, step_of
from monitor.sources.rows import Rows


def _spread(times_s: list[float], piece: int) -> tuple[list[float], list[str]]:
    """Return what comes of a log's times in pieces, and what is said."""
    said: list[str] = []
    rows = np.array([[time_s, i] for i, time_s in enumerate(times_s)])
    pieces: list[Rows] = [rows[i : i + piece] for i in range(0, len(rows), piece)]
    found = np.concatenate(list(spread(pieces, said.append)))
    assert found[:, 1].tolist() == list(range(len(rows)))
    return found[:, 0].tolist(), said


@given(
    st.sampled_from([1.0, 0.1]),
    st.integers(3, 50),
    st.floats(0.0, 0.99),
    st.integers(5, 20),
    st.integers(1, 400),
)
def test_even_rows_cut_to_whole_seconds_come_back(
    step_s: float, rate: int, phase: float, steps: int, piece: int
) -> None:
    """Of whole numbers of rows a step, each time is within a row of the true one, in any pieces."""
    true_s = [step_s * (phase + i / rate) for i in range(rate * steps)]
    written = [round(step_s * int(time_s / step_s + 1e-9), 6) for time_s in true_s]
    found, said = _spread(written, piece)
    assert len(said) == 1
    assert np.diff(found) == pytest.approx(step_s / rate, abs=1e-9)
    assert np.abs(np.array(found) - true_s).max() <= step_s / rate + 1e-9


@pytest.mark.parametrize(
    "times_s",
    [
        [i / 100 for i in range(500)],
        [float(i) for i in range(500)],  # a row a second
        [i // 2 / 4 for i in range(500)],  # each row twice, in quarters
        [0.0, 1.0, 1.0, 2.0, 2.0, 2.0, 3.0, 4.0, 4.0],  # some rows twice
        [5.0] * 500,
        [float(i // 10) for i in range(500, 0, -1)],
        [],
    ],
)
def test_other_times_are_left_alone(times_s: list[float]) -> None:
    """Fine times, one row a second, a few rows twice, a clock that stands or runs back."""
    for piece in (1, 7, 1000):
        if times_s:
            assert _spread(times_s, piece) == (times_s, [])


def test_seconds_that_are_missing_and_a_clock_that_stops() -> None:
    """A gap is not filled; a run too long for memory keeps its time."""
    times_s = [float(second) for second in (0, 1, 2, 3, 4, 9, 10) for _ in range(4)]
    found, _ = _spread(times_s, 5)
    assert found == [
        second + quarter / 4 for second in (0, 1, 2, 3, 4, 9, 10) for quarter in range(4)
    ]
    found, _ = _spread([*times_s, *[11.0] * (3 * MOST_WAITING), 12.0], 5000)
    assert set(found[28 : 28 + MOST_WAITING]) == {11.0}
    assert (np.diff(found) >= 0.0).all()


def test_a_short_log_of_whole_seconds() -> None:
    """One whole second will do where there is no more, and it has rows enough."""
    found, said = _spread([7.0] * 3 + [8.0] * 5 + [9.0] * 2, 4)
    assert len(said) == 1
    assert found == pytest.approx([7.4 + i / 5 for i in range(10)])
    times_s = [7.0] * 3 + [8.0] * 4 + [9.0] * 2
    assert _spread(times_s, 4) == (times_s, [])


def test_it_takes_some_seconds_to_tell() -> None:
    """Too few rows say nothing yet."""
    assert step_of(np.array([1.0, 1.0, 2.0, 2.0, 3.0])) is None
    assert step_of(np.array([1.0, 1.0, 2.0, 2.0, 3.0, 3.0, 4.0, 4.0, 5.0])) == 1.0
    assert step_of(np.array([1.0, 1.0, 2.0, 3.0])) == 0.0
