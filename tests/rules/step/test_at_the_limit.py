"""Where each limit lies: what is decided at the very figure, and what right beside it."""

from math import inf, nextafter

import pytest

from rules.channels import (
    BOOST,
    COMMAND_PCT,
    COMMANDED,
    DELIVERED,
    ENGINE_SPEED,
    KNOCK,
    NOT_SENT,
    ROW_WIDTH,
    TANK,
    Sample,
)
from rules.facts import Action, ChannelTerms, CommandKind, Limit
from rules.guard import Guard
from rules.step import learning, rig_doubts
from rules.step.command import commanded_flow_ml_min, take_command
from rules.step.constants import Constants
from rules.step.from_rig import constants_of
from rules.step.health import (
    advance_clock,
    has_jumped,
    logger_changes_state,
    may_stand_still_s,
    note_refused,
    take_pace,
    take_readings,
)
from rules.step.hydraulics import full_flow_ml_min
from rules.step.lasting import lasting
from rules.step.limits import limits_level
from rules.step.state import (
    COARSE,
    EARLY_PARTS,
    FELL,
    HEALTHY,
    HOLDS,
    IMPLAUSIBLE,
    LATE_PARTS,
    NO_ACTION,
    NO_DOUBT,
    NOISY,
    PULL,
    READS_HIGH,
    READS_LOW,
    RIG_DOUBTED,
    STUCK,
    TANK_LOW,
    WARN,
    State,
)
from rules.step.step import fresh_state
from tests.kit.rigs import ALL_CHANNELS, NAN, of_kind, rig, terms

DT_S = 0.25  # exact in binary, as are its sums


def below(figure: float) -> float:
    """Return the next number below."""
    return nextafter(figure, -inf)


def above(figure: float) -> float:
    """Return the next number above."""
    return nextafter(figure, inf)


def in_boost(kind: CommandKind = CommandKind.LOG_FLOW) -> tuple[Constants, State]:
    """Return constants and state of a rig with every channel, all usable, spray due at 150 kPa."""
    facts = of_kind(
        kind,
        channels=terms(*ALL_CHANNELS),
        ladder={"release_after_s": 0.5, "blind_after_s": 0.5, "shortfall_outlasts_s": 0.5},
        watch={
            "no_command_above_kpa": 100.0,
            "no_command_for_s": 0.25,
            "tank_reserve_ml": 300.0,
            "tank_time_s": 60.0,
            "over_ml": 2.0,
        },
        limits={"knock": Limit(above=3.0, for_s=0.5, action=Action.PULL_TIMING)},
    )
    k = constants_of(facts)
    s = fresh_state(k)
    s.usable[:] = [1.0] * len(s.usable)
    s.value[BOOST], s.value[ENGINE_SPEED] = 150.0, 4000.0
    s.full_now_ml_min = full_flow_ml_min(k, 150.0)
    s.value[COMMANDED] = s.commanded_ml_min = s.bank_most_ml_min = 500.0
    s.can_judge = 1.0
    s.tank_s = inf
    return k, s


@pytest.mark.parametrize("held_s", [0.0, 0.25])
def test_a_condition_must_outlast_its_time(held_s: float) -> None:
    """For as long as it is said is not yet for longer; one row without it, and it begins anew."""
    s = State()
    s.for_s[TANK_LOW] = held_s
    assert lasting(s, TANK_LOW, True, DT_S, held_s + DT_S, WARN) == NO_ACTION
    assert lasting(s, TANK_LOW, True, DT_S, held_s + DT_S, WARN) == s.asked[TANK_LOW] == WARN
    assert lasting(s, TANK_LOW, False, DT_S, held_s, WARN) == s.for_s[TANK_LOW] == 0.0


def test_a_limit_holds_above_its_figure_from_its_time_on() -> None:
    """Knock of 3 is none; above it, for half a second, it is."""
    k, s = in_boost()
    s.value[KNOCK] = 3.0
    assert [limits_level(k, s, DT_S) for _ in range(4)] == [NO_ACTION] * 4
    s.value[KNOCK] = above(3.0)
    assert [limits_level(k, s, DT_S) for _ in range(2)] == [NO_ACTION, PULL]
    s.usable[KNOCK] = 0.0
    assert limits_level(k, s, DT_S) == NO_ACTION


