"""How often alarms ring, against the benchmarks; and what no sequence of inputs may do."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.alarms import rates as alarm_rates
from rules.alarms.alarm import ON_THE_LIST, RINGING, AlarmState, Mover, Priority, Transition
from rules.alarms.book import COMMANDS, TABLE, AlarmBook, Input
from rules.alarms.rates import AlarmRates
from tests.kit.rigs import NAN
from tests.rules.alarms.test_book import (
    AT_ONCE,
    DELAYED,
    INF,
    NAMES,
    QUIET,
    SHELF_S,
    book,
    command,
)

N, U, A, R, LU, LA, SHELVED, BY_DESIGN, OUT = AlarmState
TEN_MIN_S, DAY_S = 600.0, 86400.0


def ring(
    time_s: float,
    alarm: str = "pump",
    before: AlarmState = N,
    after: AlarmState = U,
    priority: Priority = Priority.LOW,
) -> Transition:
    """Return a move of an alarm."""
    return Transition(time_s, alarm, before, after, Mover.CONDITION, "", priority, False)


def rates_of(*times_s: float, start_s: float = 0.0, alarms: int = 50) -> AlarmRates:
    """Return rates that heard these annunciations, each of another alarm."""
    rates = AlarmRates()
    rates.feed(start_s)
    for i, time_s in enumerate(times_s):
        rates.feed(time_s, [ring(time_s, f"finding_{i % alarms}")])
    return rates


def verdicts(rates: AlarmRates) -> dict[str, str]:
    """Return the verdict of each benchmark."""
    return {each.benchmark: each.verdict for each in rates.assessment()}


def test_the_benchmarks_are_the_published_ones() -> None:
    """EEMUA 191 and ANSI/ISA-18.2 performance metrics, per operator in steady operation."""
    published = {
        "MEAN_PER_10MIN_ACCEPTABLE": 1,
        "MEAN_PER_10MIN_MANAGEABLE": 2,
        "PER_DAY_ACCEPTABLE": 150,
        "PER_DAY_MOST": 300,
        "FLOOD_START": 10,
        "FLOOD_END_BELOW": 5,
        "FLOOD_TIME_PCT": 1,
        "HIGH_PRIORITY_PCT": 5,
        "STALE_MOST": 5,
        "CHATTERING_MOST": 0,
    }
    assert {name: getattr(alarm_rates, name) for name in published} == published


@pytest.mark.parametrize("before", AlarmState)
@pytest.mark.parametrize("after", AlarmState)
def test_what_counts_as_an_annunciation(before: AlarmState, after: AlarmState) -> None:
    """Becoming unacknowledged counts, and coming back latched from where it was silenced."""
    expected = after is U and before is not U
    expected |= after is LU and before in (N, SHELVED, BY_DESIGN, OUT)
    assert ring(0.0, before=before, after=after).annunciates is expected


def test_the_window_slides() -> None:
    """An annunciation counts for exactly ten minutes; the peak stays."""
    rates = rates_of(0.0, 1.0, 2.0)
    rates.feed(599.9)
    assert (rates.per_10min, rates.peak_per_10min) == (3, 3)
    rates.feed(600.0)
    assert rates.per_10min == 2
    rates.feed(2000.0)
    assert (rates.per_10min, rates.peak_per_10min, rates.total) == (0, 3, 3)
    assert rates.mean_per_10min == 3 * 600.0 / 2000.0


def test_a_flood_starts_at_ten_and_ends_below_five() -> None:
    """Its ends lie where the count crosses, even if nobody looked at the time."""
    nine = rates_of(*(10.0 * i for i in range(1, 10)))
    assert (nine.in_flood, nine.floods) == (False, 0)
    rates = rates_of(*(10.0 * i for i in range(1, 11)))  # the tenth at 100 s
    assert (rates.in_flood, rates.floods) == (True, 1)
    rates.feed(659.9)
    assert (rates.in_flood, rates.per_10min) == (True, 5)
    rates.feed(2000.0)  # the sixth, of 60 s, left at 660 s: four remain
    assert (rates.in_flood, rates.floods) == (False, 1)
    assert rates.flood_time_pct == pytest.approx(100.0 * (660.0 - 100.0) / 2000.0)


def test_the_day_slides_in_steps_of_ten_minutes() -> None:
    """A day's count holds what came in the last 24 hours and lets go of the rest."""
    rates = rates_of(*(TEN_MIN_S * i + 1.0 for i in range(200)))
    assert (rates.total, rates.per_day) == (200, 144)
    rates.feed(TEN_MIN_S * 199 + DAY_S / 2)
    assert rates.per_day == 72
    rates.feed(1e7)
    assert rates.per_day == 0


