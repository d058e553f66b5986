"""Logs in order of their days, with the services between them."""

from pathlib import Path
from typing import Any

import pytest

from monitor.trend.gathered import Trend, check_services, gathered
from monitor.trend.reading import Reading
from simulator.strict import BadInput
from simulator.trend.sessions import Measured, Session
from tests.kit.seasons import SEASON_RIG

EDGES = (50.0, 100.0, 150.0)


def reading(flow: float, starts: str = "") -> Reading:
    """Return what a log of one band came to."""
    return Reading(Session(20.0, (None, Measured(flow, 0.001, 30)), (None, None)), starts=starts)


def of(logs: dict[str, Reading], *serviced: str) -> Trend:
    """Return what they are together."""
    given: list[Any] = [(Path(name), name, read) for name, read in logs.items()]
    return gathered(SEASON_RIG, EDGES, given, serviced)


WEEKS = {
    "2026-05-14.csv": reading(0.98),
    "2026-05-07.csv": reading(0.99),
    "2026-05-21.csv": reading(0.97),
}


def test_days_make_the_order_whatever_was_given_first() -> None:
    """And say how far sessions lie apart."""
    trend = of(WEEKS)
    assert trend.dated
    assert [row.name[:10] for row in trend.rows] == ["2026-05-07", "2026-05-14", "2026-05-21"]
    assert trend.season is not None
    assert (trend.season.days[1:] - trend.season.days[:-1]).tolist() == [7.0, 7.0]
    assert trend.season.numbers["flow"].tolist() == pytest.approx([0.99, 0.98, 0.97])


def test_where_one_has_no_day_the_order_given_counts() -> None:
    """A day of the others would say nothing of where that one belongs."""
    trend = of({**WEEKS, "wet.csv": reading(0.96)})
    assert not trend.dated
    assert [row.name for row in trend.rows] == [*WEEKS, "wet.csv"]
    assert trend.season is not None
    assert trend.season.days.tolist() == [0.0, 1.0, 2.0, 3.0]


def test_sessions_of_one_day_stay_in_order_and_apart() -> None:
    """Each is a session of its own."""
    trend = of({f"2026-05-14_{i}.csv": reading(0.99) for i in range(3)})
    assert trend.season is not None
    assert (trend.season.days[1:] > trend.season.days[:-1]).all()


def test_a_service_stands_before_the_sessions_of_its_day() -> None:
    """They are the first of a new span."""
    trend = of(WEEKS, "2026-05-14=nozzle cleaned = twice")
    (service,) = trend.services
    assert (service.at, service.what) == (1, "nozzle cleaned = twice")
    assert trend.season is not None
    assert [(span.first, span.end) for span in trend.season.spans] == [(0, 1), (1, 3)]
    for before_all in ("2026-01-01=new pump", "2027-01-01=new pump"):
        season = of(WEEKS, before_all).season
        assert season is not None
        assert len(season.spans) == 1


def test_without_days_a_service_names_the_first_log_behind_it() -> None:
    """As a date would say nothing."""
    logs = {"a.csv": reading(0.99), "b.csv": reading(0.98), "c.csv": reading(0.97)}
    trend = of(logs, "b.csv=filter")
    assert [(one.at, one.day) for one in trend.services] == [(1, None)]
    with pytest.raises(BadInput, match="name of the first log behind it"):
        of(logs, "2026-05-14=filter")


@pytest.mark.parametrize(
    "wrong", ["", "2026-05-14", "=filter", "2026-05-14=", "2026-13-14=filter", "may=filter"]
)
def test_a_service_that_can_t_be_read_is_refused(wrong: str) -> None:
    """With what was found and what was expected, before any log is read."""
    with pytest.raises(BadInput, match=r"--serviced: found .*expected DATE=WHAT, such as"):
        check_services([wrong], list(WEEKS))


def test_a_service_at_a_log_that_tells_nothing_is_refused() -> None:
    """Nobody knows then where it belongs."""
    check_services(["bad.csv=filter"], [*WEEKS, "bad.csv"])
    with pytest.raises(BadInput, match=r'"bad.csv=filter", expected a log that tells something'):
        of({**WEEKS, "bad.csv": Reading(refused="bad.csv: found nothing")}, "bad.csv=filter")


def test_logs_that_tell_nothing_are_told_apart() -> None:
    """They hold up no other; without any that does, there is no season."""
    trend = of({**WEEKS, "bad.csv": Reading(refused="bad.csv: found nothing")})
    assert trend.refused == {"bad.csv": "bad.csv: found nothing"}
    assert len(trend.rows) == 3
    assert of({"bad.csv": Reading(refused="bad.csv: found nothing")}).season is None
