"""Where each limit lies: what is decided at the very figure, and what right beside it."""

from math import inf, nextafter

import pytest

from rules.channels import (
    BOOST,
    COMMANDED,
    CONFIRMED_CEILING,
    CONFIRMED_RETARD,
    DELIVERED,
    ENGINE_SPEED,
    KNOCK,
    TANK,
    Sample,
)
from rules.facts import Action, ChannelTerms, CommandKind, Limit
from rules.guard import Guard
from rules.step import learning, rig_doubts
from rules.step.boost_and_command import command_disagrees
from rules.step.constants import Constants
from rules.step.followed import not_followed
from rules.step.from_rig import constants_of
from rules.step.health import advance_clock, logger_changes_state, may_stand_still_s
from rules.step.hydraulics import full_flow_ml_min
from rules.step.ladder import blind_level, debt_level, hold_level, release, size_action
from rules.step.lasting import lasting
from rules.step.limits import limits_level
from rules.step.state import (
    COARSE,
    CUT,
    HEALTHY,
    HOLDS,
    IMPLAUSIBLE,
    LATE_SAMPLES,
    NO_ACTION,
    NO_COMMAND,
    NO_DOUBT,
    NOISY,
    NOT_FOLLOWED,
    PULL,
    READS_HIGH,
    READS_LOW,
    TANK_LOW,
    UNASKED_FLOW,
    UNDER_DELIVERY,
    WARN,
    State,
)
from rules.step.step import fresh_state
from rules.step.surplus import surplus_level
from rules.step.watch import dry_response, tank_level_low, watch
from tests.kit.rigs import ALL_CHANNELS, of_kind, rig, terms

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
    s.value[COMMANDED] = s.commanded_ml_min = s.bank_most_ml_min = 500.0
    s.can_judge = 1.0
    s.tank_s = inf
    return k, s


def accused(evidence: float, flow_evidence: float = 0.0, debt_ml: float = 0.0) -> float:
    """Return what evidence, in limits, and debt, in cuts, ask for where nothing is in force."""
    k, s = in_boost()
    s.evidence, s.flow_evidence = evidence, flow_evidence
    s.debt_ml = debt_ml
    return debt_level(k, s, DT_S)


def test_evidence_warns_pulls_and_cuts_from_the_very_limit_on() -> None:
    """Each limit is a figure from which on something is done; boost is cut by the flow alone."""
    k, _ = in_boost()
    limit, warns, cut = k.limit_nats, k.warn_nats, k.cut_ml
    assert [accused(e) for e in (below(warns), warns)] == [NO_ACTION, WARN]
    assert [accused(e) for e in (below(limit), limit)] == [WARN, PULL]
    assert [accused(limit, warns, debt) for debt in (below(cut), cut)] == [PULL, CUT]
    assert accused(limit, below(warns), cut) == PULL
    assert accused(below(limit), below(limit), cut) == WARN


def test_a_warning_stays_above_half_of_what_raised_it() -> None:
    """At half of it, it is over."""
    k, s = in_boost()
    s.level[UNDER_DELIVERY] = WARN
    for evidence, asked in ((0.5 * k.warn_nats, NO_ACTION), (above(0.5 * k.warn_nats), WARN)):
        s.evidence = evidence
        assert debt_level(k, s, DT_S) == asked


def test_a_shortfall_that_outlasts_a_pull_cuts_boost() -> None:
    """Longer than 0.5 s, of time alone in which spray is due and the flow confirms it."""
    k, s = in_boost()
    s.evidence = s.flow_evidence = k.limit_nats
    s.level[UNDER_DELIVERY] = PULL
    assert [debt_level(k, s, DT_S) for _ in range(3)] == [PULL, PULL, CUT]
    s.pulled_s = 0.5
    s.bank_most_ml_min = 0.0
    assert debt_level(k, s, DT_S) == PULL
    s.bank_most_ml_min, s.flow_evidence = 500.0, below(k.warn_nats)
    assert (debt_level(k, s, DT_S), s.pulled_s) == (PULL, 0.5)
    s.flow_evidence, s.level[UNDER_DELIVERY] = k.limit_nats, WARN
    assert (debt_level(k, s, DT_S), s.pulled_s) == (PULL, 0.5)


