"""A season judged: false alarms at the rate that is stated, clogs found, services heeded."""

from typing import Any

import numpy as np
import pytest

from simulator.trend.season import (
    DELAY,
    FALSE_EVERY,
    FLOW,
    KINDS,
    LAG,
    LINE,
    SUPPLY,
    back_after,
    directions,
    numbers_of,
    season_of,
)
from simulator.trend.sessions import Measured, Session

WEEKS = 52
DAYS = 7.0 * np.arange(WEEKS)
USUAL = {FLOW: 0.99, LINE: 1.0, SUPPLY: 13.4, DELAY: 0.085, LAG: 0.1}
# From day to day, so much that no number's least scatter hides anything.
SCATTER = {FLOW: 0.02, LINE: 0.03, SUPPLY: 0.5, DELAY: 0.02, LAG: 0.02}


def healthy(rng: Any, weeks: int = WEEKS, kept: float = 0.0) -> dict[str, Any]:
    """Return a season in which nothing changes; a session keeps a share of the last one's odds."""
    numbers = {}
    for name, usual in USUAL.items():
        odds = rng.normal(size=weeks)
        for i in range(1, weeks):
            odds[i] = kept * odds[i - 1] + (1.0 - kept * kept) ** 0.5 * odds[i]
        numbers[name] = usual + SCATTER[name] * odds
    return numbers


def clogged(rng: Any, a_week: float, begins: int = 20, weeks: int = WEEKS) -> dict[str, Any]:
    """Return one in which the flow falls from a week on."""
    numbers = healthy(rng, weeks)
    numbers[FLOW] = numbers[FLOW] - a_week * np.maximum(np.arange(weeks) - begins, 0)
    return numbers


@pytest.mark.parametrize("kept", [0.0, 0.3, 0.6])
def test_false_alarms_come_as_seldom_as_is_stated(kept: float) -> None:
    """200 healthy years: some four are expected by the rate, more than nine are not (Poisson).

    Also where sessions hang together: taken for independent, 120 of them at 0.5.
    """
    rng = np.random.default_rng(6)
    years = [season_of(healthy(rng, kept=kept), DAYS) for _ in range(200)]
    false = sum(bool(season.spans[0].found) for season in years)
    assert len(directions(years[0].numbers)) == 7
    assert false <= 9
    # And the rate isn't got by a test that never tells: at less than half the limit, many years
    # would be told of, the more the more they hang together.
    lower = sum(max(path.max() for path in season.paths.values()) >= 3.6 for season in years)
    assert 200.0 * WEEKS / FALSE_EVERY < lower < (150 if kept < 0.5 else 180)


@pytest.mark.parametrize(("a_week", "most_weeks"), [(0.02, 9), (0.01, 14), (0.005, 20)])
def test_a_slow_clog_is_found(a_week: float, most_weeks: int) -> None:
    """One scatter a week, a half, a quarter: within as many weeks in nine years of ten."""
    rng = np.random.default_rng(7)
    weeks, began, came = [], [], []
    for _ in range(40):
        span = season_of(clogged(rng, a_week), DAYS).spans[0]
        found = span.found[FLOW]
        assert not found.rises
        weeks.append(found.at - 20)
        began.append(found.change.since.low <= DAYS[20] <= found.change.since.high)
        assert span.main == FLOW
        assert found.sure > 0.95
        came.append(found.change.by.low <= -31.0 * a_week <= found.change.by.high)
    assert np.quantile(weeks, 0.9) <= most_weeks
    assert min(sum(began), sum(came)) >= 31  # of 40, at 90 %


def test_a_service_ends_a_span_and_says_whether_it_helped() -> None:
    """Behind it what is usual is learned anew."""
    rng = np.random.default_rng(9)
    numbers = clogged(rng, 0.01)
    mended = {name: values.copy() for name, values in numbers.items()}
    mended[FLOW][40:] = rng.normal(USUAL[FLOW], SCATTER[FLOW], WEEKS - 40)
    for values, back in ((mended, True), (numbers, False)):
        season = season_of(values, DAYS, [40])
        before, after = season.spans
        assert (before.first, before.end, after.first, after.end) == (0, 40, 40, WEEKS)
        assert FLOW in before.found
        told = back_after(season, 1, FLOW)
        assert told is not None
        assert told.back is back
        assert told.loss == pytest.approx(-0.19, abs=0.04)
    assert back_after(season_of(mended, DAYS, [40]), 1, LINE).back  # type: ignore[union-attr]


def test_a_service_that_nobody_told_of_is_seen() -> None:
    """Where the flow is as it was again: what came before is told of by itself."""
    rng = np.random.default_rng(10)
    numbers = clogged(rng, 0.02)
    numbers[FLOW][34:] = rng.normal(USUAL[FLOW], SCATTER[FLOW], WEEKS - 34)
    found = season_of(numbers, DAYS).spans[0].found[FLOW]
    assert found.returned == 34
    assert found.change.by.low < -0.26 < found.change.by.high
    stays = season_of(clogged(rng, 0.02), DAYS).spans[0].found[FLOW]
    assert stays.returned is None


def test_too_few_sessions_say_how_many_it_takes() -> None:
    """Not even a stopped pump is a trend in the seventh session."""
    rng = np.random.default_rng(11)
    numbers = healthy(rng, 7)
    numbers[FLOW][5:] = 0.1
    span = season_of(numbers, DAYS[:7]).spans[0]
    assert not span.found
    assert span.counted == 7 < span.wanted <= 9
    longer = healthy(rng, 12)
    longer[FLOW][5:] = 0.1
    assert 7 <= season_of(longer, DAYS[:12]).spans[0].found[FLOW].at <= 9


def test_numbers_are_those_that_sessions_tell() -> None:
    """A car without a flow sensor, with a delay that one session tells: two numbers of five."""
    line = (Measured(0.98, 0.01, 30),)
    sessions = [Session(30.0, (None,), line), Session(30.0, (None,), line, None, 0.08)]
    numbers = numbers_of(sessions)
    assert list(numbers) == [LINE, DELAY]
    assert numbers[LINE] == pytest.approx([0.98, 0.98])
    assert np.isnan(numbers[DELAY][0])
    assert set(directions(numbers)) == {(LINE, 1.0), (DELAY, 1.0), (LINE, -1.0)}
    assert set(KINDS) == set(USUAL)


def test_a_number_that_stands_still_is_as_usual() -> None:
    """A coarse reading that is the same in each session: no scatter, and no alarm."""
    season = season_of({FLOW: np.ones(20), SUPPLY: np.full(20, 13.4)}, DAYS[:20])
    assert not season.spans[0].found
    assert season.spans[0].nearest == 0.0


def test_sessions_that_hang_together_are_told_of() -> None:
    """As much less is known of them; what is told is no lower for the few that tell it."""
    rng = np.random.default_rng(12)
    told = []
    for kept in (0.0, 0.8):
        found = []
        for _ in range(25):
            numbers = clogged(rng, 0.02, begins=34)
            days = rng.normal(size=WEEKS)
            for i in range(1, WEEKS):
                days[i] = kept * days[i - 1] + (1.0 - kept * kept) ** 0.5 * days[i]
            numbers[FLOW] += 2.0 * SCATTER[FLOW] * days
            one = season_of({FLOW: numbers[FLOW]}, DAYS).spans[0].found.get(FLOW)
            found.append(0.0 if one is None else one.together)
        told.append(np.array(found))
    none, much = told
    assert np.count_nonzero(none) <= 5 < 12 <= np.count_nonzero(much)
    assert np.median(much[much > 0.0]) == pytest.approx(0.64, abs=0.1)  # .8 of four fifths