@pytest.mark.parametrize(
    ("moves", "chattering"),
    [
        ([ring(0.0), ring(30.0, before=R), ring(60.0, before=R)], True),
        ([ring(0.0), ring(30.0, before=R), ring(60.5, before=R)], False),
        ([ring(0.0), ring(1.0, before=A), ring(2.0, before=A)], False),
        ([ring(0.0), ring(1.0, "tank"), ring(2.0, "knock")], False),
    ],
)
def test_three_in_a_minute_of_one_alarm_is_chatter(
    moves: list[Transition], chattering: bool
) -> None:
    """Three comings within 60 s; an escalation is none, nor are three different alarms."""
    rates = AlarmRates()
    for moved in moves:
        rates.feed(moved.time_s, [moved])
    assert rates.chattering == (("pump",) if chattering else ())
    assert verdicts(rates)["chattering"] == ("over" if chattering else "acceptable")


def test_stale_is_a_day_on_the_list_without_a_break() -> None:
    """More than 24 h, acknowledged or not; leaving the list ends it."""
    rates = AlarmRates()
    rates.feed(0.0, [ring(0.0), ring(0.0, "tank")])
    rates.feed(9.0, [ring(9.0, before=U, after=A)])
    rates.feed(10.0, [ring(10.0, "tank", before=U, after=SHELVED)])
    rates.feed(20.0, [ring(20.0, "tank", before=SHELVED, after=U)])
    rates.feed(DAY_S)
    assert list(rates.stale) == []
    rates.feed(DAY_S + 1.0)
    assert list(rates.stale) == ["pump"]
    rates.feed(DAY_S + 21.0)
    assert set(rates.stale) == {"pump", "tank"}
    rates.feed(DAY_S + 22.0, [ring(DAY_S + 22.0, before=A, after=N)])
    assert list(rates.stale) == ["tank"]


@pytest.mark.parametrize(
    ("benchmark", "every_s", "verdict"),
    [
        ("mean in 10 min", 700.0, "acceptable"),
        ("mean in 10 min", 400.0, "manageable"),
        ("mean in 10 min", 200.0, "over"),
        ("in a day", 700.0, "acceptable"),
        ("in a day", 400.0, "manageable"),
        ("in a day", 200.0, "over"),
        ("peak in 10 min", 70.0, "acceptable"),
        ("peak in 10 min", 60.0, "over"),
        ("% of time in floods", 70.0, "acceptable"),
        ("% of time in floods", 60.0, "over"),
    ],
)
def test_each_rate_is_judged_by_its_benchmark(benchmark: str, every_s: float, verdict: str) -> None:
    """Two days of even annunciations, on either side of each figure."""
    n = int(2 * DAY_S / every_s)
    rates = rates_of(*(every_s * i for i in range(1, n + 1)))
    assert verdicts(rates)[benchmark] == verdict
    words = {each.benchmark: each.words for each in rates.assessment()}[benchmark]
    assert words.startswith(f"alarms {benchmark}: ")
    assert words.endswith(f": {verdict}")


def test_too_early_is_said_unless_it_is_over_already() -> None:
    """Before its time a benchmark isn't passed; a count that is over already is told."""
    rates = rates_of(1.0, 2.0)
    early = verdicts(rates)
    assert [early[name] for name in ("mean in 10 min", "in a day", "% of high priority")] == [
        "too early"
    ] * 3
    many = verdicts(rates_of(*(0.5 * i for i in range(301))))
    assert (many["mean in 10 min"], many["in a day"]) == ("over", "over")


