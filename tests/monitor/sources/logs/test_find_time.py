"""Which column is the time, where nobody says so."""

import numpy as np
import pytest

from monitor.sources.logs.find_time import find_time

N = 400
STEADY = np.arange(N) / 50.0
ROAD = np.cumsum(np.abs(np.sin(np.arange(N) / 30.0)))  # distance: rises, not steadily
WAVE = np.sin(np.arange(N) / 9.0)
COUNT = np.arange(float(N))
WHOLE = np.floor(STEADY)


@pytest.mark.parametrize(
    ("columns", "found", "unit", "is_sure"),
    [
        ({"Time": STEADY, "Boost": WAVE}, 0, "s", True),
        ({"Boost": WAVE, "LogTime": 20.0 * COUNT}, 1, "ms", True),
        ({"Boost": WAVE, "t": 20_000.0 * COUNT}, 1, "us", True),
        ({"Boost": WAVE, "stamp_ms": COUNT}, 1, "ms", True),
        ({"Boost": WAVE, "Elapsed (sec)": STEADY}, 1, "s", True),
        ({"Time": WHOLE, "Boost": WAVE}, 0, "s", True),
        ({"Time": WHOLE, "since start ms": 20.0 * COUNT}, 1, "ms", True),  # the finer
        ({"Time": COUNT, "Boost": WAVE}, 0, "s", False),  # a row a second, or a thousand
        ({"STEADILY": STEADY, "Boost": WAVE}, 0, "s", False),  # not called a time
        ({"Boost": WAVE, "msec": 20.0 * COUNT}, 1, "ms", True),
        ({"Lap time": STEADY % 7.0, "Time": STEADY}, 1, "s", True),
        ({"Time": 45_000.0 + STEADY / 86_400.0}, 0, "s", False),  # days
        ({"Row": COUNT, "Boost": WAVE}, None, "rows", False),
        ({"Boost": WAVE, "Distance": ROAD}, None, "rows", False),
        ({"Boost": WAVE, "Lap time": STEADY % 2.0}, None, "rows", False),
        ({"Row": COUNT, "Time": STEADY, "Distance": ROAD}, 1, "s", True),
    ],
)
def test_by_names_and_values(
    columns: dict[str, np.ndarray], found: int | None, unit: str, is_sure: bool
) -> None:
    """What rises as time does, and is called so; else nothing."""
    names = list(columns)
    time = find_time(names, [""] * len(names), list(columns.values()), [])
    assert (time.column, time.unit, time.is_sure) == (found, unit, is_sure)
    assert found is None or names[found] in time.why


def test_a_unit_that_the_log_states() -> None:
    """Stated beats guessed, whatever the steps would suit."""
    time = find_time(["Time"], ["msec"], [STEADY], [])
    assert (time.column, time.unit, time.is_sure) == (0, "ms", True)


def test_clock_times() -> None:
    """Of clock times and seconds of one fineness, the clock; the finer where they differ."""
    names = ["Elapsed", "When"]
    assert find_time(names, ["", ""], [STEADY, STEADY], [1])[:2] == (1, "clock")
    assert find_time(names, ["", ""], [STEADY, WHOLE], [1])[:2] == (0, "s")


def test_a_reset_here_and_there_is_still_a_time() -> None:
    """One fall in some hundred rows is a clock that was set; more is none."""
    time_s = np.concatenate((np.arange(1500) / 50.0, np.arange(1500) / 50.0))
    assert find_time(["Time"], [""], [time_s], []).column == 0
    assert find_time(["Time"], [""], [np.tile(np.arange(100) / 50.0, 30)], []).column is None
