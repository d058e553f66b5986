"""On which day a log was driven."""

import json
from datetime import date
from pathlib import Path

import pytest

from monitor.trend.days import day_in, days_of


def log_days(starts: list[str], names: list[str] | None = None) -> list[tuple[date | None, str]]:
    """Return the days of logs that begin so by their clocks."""
    paths = [Path(name) for name in names or [f"log_{i}.csv" for i in range(len(starts))]]
    return [(one.day, one.by) for one in days_of(paths, starts)]


@pytest.mark.parametrize(
    ("starts", "expected"),
    [
        ("2026-05-14 14:05:06.1", date(2026, 5, 14)),
        ("2026/05/14 14:05", date(2026, 5, 14)),
        ("14.05.2026 14:05:06", date(2026, 5, 14)),
        ("14.5.26 14:05:06", date(2026, 5, 14)),
        ("05/14/2026 2:05:06 PM", date(2026, 5, 14)),
        ("14/05/2026T14:05:06", date(2026, 5, 14)),
        ("04/05/2026 14:05:06", None),  # April or May
        ("31.02.2026 14:05:06", None),
        ("14:05:06.1", None),
        ("", None),
    ],
)
def test_a_clock_with_a_date_tells_it(starts: str, expected: date | None) -> None:
    """As logs are read: year first, day first with dots, with slashes where it can be told."""
    by = "the log's clock" if expected is not None else "no date"
    assert log_days([starts]) == [(expected, by)]


def test_one_date_that_can_be_told_tells_the_others() -> None:
    """Logs of one car come from one logger."""
    found = log_days(["04/05/2026 14:05:06", "05/25/2026 14:05:06"])
    assert [day for day, _ in found] == [date(2026, 4, 5), date(2026, 5, 25)]
    found = log_days(["04/05/2026 14:05:06", "25/05/2026 14:05:06"])
    assert [day for day, _ in found] == [date(2026, 5, 4), date(2026, 5, 25)]


def test_a_files_name_tells_where_its_clock_doesn_t() -> None:
    """Year first, in one piece or in three; never a part of a longer number."""
    names = ["drive 2026-05-14 wet.csv", "20260515_1.csv", "log_120260516.csv", "2026-13-01.csv"]
    assert log_days(["", "14:05:06", "", ""], names) == [
        (date(2026, 5, 14), "the file's name"),
        (date(2026, 5, 15), "the file's name"),
        (None, "no date"),
        (None, "no date"),
    ]
    assert log_days(["2026-05-20 14:05:06"], names[:1])[0][0] == date(2026, 5, 20)
    assert day_in("nothing") is None


def test_seconds_since_1970_tell_a_day_where_nothing_else_does() -> None:
    """1 778 767 190 s are 14:00 on 2026-05-14, UTC (date -u -d @1778767190); a name comes first."""
    by = "the log's clock, as Unix time"
    assert log_days(["1778767190.01 s"]) == [(date(2026, 5, 14), by)]
    assert log_days(["1778767190.01 s"], ["2026-05-13.csv"]) == [
        (date(2026, 5, 13), "the file's name")
    ]
    for count in ("86400 s", "4321.5 s", "177876719 s", "1778767190012 s", "4778767190 s"):
        assert log_days([count]) == [(None, "no date")]


def test_a_session_notes_its_own(tmp_path: Path) -> None:
    """Whatever its folder is called now."""
    folder = tmp_path / "2020-01-01"
    folder.mkdir()
    about = {"format": "flowdebt session 1", "started": "2026-05-14T12-00-00Z"}
    (folder / "about.json").write_text(json.dumps(about), encoding="utf-8")
    (one,) = days_of([folder], [""])
    assert (one.day, one.by) == (date(2026, 5, 14), "the session's note")
    (folder / "about.json").write_text("{", encoding="utf-8")
    assert days_of([folder], [""])[0].day is None