def test_a_warning_clears_after_its_quiet_time() -> None:
    """After 0.5 s without anything, and that begins anew with each asking."""
    k, s = in_boost()
    hold_level(k, s, TANK_LOW, WARN, DT_S)
    hold_level(k, s, TANK_LOW, NO_ACTION, DT_S)
    hold_level(k, s, TANK_LOW, WARN, DT_S)
    s.changed = 0.0
    hold_level(k, s, TANK_LOW, NO_ACTION, DT_S)
    assert (s.level[TANK_LOW], s.changed) == (WARN, 0.0)
    hold_level(k, s, TANK_LOW, NO_ACTION, DT_S)
    assert (s.level[TANK_LOW], s.changed) == (NO_ACTION, 1.0)


def test_release_counts_time_below_its_boost() -> None:
    """At that boost itself nothing is released; below it, after the whole time."""
    k, s = in_boost()
    s.action = s.level[UNDER_DELIVERY] = PULL
    s.debt_ml = s.excess_ml = s.surplus = s.pulled_s = s.held_missing = s.acknowledged = 1.0
    for _ in range(8):
        s.value[BOOST] = k.release_below_kpa
        release(k, s, DT_S)
    assert (s.level[UNDER_DELIVERY], s.low_boost_s) == (PULL, 0.0)
    s.value[BOOST] = below(k.release_below_kpa)
    release(k, s, DT_S)
    assert s.level[UNDER_DELIVERY] == PULL
    s.changed = 0.0
    release(k, s, DT_S)
    assert (s.level[UNDER_DELIVERY], s.changed) == (NO_ACTION, 1.0)
    left = (s.debt_ml, s.excess_ml, s.surplus, s.pulled_s, s.held_missing, s.acknowledged)
    assert left == (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def test_a_gap_brings_release_no_nearer_than_half_a_second() -> None:
    """What boost did in it is not known."""
    k, s = in_boost()
    s.action, s.value[BOOST] = PULL, 0.0
    release(k, s, 8.0)
    assert s.low_boost_s == k.longest_step_s == 0.5


def test_blindness_acts_after_its_time_from_the_onset_on() -> None:
    """Longer than 0.5 s, at the onset itself too, and a little below it only warns."""
    k, s = in_boost()
    s.usable[DELIVERED] = 0.0
    s.value[BOOST] = k.onset_kpa
    assert [blind_level(k, s, DT_S) for _ in range(3)] == [NO_ACTION, NO_ACTION, k.on_blind]
    s.value[BOOST] = below(k.onset_kpa)
    assert (blind_level(k, s, DT_S), s.blind_s) == (WARN, 0.0)


def test_more_timing_than_may_be_pulled_cuts_boost() -> None:
    """Ten degrees are paid for at 150 kPa; twelve with the margin are wanted."""
    for most_deg, action in ((12.0, PULL), (below(12.0), CUT)):
        k, s = in_boost()
        k.margin, k.max_retard_deg = 1.2, most_deg
        s.level[NO_COMMAND] = PULL
        size_action(k, s, DT_S)
        assert (s.action, s.retard_deg) == (action, most_deg)


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


def test_no_command_is_missed_from_its_boost_on() -> None:
    """At 100 kPa, where less than the floor is commanded; at the floor itself something is."""
    for boost_kpa, commanded, asked in (
        (100.0, below(20.0), CUT),
        (below(100.0), below(20.0), NO_ACTION),
        (100.0, 20.0, NO_ACTION),
    ):
        k, s = in_boost()
        s.value[BOOST], s.value[COMMANDED] = boost_kpa, commanded
        watch(k, s, DT_S)
        watch(k, s, DT_S)
        assert s.asked[NO_COMMAND] == asked
        for column in (BOOST, COMMANDED):
            k, s = in_boost()
            s.value[BOOST], s.value[COMMANDED] = boost_kpa, commanded
            s.usable[column] = 0.0
            watch(k, s, DT_S)
            watch(k, s, DT_S)
            assert s.asked[NO_COMMAND] == NO_ACTION


def test_an_engine_that_gets_nothing_is_cut_above_the_dry_limit() -> None:
    """At the limit timing alone is enough."""
    k, s = in_boost()
    for boost_kpa, action in ((k.dry_limit_kpa, PULL), (above(k.dry_limit_kpa), CUT)):
        s.value[BOOST] = boost_kpa
        assert dry_response(k, s) == action


def test_a_tank_is_low_below_its_reserve_and_its_time() -> None:
    """300 mL are the reserve itself; 500 mL at 500 mL/min last 60 s, which is enough."""
    for tank_ml, delivered, low in (
        (300.0, 0.0, False),
        (below(300.0), 0.0, True),
        (500.0, 500.0, False),
        (499.0, 500.0, True),
    ):
        k, s = in_boost()
        s.value[TANK], s.value[DELIVERED] = tank_ml, delivered
        assert tank_level_low(k, s, DT_S) is low
        s.can_judge = 0.0
        assert tank_level_low(k, s, DT_S) is False
        assert s.tank_s == inf


def test_flow_up_to_four_floors_is_no_use_of_the_tank() -> None:
    """80 mL/min may be noise."""
    k, s = in_boost()
    s.value[TANK], s.value[DELIVERED] = 4000.0, 80.0
    tank_level_low(k, s, DT_S)
    assert (s.use_ml_min, s.tank_s) == (0.0, inf)
    s.value[DELIVERED] = above(80.0)
    tank_level_low(k, s, DT_S)
    assert s.tank_s == pytest.approx(3000.0)


def test_ten_late_samples_are_told_of_and_forgotten() -> None:
    """More than ten within some seconds."""
    k, s = in_boost()
    s.late_count = 10.0
    watch(k, s, 0.0)
    assert s.asked[LATE_SAMPLES] == NO_ACTION
    s.late_count = above(10.0)
    watch(k, s, 0.0)
    assert s.asked[LATE_SAMPLES] == WARN
    watch(k, s, 5.0)
    assert s.late_count == pytest.approx(10.0 / 2.718, rel=5e-3)
    assert s.asked[LATE_SAMPLES] == NO_ACTION


def test_a_surplus_is_over_delivery_from_its_volume_on() -> None:
    """From the limit of evidence on; unasked where no more than the floor is due."""
    k, s = in_boost()
    for surplus, excess_ml, due, asked in (
        (k.limit_nats, 2.0, above(k.floor_ml_min), k.over_action),
        (k.limit_nats, below(2.0), above(k.floor_ml_min), NO_ACTION),
        (below(k.limit_nats), 2.0, above(k.floor_ml_min), NO_ACTION),
        (k.limit_nats, 0.0, k.floor_ml_min, WARN),
    ):
        s.surplus, s.excess_ml, s.bank_most_ml_min = surplus, excess_ml, due
        s.asked[UNASKED_FLOW] = NO_ACTION
        assert surplus_level(k, s) == asked
    assert s.asked[UNASKED_FLOW] == WARN
    s.bank_most_ml_min = 500.0  # what came unasked is no excess over what is asked now
    assert (surplus_level(k, s), s.surplus, s.excess_ml) == (NO_ACTION, 0.0, 0.0)


def test_a_logged_command_disagrees_beyond_its_share() -> None:
    """Away from the onset, by more than the share of full flow that the rig allows."""
    k, s = in_boost(CommandKind.FIXED)
    k.law_column, k.disagree_ml_min, k.cross_check_for_s = COMMANDED, 128.0, 0.0
    for law, logged, boost_kpa, disagrees in (
        (256.0, 384.0, 150.0, False),
        (256.0, above(384.0), 150.0, True),
        (256.0, 128.0, 150.0, False),
        (256.0, below(128.0), 150.0, True),
        (256.0, 0.0, k.onset_kpa + 10.0, True),
        (256.0, 0.0, k.onset_kpa + 9.99, False),
        (256.0, 0.0, k.onset_kpa - 10.0, True),
    ):
        s.commanded_ml_min = s.law_lagged_ml_min = law
        s.value[COMMANDED], s.value[BOOST] = logged, boost_kpa
        assert (command_disagrees(k, s, DT_S) > NO_ACTION) is disagrees
    # A controller may ask for more than there is.
    full = full_flow_ml_min(k, 150.0)
    s.value[BOOST], s.value[COMMANDED] = 150.0, 2.0 * full
    s.commanded_ml_min = s.law_lagged_ml_min = full - 128.0
    assert command_disagrees(k, s, DT_S) == NO_ACTION


def test_a_retard_is_confirmed_to_the_degree_and_in_time() -> None:
    """Eight degrees asked for, one of tolerance: seven confirm it; a reading lost confirms none."""
    for usable, confirmed_deg, asked in (
        (1.0, 7.0, NO_ACTION),
        (1.0, below(7.0), CUT),
        (0.0, 8.0, CUT),
    ):
        k, s = in_boost()
        k.confirmed_retard_column, k.confirmed_ceiling_column = CONFIRMED_RETARD, 0
        k.confirm_within_s, k.confirm_deg, k.not_followed_action = 0.5, 1.0, CUT
        s.retard_deg = 8.0
        s.value[CONFIRMED_RETARD], s.usable[CONFIRMED_RETARD] = confirmed_deg, usable
        # The first row notes the retard; it is due once it was asked for longer than 0.5 s.
        assert [not_followed(k, s, DT_S) for _ in range(3)] == [NO_ACTION] * 3
        assert not_followed(k, s, DT_S) == s.asked[NOT_FOLLOWED] == asked
        s.value[BOOST] = below(k.onset_kpa)
        assert not_followed(k, s, DT_S) == NO_ACTION
        s.usable[BOOST] = 0.0
        assert not_followed(k, s, DT_S) == asked


def test_a_ceiling_is_confirmed_to_the_kilopascal_and_in_time() -> None:
    """A ceiling of 80 kPa, 5 of tolerance: 85 confirm it."""
    for usable, confirmed_kpa, asked in (
        (1.0, 85.0, NO_ACTION),
        (1.0, above(85.0), CUT),
        (0.0, 80.0, CUT),
    ):
        k, s = in_boost()
        k.confirmed_retard_column, k.confirmed_ceiling_column = 0, CONFIRMED_CEILING
        k.confirm_within_s, k.confirm_kpa, k.not_followed_action = 0.5, 5.0, CUT
        s.boost_ceiling_kpa = 80.0
        s.value[CONFIRMED_CEILING], s.usable[CONFIRMED_CEILING] = confirmed_kpa, usable
        assert [not_followed(k, s, DT_S) for _ in range(2)] == [NO_ACTION] * 2
        assert not_followed(k, s, DT_S) == asked
        s.boost_ceiling_kpa = inf
        assert (not_followed(k, s, DT_S), s.cut_s) == (NO_ACTION, 0.0)


def test_a_rig_is_doubted_beyond_what_it_allows() -> None:
    """Held, coarse, noisy, low, high: each at its own figure."""
    k = constants_of(rig(flow_sensor={"refresh_s": 0.125}))
    for doubt, name, fits, does_not in (
        (HOLDS, "holds_s", 0.1875, above(0.1875)),
        (COARSE, "flow_step_ml_min", 1.3 * k.floor_ml_min, above(1.3 * k.floor_ml_min)),
        (NOISY, "noise_sq", 4.0 * k.noise_sq, above(4.0 * k.noise_sq)),
        (READS_LOW, "gain", above(k.lowest_gain), k.lowest_gain),
        (READS_HIGH, "gain", below(k.highest_gain), k.highest_gain),
    ):
        s = fresh_state(k)
        setattr(s, name, fits)
        assert rig_doubts.doubt_now(k, s) == NO_DOUBT
        setattr(s, name, does_not)
        assert rig_doubts.doubt_now(k, s) == doubt


def test_a_coarse_step_counts_from_half_the_floor_on() -> None:
    """A finer one is lost in the floor's noise; a coarser one may hide half of itself."""
    k = constants_of(rig())
    for step, rounding in ((10.0, 0.0), (above(10.0), 5.0), (40.0, 20.0), (50.0, 20.0)):
        s = fresh_state(k)
        s.learned_s, s.flow_step_ml_min = 3.0, step
        rig_doubts.doubt_rig(k, s, DT_S)
        assert s.rounding_ml_min == pytest.approx(rounding)
    s.learned_s, s.rounding_ml_min = below(3.0), 0.0
    rig_doubts.doubt_rig(k, s, DT_S)
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
    s.changes[column], s.pause_s[column] = 0.0, 0.25
    assert may_stand_still_s(k, s, column) == pytest.approx(0.875)
    s.still_s[column] = 0.5
    assert may_stand_still_s(k, s, column) == 0.5


def test_what_is_forgotten_is_all_that_was_learned() -> None:
    """Whatever was learned, a guard knows no more of the car than its rig says."""
    k = constants_of(rig())
    s, fresh = fresh_state(k), fresh_state(k)
    names = [name for name in State.names() if name.startswith(LEARNED)]
    assert len(names) > 20
    for name in names:
        setattr(s, name, 0.5)
    learning.forget(k, s)
    assert {n: getattr(s, n) for n in names} == {n: getattr(fresh, n) for n in names}


LEARNED = (
    *("gain", "doubt", "noise", "floor_sq", "rounding_ml_min", "covariance", "mean_residual"),
    *("entry_usual_s", "learned_s", "holds_s", "flow_step_ml_min", "shortest_rows", "rig_doubt"),
    *("line_gain", "line_doubt", "line_noise", "line_covariance", "line_step_s", "line_learned_s"),
    *("charge_off", "charge_rise", "charge_doubt", "charge_learned_s"),
)