@pytest.mark.parametrize(("high", "verdict"), [(1, "acceptable"), (2, "over")])
def test_the_share_of_high_priority(high: int, verdict: str) -> None:
    """At most 5 % of high priority; asked only from 20 annunciations on."""
    rates = AlarmRates()
    kinds = [Priority.HIGH] * high + [Priority.LOW] * (20 - high)
    for i, priority in enumerate(kinds):
        rates.feed(i, [ring(i, f"finding_{i}", priority=priority)])
    assert rates.by_priority[Priority.HIGH] == high
    assert verdicts(rates)["% of high priority"] == verdict


def test_memory_is_bounded() -> None:
    """A storm of annunciations is counted in full and remembered in part."""
    rates = AlarmRates()
    n = alarm_rates.MOST_COUNTED + 500
    for i in range(n):
        rates.feed(i * 1e-3, [ring(i * 1e-3)])
    assert (rates.total, rates.per_10min) == (n, alarm_rates.MOST_COUNTED)
    assert rates.per_day == n
    assert rates.in_flood


@pytest.mark.parametrize("times_s", [(1e6, 5.0, 6.0), (0.0, -50.0, -49.0), (10.0, NAN, 11.0)])
def test_no_time_runs_backwards(times_s: tuple[float, ...]) -> None:
    """Steps back and times that are none take no time, and what came with them counts."""
    rates = AlarmRates()
    for time_s in times_s:
        rates.feed(time_s, [ring(time_s)])
    assert (rates.total, rates.per_10min) == (3, 3)
    assert rates.watched_s == 1.0
    assert rates.chattering == ("pump",)


def test_a_book_of_bad_names_or_levels_is_told() -> None:
    """A name twice, a flag of no finding, a level too few: one clear error each."""
    with pytest.raises(ValueError, match="found a name twice"):
        AlarmBook(["pump", "pump"])
    with pytest.raises(ValueError, match=r"^suppressible: found"):
        AlarmBook(["pump"], {"tank": True})
    with pytest.raises(ValueError, match=r"^levels: found 2, expected 3"):
        book().feed(0.0, (0.0, 0.0))
    assert AlarmBook([]).feed(1.0, ()) == ()


LEVEL_OR_NONE = st.sampled_from([0.0, 0.0, 0.0, 1.0, 1.0, 2.0, 3.0, NAN])
STEP_S = st.sampled_from([0.0, 0.25, 0.5, 1.0, 7.0, 45.0])
SAMPLE = st.tuples(STEP_S, st.tuples(*[LEVEL_OR_NONE] * 3), st.booleans())
HAND = st.tuples(STEP_S, st.sampled_from(COMMANDS), st.sampled_from([*NAMES, None]))
DELAYS = st.sampled_from([AT_ONCE, DELAYED])