def test_a_rig_is_doubted_beyond_what_it_allows() -> None:
    """Held, coarse, noisy, fallen, low, high: each at its own figure."""
    k = constants_of(rig(flow_sensor={"refresh_s": 0.125}))
    for doubt, name, fits, does_not in (
        (HOLDS, "holds_s", 0.1875, above(0.1875)),
        (COARSE, "flow_step_ml_min", 1.3 * k.floor_ml_min, above(1.3 * k.floor_ml_min)),
        (NOISY, "noise_sq", 4.0 * k.noise_sq, above(4.0 * k.noise_sq)),
        (FELL, "fallen", 0.0, 1.0),
        (READS_LOW, "gain", above(k.lowest_gain), k.lowest_gain),
        (READS_HIGH, "gain", below(k.highest_gain), k.highest_gain),
    ):
        s = fresh_state(k)
        setattr(s, name, fits)
        assert rig_doubts.doubt_now(k, s, 0.0) == NO_DOUBT
        setattr(s, name, does_not)
        assert rig_doubts.doubt_now(k, s, 0.0) == doubt
    # Noise without a floor may be more by the floor's that the rig states.
    s = fresh_state(k)
    s.floor_part, s.noise_sq = 0.0, 4.0 * k.noise_sq + 0.01
    assert rig_doubts.doubt_now(k, s, 0.0101) == NO_DOUBT
    assert rig_doubts.doubt_now(k, s, 0.0099) == NOISY


