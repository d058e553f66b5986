"""Clock times as seconds from the first: forms, midnights, dates of either order."""

from datetime import UTC, datetime, timedelta, timezone
from math import isnan

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.sources.logs.clock_time import ClockTime
from simulator.strict import BadInput


def _seconds(*cells: str | None) -> list[float]:
    """Return what a column of these cells is, read in one piece and cell by cell."""
    whole = ClockTime("log.csv: Time").follow(pa.array(cells, pa.string()))
    clock = ClockTime("log.csv: Time")
    each = [clock.follow(pa.array([cell], pa.string()))[0] for cell in cells]
    assert np.array_equal(whole, each, equal_nan=True)
    return [float(second) for second in whole]


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        (["14:05:06.1", "14:05:06.25", " 14:05:07 "], [0.0, 0.15, 0.9]),
        (["14:05:06,1", "14:05:06:250", "14:6:7"], [0.0, 0.15, 60.9]),
        (["0:59.5", "1:00", "75:00.25"], [0.0, 0.5, 4440.75]),
        (["59:59.5", "00:00.25"], [0.0, 0.75]),
        (["23:59:59.5", "00:00:01", "23:59:59.75", "0:00:02"], [0.0, 1.5, 0.25, 2.5]),
        (["01:00:00", "14:00:00"], [0.0, 46800.0]),
        (["11:59:59 AM", "12:00:00 pm", "1:00:00 PM"], [0.0, 1.0, 3601.0]),
        (["11:59:59 PM", "12:00:00 AM"], [0.0, 1.0]),
        (["2024-02-28T23:59:59Z", "2024-02-29 00:00:00.5Z"], [0.0, 1.5]),
        (["2024-03-31T01:59:59+01:00", "2024-03-31T03:00:00+02:00"], [0.0, 1.0]),
        (["31.12.2023 23:59:59", "01.01.2024 00:00:00", "1.1.24 0:00:01"], [0.0, 1.0, 2.0]),
        (["03/04/2024 23:59:59", "04/04/2024 00:00:00"], [0.0, 1.0]),  # day first
        (["03/04/2024 23:59:59", "03/05/2024 00:00:00"], [0.0, 1.0]),  # month first
        (["12/31/2024 23:59:59", "01/01/2025 00:00:00"], [0.0, 1.0]),
        (["31-01-2024 23:59:59", "01-02-2024 00:00:00"], [0.0, 1.0]),
        (["03/04/2024 10:00:00", "03/04/2024 10:00:01"], [0.0, 1.0]),  # either, all the same
    ],
)
def test_forms(cells: list[str], expected: list[float]) -> None:
    """By hand, each in seconds from the first."""
    assert _seconds(*cells) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    "cell",
    [
        *["", "x", "12", "12:", "24:60:00", "12:00:61", "12:00:00.", "13:00:00 PM", "0:00:00 AM"],
        *["2024-03-12 10:00:00", "12.03.2024", "-1:00:00", "1:2:3:4:5", "٣:٠٠:٠٠"],
    ],
)
def test_what_is_no_such_time(cell: str) -> None:
    """A cell that is none, or has a date where the first has none, is NaN and counted."""
    clock = ClockTime("log.csv: Time")
    seconds = clock.follow(pa.array([None, "10:00:00", cell, "10:00:01"]))
    assert [isnan(second) for second in seconds] == [True, False, True, False]
    assert seconds[3] == 1.0
    assert (clock.starts, clock.unread) == ("10:00:00", 1)


@pytest.mark.parametrize("date", ["2023-02-29", "2024-13-01", "00.01.2024", "13/13/2024"])
def test_days_that_are_none(date: str) -> None:
    """A date that no calendar has is no time."""
    assert isnan(_seconds("2024-01-01 00:00:00", f"{date} 00:00:00")[1])


def test_dates_that_may_be_read_in_two_ways() -> None:
    """Days that don't follow each other in either order: one clear line."""
    with pytest.raises(BadInput) as caught:
        _seconds("03/04/2024 10:00:00", "05/06/2024 10:00:00")
    assert str(caught.value) == (
        "log.csv: Time: found dates such as 3/4/2024 and 5/6/2024, where day or month may come "
        "first, expected such as 2024-03-12 or 12.03.2024"
    )


MOMENTS = st.integers(0, 120 * 365 * 86_400_000).map(
    lambda ms: datetime(1980, 1, 1, tzinfo=UTC) + timedelta(milliseconds=ms)
)
STEPS_MS = st.lists(st.integers(0, 3_600_000), min_size=1, max_size=30)
FORMS = [
    *["%Y-%m-%d %H:%M:%S.%f", "%Y-%m-%dT%H:%M:%S.%f", "%d.%m.%Y %H:%M:%S.%f", "%H:%M:%S.%f"],
    *["%I:%M:%S.%f %p", "%Y/%m/%d %H:%M:%S,%f", "%d.%m.%Y, %I:%M:%S.%f%p"],
]


@pytest.mark.parametrize("form", FORMS)
@given(MOMENTS, STEPS_MS, st.integers(1, 31))
def test_what_strftime_writes_comes_back(
    form: str, start: datetime, steps_ms: list[int], piece: int
) -> None:
    """Python's own writing of times, over midnights, in pieces of any length, to the nanosecond."""
    gone_ms = np.cumsum([0, *steps_ms]).tolist()
    cells = [(start + timedelta(milliseconds=ms)).strftime(form) for ms in gone_ms]
    clock = ClockTime("log.csv: Time")
    found = [clock.follow(pa.array(cells[i : i + piece])) for i in range(0, len(cells), piece)]
    assert np.concatenate(found).tolist() == [ms / 1000 for ms in gone_ms]
    assert (clock.starts, clock.unread) == (cells[0], 0)


@given(MOMENTS, STEPS_MS, st.integers(-14 * 60, 14 * 60))
def test_zones_are_taken_off(start: datetime, steps_ms: list[int], ahead_min: int) -> None:
    """ISO 8601 with an offset that changes on the way is one time."""
    gone_ms = np.cumsum([0, *steps_ms]).tolist()
    zones = [timezone(timedelta(minutes=ahead_min)), UTC]
    moments = [start + timedelta(milliseconds=ms) for ms in gone_ms]
    cells = [
        moment.astimezone(zones[i % 2]).isoformat(timespec="milliseconds")
        for i, moment in enumerate(moments)
    ]
    whole_ms = [round(1000 * second) for second in _seconds(*cells)]
    assert whole_ms == gone_ms