@settings(max_examples=300)
@given(
    off_delay_s=DELAYS,
    inputs=st.lists(st.one_of(SAMPLE, SAMPLE, HAND), max_size=40),
    odd=st.dictionaries(st.integers(0, 39), st.sampled_from([NAN, -500.0, INF, -1.0])),
)
def test_no_sequence_breaks_the_life_cycle(
    off_delay_s: float, inputs: list[tuple[Any, ...]], odd: dict[int, float]
) -> None:
    """Every move is in the table; no latch, acknowledgement, shelf or first-out is faked."""
    made = book(off_delay_s)
    time_s, waited_s, last_s = 0.0, dict.fromkeys(NAMES, 0.0), 0.0
    for i, (step_s, said, more) in enumerate(inputs):
        time_s += step_s
        now_s = odd.get(i, time_s)
        was = {view.alarm: view for view in made.alarms()}
        hand = said if isinstance(said, Input) else None
        if hand is None:
            transitions = made.feed(now_s, said, more)
            waited = max(0.0, now_s - last_s) if abs(now_s) < INF else 0.0
            last_s = now_s if abs(now_s) < INF else last_s
        else:
            if more is None and hand not in (Input.ACKNOWLEDGE, Input.RESET):
                continue
            transitions = command(made, hand, now_s, more).transitions
            waited = max(0.0, now_s - last_s) if abs(now_s) < INF else 0.0
            last_s = max(now_s, last_s) if abs(now_s) < INF else last_s
        views = {view.alarm: view for view in made.alarms()}
        stood = {name: view.state for name, view in was.items()}
        for moved in transitions:
            assert stood[moved.alarm] is moved.before
            stood[moved.alarm] = moved.after
            movers = {Mover.OPERATOR: (hand,), Mover.EXPIRY: (Input.EXPIRY,)}
            inner = movers.get(moved.moved_by, (Input.CONDITION, Input.ESCALATION))
            assert any(
                moved.after in TABLE[moved.before, what] for what in inner if what is not None
            )
            if moved.before in (LU, LA) and moved.after in (N, BY_DESIGN):
                assert hand is Input.RESET
                assert not views[moved.alarm].present
            if moved.after in (A, LA) and moved.before not in (A, LA):
                assert hand is Input.ACKNOWLEDGE
        assert stood == {name: view.state for name, view in views.items()}
        for name, view in views.items():
            kept = view.state is SHELVED and not any(moved.alarm == name for moved in transitions)
            waited_s[name] = waited_s[name] + waited if kept else 0.0
            assert waited_s[name] < SHELF_S or view.state is not SHELVED
            assert 0.0 <= view.shelf_left_s <= SHELF_S
            if hand is None and not said[NAMES.index(name)] <= 0.0 and off_delay_s == AT_ONCE:
                held_back = more and name == "pump"  # one that returned stays so while suppressed
                assert view.state not in ((N, LU, LA) if held_back else (N, R, LU, LA))
            assert (view.state not in ON_THE_LIST) or name in made.order
        assert made.sounding is any(view.state in RINGING for view in views.values())


@settings(max_examples=200)
@given(
    off_delay_s=DELAYS,
    inputs=st.lists(st.one_of(SAMPLE, HAND), max_size=30),
    ticks=st.integers(1, 9),
)
def test_feeding_changes_is_feeding_everything(
    off_delay_s: float, inputs: list[tuple[Any, ...]], ticks: int
) -> None:
    """A book fed only with changes tells the same as one fed in between too, and so its rates."""
    seldom, often = book(off_delay_s), book(off_delay_s)
    told_seldom: list[Transition] = []
    told_often: list[Transition] = []
    time_s, levels, below = 0.0, QUIET, False
    for step_s, said, more in inputs:
        for tick in range(1, ticks):
            told_often += often.feed(time_s + step_s * tick / ticks, levels, below)
        time_s += step_s
        if isinstance(said, Input):
            if more is not None:
                told_seldom += command(seldom, said, time_s, more).transitions
                told_often += command(often, said, time_s, more).transitions
            continue
        levels, below = said, more
        told_seldom += seldom.feed(time_s, levels, below)
        told_often += often.feed(time_s, levels, below)
    told_seldom += seldom.feed(time_s + 100.0, levels, below)
    told_often += often.feed(time_s + 100.0, levels, below)
    assert told_seldom == told_often
    assert repr(seldom.alarms()) == repr(often.alarms())
    at_once, in_steps = AlarmRates(), AlarmRates()
    at_once.feed(0.0)
    at_once.feed(time_s + 100.0, told_seldom)
    in_steps.feed(0.0)
    for moved in told_often:
        in_steps.feed(moved.time_s, [moved])
    in_steps.feed(time_s + 100.0)
    assert at_once.assessment() == in_steps.assessment()


def test_nothing_heard_is_nothing_counted() -> None:
    """A fresh counter is at nil, steps back included."""
    rates = AlarmRates()
    assert (rates.watched_s, rates.peak_per_10min, rates.flood_time_pct) == (0.0, 0, 0.0)
    rates.feed(-40.0)
    rates.feed(-30.0, [ring(-35.0)])
    rates.feed(564.0)
    assert (rates.watched_s, rates.per_10min) == (604.0, 1)
    rates.feed(565.0)
    assert rates.per_10min == 0
    words = [each.words for each in rates.assessment()]
    assert "(benchmark 1, at most 2)" in words[0]
    assert "(benchmark 5)" in words[4]