@pytest.mark.parametrize(
    ("within", "off", "limit"), [(0.08, 0.0, 0.024), (0.03, 0.0, 0.02), (0.03, 0.0085, 0.02249)]
)
def test_a_flow_has_fallen_beyond_a_limit(within: float, off: float, limit: float) -> None:
    """Two per cent, three tenths of the rig's doubt, or six deviations of what scatter makes of it.

    Eight parts that are 0.85 % off, and six that aren't: 0.85 % * sqrt(8 / 12 * (1 / 8 + 1 / 6)).
    """
    k = constants_of(rig(flow_sensor={"gain_within": within}))
    for gain, fallen in ((1.0 - 0.999 * limit, 0.0), (1.0 - 1.001 * limit, 1.0)):
        s = fresh_state(k)
        for part in [*[1.0 + off, 1.0 - off] * (EARLY_PARTS // 2), *[gain] * LATE_PARTS]:
            assert s.fallen == 0.0  # too few parts
            learning.note_part(k, s, part, learning.PART_S)
        assert s.fallen == fallen
        s.rig_doubt = FELL if fallen else NO_DOUBT
        for _ in range(EARLY_PARTS):
            learning.note_part(k, s, gain, learning.PART_S)
        assert s.fallen == fallen  # what is told stays until the flow is back
        for _ in range(LATE_PARTS):
            learning.note_part(k, s, 1.0, learning.PART_S)
        assert s.fallen == 0.0


@pytest.mark.parametrize(("name", "value"), [("rounding_ml_min", 5.0), ("holds_s", 0.1)])
def test_of_a_coarse_or_held_reading_no_small_fall_is_told(name: str, value: float) -> None:
    """It may be as far off at one flow and right at another."""
    k = constants_of(rig())
    s = fresh_state(k)
    s.part_gains[:] = [1.0] * (EARLY_PARTS + 1) + [0.95] * (LATE_PARTS - 1)
    before = list(s.part_gains)
    learning.note_part(k, s, 0.95, learning.PART_S)
    assert s.fallen == 1.0
    s.part_gains[:] = before
    setattr(s, name, value)
    learning.note_part(k, s, 0.95, learning.PART_S)
    assert s.fallen == 0.0


def test_a_coarse_step_counts_from_half_the_floor_on() -> None:
    """A finer one is lost in the floor's noise; a coarser one may hide half of itself."""
    k = constants_of(rig())
    for step, rounding in ((10.0, 0.0), (above(10.0), 5.0), (40.0, 20.0), (50.0, 20.0)):
        s = fresh_state(k)
        s.learned_s, s.flow_step_ml_min = 3.0, step
        rig_doubts.doubt_rig(k, s, 0.0, DT_S)
        assert s.rounding_ml_min == pytest.approx(rounding)
        floor_sq = max(k.floor_sq, step * step / 12.0)  # the variance of its rounding
        assert s.floor_sq == pytest.approx(floor_sq)
    s.learned_s, s.rounding_ml_min = below(3.0), 0.0
    rig_doubts.doubt_rig(k, s, 0.0, DT_S)
    assert s.rounding_ml_min == 0.0


def test_a_reading_at_the_edge_of_what_is_plausible_is_healthy() -> None:
    """Of a channel that is looked at closer for jumps, too."""
    for knock, health in (
        (0.0, HEALTHY),
        (50.0, HEALTHY),
        (-1e-9, IMPLAUSIBLE),
        (50.1, IMPLAUSIBLE),
    ):
        jumpy = ChannelTerms("knock", 0.0, 50.0, 1.0, inf, 1e9)
        guard = Guard(
            rig(channels=(*terms("boost_kpa", "delivered_ml_min", "commanded_ml_min"), jumpy))
        )
        guard.step(
            Sample(0.0, boost_kpa=0.0, delivered_ml_min=0.0, commanded_ml_min=0.0, knock=1.0)
        )
        last = guard.step(
            Sample(1.0, boost_kpa=0.0, delivered_ml_min=0.0, commanded_ml_min=0.0, knock=knock)
        )
        assert last.health[KNOCK] == health


def test_how_late_how_far_back_and_how_far_ahead_a_sample_may_be() -> None:
    """A second late; older, or more than ten seconds ahead, and the clock is doubted for 5 s."""
    for by_s, dt_s, doubted_s in (
        (-1.0, -1.0, 0.0),
        (above(-1.0) - 1e-9, 0.1, 5.0),
        (10.0, 10.0, 0.0),
        (10.0 + 1e-9, 0.1, 5.0),
        (0.0, 0.0, 0.0),
    ):
        k, s = in_boost()
        assert advance_clock(k, s, 100.0) == 0.0
        assert advance_clock(k, s, 100.0 + by_s) == pytest.approx(dt_s)
        assert s.clock_doubt_s == doubted_s
        assert s.late == (1.0 if dt_s < 0.0 else 0.0)


def test_a_logger_may_repeat_itself_for_its_time_under_boost_and_four_times_it_off() -> None:
    """From the onset on it is under boost; where the engine stands still it may do so for ever."""
    for boost_kpa, speed_rpm, honest_s in (
        (50.0, 4000.0, 0.5),
        (below(50.0), 4000.0, 2.0),
        (50.0, 0.0, 0.5),
        (below(50.0), 0.0, inf),
    ):
        k, s = in_boost()
        k.logger_stuck_after_s = 0.5
        s.value[BOOST], s.value[ENGINE_SPEED] = boost_kpa, speed_rpm
        still_s = 0.0
        while not logger_changes_state(k, s, 0.0, DT_S) and still_s < 8.0:
            still_s += DT_S
        assert still_s == min(honest_s, 8.0)


def test_a_coarse_reading_may_stand_still_for_longer() -> None:
    """By the square of its step in hundredths of the reading, once it has changed often enough."""
    k, s = in_boost()
    column = DELIVERED
    k.stuck_after_s[column] = 0.5
    s.still_s[column], s.value[column] = 1.0, 400.0
    for step, changes, times in (
        (0.0, 100.0, 1.0),
        (4.0, 100.0, 2.0),
        (8.0, 100.0, 5.0),
        (8.0, 2.0, 4.0),
        (8.0, 1.0, 1.0),
    ):
        s.unit[column], s.changes[column] = step, changes
        assert may_stand_still_s(k, s, column) == pytest.approx(0.5 * times)
    # Of boost seven tenths count, and it moves as one of 20 kPa at least.
    k.stuck_after_s[BOOST], s.still_s[BOOST], s.changes[BOOST] = 0.5, 1.0, 100.0
    for boost_kpa, unit, times in ((10.0, 0.4, 5.0), (100.0, 0.7, 2.0)):
        s.value[BOOST], s.unit[BOOST] = boost_kpa, unit
        assert may_stand_still_s(k, s, BOOST) == pytest.approx(0.5 * times)
    s.changes[column], s.pause_s[column] = 0.0, 0.25
    assert may_stand_still_s(k, s, column) == pytest.approx(0.875)
    s.still_s[column] = 0.5
    assert may_stand_still_s(k, s, column) == 0.5


def test_a_step_of_boost_counts_from_half_a_kilopascal_to_five() -> None:
    """A finer one is noise, a larger one a change; near the onset the reading trembles by 1.5."""
    k, s = in_boost(CommandKind.BOOST)
    for boost_kpa, step_kpa, apart_kpa in (
        (100.0, 0.5, 0.0),
        (100.0, above(0.5), 0.5),
        (100.0, below(5.0), 5.0),
        (100.0, 5.0, 0.0),
        (k.onset_kpa + 1.5, 0.0, 0.0),
        (k.onset_kpa + 1.0, 0.0, 1.5),
        (k.onset_kpa + 1.0, 2.0, 2.0),
        (k.onset_kpa - 1.5, 0.0, 0.0),
        (k.onset_kpa - 1.0, 0.0, 1.5),
    ):
        s.value[BOOST], s.unit[BOOST] = boost_kpa, step_kpa
        take_command(k, s)
        low, at, high = (
            commanded_flow_ml_min(k, boost_kpa + by, 0.0, 0.0, 0.0)
            for by in (-apart_kpa, 0.0, apart_kpa)
        )
        assert s.commanded_ml_min == at
        assert s.less_ml_min == pytest.approx(at - low)
        assert s.more_ml_min == pytest.approx(high - at)
    k.command_kind, s.value[BOOST], s.unit[BOOST] = float(CommandKind.LOG_PERCENT), 100.0, 2.0
    s.value[COMMAND_PCT] = 50.0
    take_command(k, s)
    assert (s.less_ml_min, s.more_ml_min) == (0.0, 0.0)  # the log says what is commanded


def test_a_clock_is_doubted_for_five_seconds_of_its_own() -> None:
    """Counted down by each step; a time that is none is late, and doubts nothing."""
    k, s = in_boost()
    advance_clock(k, s, 100.0)
    advance_clock(k, s, 50.0)
    assert (advance_clock(k, s, 51.0), s.clock_doubt_s) == (1.0, 4.0)
    assert s.clock_s == pytest.approx(1.1)
    assert (advance_clock(k, s, NAN), s.late, s.clock_doubt_s) == (-1.0, 1.0, 4.0)
    for pace, found in ((NOT_SENT, 1.0), (0.5, 0.5), (NAN, 0.0), (1.0, 1.0)):
        s.changed = 0.0
        before = s.clock_pace
        take_pace(s, pace)
        assert (s.clock_pace, s.changed) == (found, 1.0 if found != before else 0.0)


def test_what_is_news_of_a_logger() -> None:
    """Nothing came: -1. All that came was known: 0. One reading is new: 1."""
    k = constants_of(rig())
    s = fresh_state(k)
    row = [NOT_SENT] * ROW_WIDTH
    assert take_readings(k, s, row, 0, DT_S) == -1.0
    assert (s.unhealthy, s.unusable) == (3.0, 3.0)
    row[BOOST] = 150.0
    assert take_readings(k, s, row, 0, DT_S) == 1.0
    assert take_readings(k, s, row, 0, DT_S) == 0.0
    assert (s.unhealthy, s.unusable, s.age_s[BOOST]) == (2.0, 2.0, 0.0)
    row[BOOST] = 1e9
    assert take_readings(k, s, row, 0, DT_S) == -1.0
    assert (s.health[BOOST], s.usable[BOOST], s.unhealthy, s.unusable) == (
        IMPLAUSIBLE,
        1.0,
        3.0,
        2.0,
    )
    assert (s.refused_column, s.refused, s.age_s[BOOST]) == (BOOST, 1e9, DT_S)
    row[BOOST], row[DELIVERED] = 150.0, 400.0
    assert take_readings(k, s, row, 0, DT_S) == 1.0
    s.frozen = 1.0
    assert take_readings(k, s, row, 0, 0.0) == 0.0
    assert (s.health[BOOST], s.usable[BOOST]) == (STUCK, 0.0)


def test_a_logger_s_pauses_are_learned_where_the_engine_turns() -> None:
    """Under boost, or at any speed; not of one that stands."""
    for boost_kpa, speed_rpm, learns in ((0.0, 900.0, 1.0), (0.0, 0.0, 0.0), (150.0, 0.0, 1.0)):
        k, s = in_boost()
        k.logger_stuck_after_s = 1.0
        s.value[BOOST], s.value[ENGINE_SPEED] = boost_kpa, speed_rpm
        logger_changes_state(k, s, 1.0, DT_S)
        assert s.logger_pause_s == learns * DT_S
    k, s = in_boost()
    k.logger_stuck_after_s = 0.5
    s.logger_still_s = 4.0
    assert logger_changes_state(k, s, -1.0, DT_S) is False  # silence is no standing still
    assert logger_changes_state(k, s, 0.0, DT_S) is True


def test_which_of_several_implausible_readings_is_told() -> None:
    """The first channel's, an essential one's before all others; the newest of the same."""
    k, s = in_boost()
    for column, value, told in (
        (KNOCK, 1.0, KNOCK),
        (TANK, 2.0, KNOCK),
        (KNOCK, 3.0, KNOCK),
        (ENGINE_SPEED, 4.0, ENGINE_SPEED),
        (COMMANDED, 5.0, COMMANDED),
        (ENGINE_SPEED, 6.0, COMMANDED),
        (DELIVERED, 7.0, COMMANDED),
        (BOOST, 8.0, BOOST),
    ):
        s.reading[column] = IMPLAUSIBLE
        note_refused(k, s, column, value)
        assert s.refused_column == told
        assert (s.refused == value) is (told == column)
    s.reading[BOOST] = HEALTHY  # no longer to be told
    note_refused(k, s, TANK, 9.0)
    assert (s.refused_column, s.refused) == (TANK, 9.0)


def test_a_jump_is_more_than_a_channel_can_move_in_its_age() -> None:
    """Up as down: 100 in a second, 25 in a quarter."""
    k, s = in_boost()
    k.most_per_s[KNOCK], s.value[KNOCK] = 100.0, 50.0
    for value, jumped in ((75.0, False), (above(75.0), True), (25.0, False), (below(25.0), True)):
        assert has_jumped(k, s, KNOCK, value, DT_S) is jumped


def test_a_doubt_is_over_after_ten_seconds_that_fit() -> None:
    """At ten themselves it stands; a doubt found again begins them anew."""
    k = constants_of(rig())
    s = fresh_state(k)
    s.rig_doubt, s.sound_s = NOISY, 9.75
    rig_doubts.doubt_rig(k, s, 0.0, DT_S)
    assert (s.rig_doubt, s.asked[RIG_DOUBTED]) == (NOISY, WARN)
    rig_doubts.doubt_rig(k, s, 0.0, DT_S)
    assert (s.rig_doubt, s.asked[RIG_DOUBTED]) == (NO_DOUBT, NO_ACTION)
    s.learned_s, s.gain = 3.0, k.lowest_gain
    rig_doubts.doubt_rig(k, s, 0.0, DT_S)
    assert (s.rig_doubt, s.asked[RIG_DOUBTED], s.sound_s) == (READS_LOW, WARN, 0.0)


def test_what_is_forgotten_is_all_that_was_learned() -> None:
    """Whatever was learned, a guard knows no more of the car than its rig says."""
    k = constants_of(rig())
    s, fresh = fresh_state(k), fresh_state(k)
    names = [name for name in State.names() if name.startswith(LEARNED)]
    assert len(names) > 20
    for name in names:
        setattr(s, name, 0.5)
    s.part_gains[:] = [0.5] * len(s.part_gains)
    learning.forget(k, s)
    assert s.part_gains == fresh.part_gains
    assert {n: getattr(s, n) for n in names} == {n: getattr(fresh, n) for n in names}


LEARNED = (
    *("gain", "doubt", "noise", "floor_sq", "rounding_ml_min", "covariance", "mean_residual"),
    *("entry_usual_s", "learned_s", "holds_s", "flow_step_ml_min", "shortest_rows", "rig_doubt"),
    *("line_gain", "line_doubt", "line_noise", "line_covariance", "line_step_s", "line_learned_s"),
    *("charge_off", "charge_rise", "charge_doubt", "charge_learned_s", "part_s", "fallen"),
)


def test_a_boost_that_is_lost_says_nothing_of_a_logger_that_stands_still() -> None:
    """Its last value may have been high; where no engine is known to turn, nothing need move."""
    k, s = in_boost()
    s.usable[BOOST] = s.usable[ENGINE_SPEED] = 0.0
    assert not logger_changes_state(k, s, 0.0, 100.0)
    assert s.logger_still_s == 0.0
    s.usable[BOOST] = 1.0
    assert logger_changes_state(k, s, 0.0, 100.0)


@pytest.mark.parametrize(("rise_kpa", "passed"), [(3.0, False), (3.5, True), (4.0, True)])
def test_boost_may_pass_a_switch_between_two_rows(rise_kpa: float, passed: bool) -> None:
    """5 kPa below it and rising by so much a row, it may, tremble included; a fall shows."""
    k, s = in_boost(CommandKind.FIXED)
    for below_kpa in (5.0 + rise_kpa, 5.0, 30.0):
        s.value[BOOST] = k.onset_kpa - below_kpa
        take_command(k, s)
        assert s.commanded_ml_min == s.less_ml_min == 0.0
    top_kpa = k.onset_kpa - 5.0 + rise_kpa + 1.5
    high = commanded_flow_ml_min(k, top_kpa, 0.0, 0.0, 0.0)
    assert s.more_ml_min == (pytest.approx(high) if passed else 0.0)
    assert (high > 0.0) == passed
