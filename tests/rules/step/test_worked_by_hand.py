"""The arithmetic of a decision held against figures worked out by hand."""

from math import exp, inf, sqrt

import pytest

from rules.channels import (
    BOOST,
    COMMANDED,
    DELIVERED,
    ENGINE_SPEED,
    INJECTOR_DUTY,
    LINE,
    TANK_SWITCH,
    Sample,
)
from rules.facts import CommandKind
from rules.guard import Guard
from rules.step.arithmetic import kept_share
from rules.step.boost_and_command import boost_contradicted, command_disagrees
from rules.step.evidence import judge_entry, weigh
from rules.step.expectation import delayed_flow_ml_min, expect
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min, line_due_kpa
from rules.step.learning import doubt_after, lasts_s, learn, line_doubt_after, note_hold
from rules.step.line import learn_line, line_missing_now, move_line
from rules.step.state import (
    CUT,
    LATE_SAMPLES,
    NO_ACTION,
    NO_COMMAND,
    NOT_FOLLOWED,
    TANK_LOW,
    WARN,
    State,
)
from rules.step.surplus import weigh_surplus
from rules.step.watch import tank, watch
from rules.step.witnesses import weigh_witnesses
from tests.kit.rigs import ALL_CHANNELS, NAN, rig, terms
from tests.rules.step.test_at_the_limit import DT_S, above, in_boost

# -- line --------------------------------------------------------------------------------------


def test_what_a_line_is_due_falls_quickly_and_rises_slowly() -> None:
    """And the most that may be due the other way round; more or less command widens both."""
    k, s = in_boost()
    k.regulated_kpa = k.shut_off_kpa  # no regulator
    s.full_now_ml_min = full = full_flow_ml_min(k, 150.0)
    shut_kpa = line_due_kpa(k, 150.0, 0.0, full)
    open_kpa = line_due_kpa(k, 150.0, full, full)
    back_kpa = 150.0 + k.check_valve_kpa
    assert shut_kpa == k.shut_off_kpa
    assert open_kpa == pytest.approx(back_kpa + full * full / k.conductance_sq)
    half_kpa = line_due_kpa(k, 150.0, 0.5 * full, full)
    assert half_kpa == pytest.approx(0.5 * (open_kpa + shut_kpa))
    s.value[LINE], s.commanded_ml_min = 900.0, full
    move_line(k, s, 0.125)
    assert s.line_lagged_kpa == pytest.approx(open_kpa)
    kept = kept_share(0.125, k.line_settles_lag_s)
    assert s.line_most_kpa == pytest.approx(open_kpa + (shut_kpa - open_kpa) * kept)
    s.line_lagged_kpa = open_kpa + 100.0
    move_line(k, s, 0.125)
    quick = kept_share(0.125, k.line_lag_s)
    assert s.line_lagged_kpa == pytest.approx(open_kpa + 100.0 * quick)
    s.line_lagged_kpa = open_kpa - 100.0
    move_line(k, s, 0.125)
    assert s.line_lagged_kpa == pytest.approx(open_kpa - 100.0 * kept)
    s.line_most_kpa = 0.0
    move_line(k, s, 0.125)
    assert s.line_most_kpa == pytest.approx(open_kpa)
    # Half is commanded, or a quarter more or less.
    s.commanded_ml_min, s.less_ml_min, s.more_ml_min = 0.5 * full, 0.25 * full, 0.125 * full
    s.line_lagged_kpa = s.line_most_kpa = 0.0
    move_line(k, s, 0.125)
    assert s.line_most_kpa == pytest.approx(line_due_kpa(k, 150.0, 0.25 * full, full))
    due_kpa = line_due_kpa(k, 150.0, 0.625 * full, full)
    assert s.line_lagged_kpa == pytest.approx(due_kpa * (1.0 - kept))


def test_which_share_a_line_says_is_missing() -> None:
    """Low, by the root of the pressure across the nozzles; high, by the pump's curve."""
    k, s = in_boost()
    k.regulated_kpa, k.shut_off_kpa, k.check_valve_kpa = 1000.0, 1600.0, 10.0
    s.line_due_kpa, s.line_gain = 960.0, 1.0
    for read_kpa, high, missing in (
        (960.0, 0.0, 0.0),
        (360.0, 0.0, 0.5),
        (100.0, 0.0, 1.0),
        (960.0, 1.0, 0.0),
        (992.0, 1.0, 0.05),
        (1000.0, 1.0, 1.0),
    ):
        s.value[LINE], s.line_high = read_kpa, high
        assert line_missing_now(k, s) == pytest.approx(missing)
    s.line_gain, s.value[LINE], s.line_due_kpa = 0.5, 496.0, 480.0
    assert line_missing_now(k, s) == pytest.approx(0.05)
    k.regulated_kpa = inf
    s.line_gain, s.value[LINE], s.line_due_kpa = 1.0, 5000.0, 960.0
    assert line_missing_now(k, s) == 1.0


def test_a_line_s_level_ripple_and_noise_are_learned() -> None:
    """What the rig says counts as 10 s, and no more than the last 30 s are remembered."""
    k, s = in_boost()
    k.line_noise_sq, k.line_correlation_s, k.line_gain_within = 0.01, 0.05, 0.25
    s.line_noise_sq, s.line_noise_lasts_s, s.line_gain = 0.01, 0.05, 1.0
    learn_line(k, s, 0.2, 0.1, 0.05)
    weight = 0.05 / 10.05
    assert (s.line_learned_s, s.line_step_s) == (0.05, 0.05)
    assert s.line_gain == pytest.approx(1.0 + weight * 0.2)
    assert s.line_covariance == pytest.approx(0.005 + weight * (0.02 - 0.005))
    assert s.line_noise_sq == pytest.approx(0.01 + weight * (0.04 - 0.01))
    assert s.line_doubt == line_doubt_after(k, 0.05)
    s.line_learned_s, s.line_gain, s.line_noise_sq, s.line_covariance = 50.0, 1.0, 0.01, 0.008
    learn_line(k, s, -9.0, -9.0, 0.3)
    weight = 0.3 / 30.0
    assert s.line_gain == pytest.approx(1.0 - weight * 0.3)  # three deviations
    assert s.line_covariance == pytest.approx(0.008 + weight * (0.09 - 0.008))
    assert s.line_step_s == pytest.approx(0.05 + weight * 0.25)
    kept = s.line_covariance / s.line_noise_sq
    assert s.line_noise_lasts_s == pytest.approx(s.line_step_s * kept / (1.0 - kept))
    for residual, bound in ((0.0, 0.25), (1e9, 16.0)):
        for _ in range(200):
            s.line_learned_s = 0.0
            learn_line(k, s, residual, residual, 5.0)
        assert s.line_noise_sq == pytest.approx(bound * 0.01)
        assert s.line_noise_lasts_s >= 0.05  # no less than the rig's


# -- flow --------------------------------------------------------------------------------------


def test_gain_noise_and_their_doubt_are_learned() -> None:
    """What the rig says counts as 10 s; the noise is that about the mean, less the floor's."""
    k, s = in_boost()
    k.least_noise_sq, k.most_noise_sq = 0.0, 1.0
    s.noise, s.noise_sq, s.noise_lasts_s, s.gain = 0.1, 0.01, 0.05, 1.0
    s.residual_1, s.residual_2 = 0.1, 0.05
    learn(k, s, 0.2, 0.0004, 0.05)
    weight = 0.05 / 10.05
    assert (s.learned_s, s.entry_usual_s) == (0.05, 0.05)
    assert s.gain == pytest.approx(min(1.0 + weight * 0.2, k.highest_gain))
    assert s.doubt == doubt_after(k, 0.05)
    assert s.mean_residual == pytest.approx(0.01 * 0.2)
    assert s.covariance == pytest.approx(0.005 + weight * (0.02 - 0.005))
    assert s.covariance_2 == pytest.approx(0.0025 + weight * (0.01 - 0.0025))
    lasts_sq = s.covariance**2 / s.covariance_2
    assert s.floor_part == pytest.approx(1.0 + (0.01 - lasts_sq) / 0.0004)
    assert 0.2 < s.floor_part < 0.8
    left_sq = lasts_sq + weight * (0.04 - s.floor_part * 0.0004 - lasts_sq)
    assert s.noise_sq == pytest.approx(left_sq)
    assert s.noise == sqrt(s.noise_sq)
    assert s.noise_lasts_s == lasts_s(s.covariance, s.noise_sq, s.entry_usual_s)
    s.learned_s, s.gain, s.noise, s.noise_sq, s.mean_residual = 50.0, 1.0, 0.1, 0.01, 0.05
    s.covariance = 0.005
    s.residual_1, s.residual_2, s.covariance_2 = -9.0, 9.0, -1.0
    learn(k, s, -9.0, 0.0004, 0.3)
    assert s.floor_part == 0.0  # what isn't alike two entries on doesn't last at all
    weight = 0.3 / 30.0
    most = 3.0 * (0.1 + 0.02)
    assert s.gain == pytest.approx(1.0 - weight * most)
    assert s.mean_residual == pytest.approx(0.05 - 0.06 * most)
    assert s.covariance == pytest.approx(0.005 + weight * (most * most - 0.005))
    assert s.entry_usual_s == pytest.approx(0.05 + weight * 0.25)


def test_doubts_halve_towards_what_is_never_learned_away() -> None:
    """Of 10 % of gain 4 % stay: 7 % after ten seconds; of the line's alike."""
    k, _ = in_boost()
    k.gain_within, k.least_doubt, k.line_gain_within = 0.1, 0.04, 0.1
    for doubt in (doubt_after, line_doubt_after):
        assert [doubt(k, s) for s in (0.0, 10.0, 30.0)] == pytest.approx([0.1, 0.07, 0.055])


def test_how_long_noise_lasts_follows_from_what_goes_on_to_the_next() -> None:
    """Half of it after 50 ms: 50 ms. Never below nil, and no more than 250 ms."""
    assert lasts_s(0.5, 1.0, 0.05) == pytest.approx(0.05)
    assert lasts_s(-0.5, 1.0, 0.05) == 0.0
    assert lasts_s(2.0, 1.0, 0.001) == pytest.approx(0.001 * 0.97 / 0.03)
    assert lasts_s(2.0, 1.0, 0.1) == 0.25


def test_a_hold_is_the_shortest_stand_still_by_more_than_a_step() -> None:
    """Three rows of 20 ms, then two; a longer one only makes it forget by 5 %."""
    s = State()
    note_hold(s, 400.0, 0.02)
    for flow, rows, holds_s in (
        (404.0, 3, 0.0),  # no more than a step
        (424.0, 3, 0.06),
        (404.0, 2, 0.04),
        (430.0, 4, 0.042),
    ):
        for _ in range(rows - 1):
            note_hold(s, s.held_ml_min, 0.02)
        note_hold(s, flow, 0.02)
        assert s.holds_s == pytest.approx(holds_s)
        assert (s.held_ml_min, s.held_s, s.held_rows) == (flow, 0.0, 0.0)
    assert s.flow_step_ml_min == pytest.approx(4.0 * 1.05**3)
    assert s.shortest_rows == pytest.approx(2.1)
    note_hold(s, 430.0, 9.0)
    note_hold(s, 437.0, 9.0)  # 1.44 of the smallest step: a coarse reading's
    assert s.holds_s == pytest.approx(0.042)
    note_hold(s, 437.0, 9.0)
    note_hold(s, 700.0, 9.0)
    assert s.holds_s == 0.5  # no longer than that
    note_hold(s, 600.0, 0.02)
    assert (s.holds_s, s.shortest_rows) == (0.0, 1.0)


def test_a_reading_that_is_held_is_gathered() -> None:
    """By the rig's refresh period or the hold that was learned; else each row is an entry."""
    for refresh_s, holds_s, gathered in ((0.25, 0.0, True), (0.0, 0.25, True), (0.0, 0.0, False)):
        k, s = in_boost()
        k.refresh_s, s.holds_s = refresh_s, holds_s
        s.car_ml_min[:] = [500.0] * len(s.car_ml_min)
        weigh(k, s, 400.0, 0.125)
        assert (s.entry_s, s.residual[0]) == ((0.125, 0.0) if gathered else (0.0, -0.2))
        assert s.read_before_ml_min == (0.0 if gathered else 400.0)
        s.bank_most_ml_min = k.floor_ml_min  # no more than none: all stands still
        weigh(k, s, 300.0, 0.0625)
        assert (s.entry_s, s.residual[0]) == ((0.125, 0.0) if gathered else (0.0, -0.2))


def test_a_reading_above_is_noted_where_all_cars_agree() -> None:
    """A tenth above, a twentieth of which may be the gain."""
    k, s = in_boost()
    s.doubt, s.surplus = 0.05, 8.0
    s.entry_ml_min[:] = [500.0] * len(s.entry_ml_min)
    judge_entry(k, s, 550.0, 0.3)
    assert s.up_sq == pytest.approx(0.5 * 2.0 * 0.0025)
    s.up_sq, s.entry_ml_min[0] = 0.0, 500.0 * 1.06
    judge_entry(k, s, 550.0, 0.3)
    assert s.up_sq == 0.0


def test_a_surplus_is_what_lies_above_the_most_that_may_be_read() -> None:
    """Whitened, as a share of full flow; its volume in mL; below it nothing begins."""
    k, s = in_boost()
    k.limit_nats = 1e9
    s.most_ml_min, s.noise_lasts_s, s.noise_sq, s.floor_sq = 300.0, 0.1, 0.01, 25.0
    weigh_surplus(k, s, 300.0, 0.1)
    assert (s.surplus, s.surplus_residual) == (0.0, 0.0)
    full = k.full_ml_min
    s.surplus_residual = 0.25
    s.account[:] = [500.0] * len(s.account)
    weigh_surplus(k, s, 300.0 + 0.5 * full, 0.1)
    off = 0.5 * 0.25 - 0.5
    variance = 0.01 * 0.75 * (300.0 / full) ** 2 + 25.0 * 1.25 / (full * full)
    shift = k.size[3] * 0.5
    assert s.surplus == pytest.approx(500.0 - shift * (off + 0.5 * shift) / variance)
    assert s.excess_ml == pytest.approx(0.5 * full * 0.1 / 60.0)
    assert s.surplus_residual == pytest.approx(0.5)
    weigh_surplus(k, s, 0.0, 0.1)
    assert s.surplus_residual == 0.0
    assert s.excess_ml == pytest.approx(max(0.0, (0.5 * full - 300.0) * 0.1 / 60.0))
    weigh_surplus(k, s, 300.0 + 0.5 * full, 8.0)  # a gap counts as half a second
    assert s.excess_ml < full * 0.6 / 60.0


def test_a_delayed_command_is_read_between_rows() -> None:
    """By time, between the two rows it lies between; the oldest stands in for all before."""
    k, s = in_boost()
    k.delay_s = 0.25
    s.ring_last = 2.0
    s.ring_time_s[:3] = [1.0, 2.0, 3.0]
    s.ring_low_ml_min[:3] = [100.0, 200.0, 400.0]
    s.commanded_ml_min = 800.0
    for clock_s, flow in ((1.0, 100.0), (2.0, 175.0), (2.5, 250.0), (3.25, 400.0), (4.0, 700.0)):
        s.clock_s, s.ring_read_nominal = clock_s, 0.0
        assert delayed_flow_ml_min(k, s) == pytest.approx(flow)
    k.lag_s, s.clock_s, s.expected_ml_min, s.delayed_ml_min = 0.5, 4.0, 100.0, 500.0
    expect(k, s, 0.25)
    assert s.expected_ml_min == pytest.approx(600.0 - 500.0 * kept_share(0.25, 0.5))
    assert s.delayed_ml_min == pytest.approx(700.0)


# -- what is watched beside it -------------------------------------------------------------------


def test_petrol_speaks_for_the_air_it_burns() -> None:
    """At 6000 rpm and half duty an injector is open for 10 ms, 1 of which is dead."""
    k, s = in_boost()
    k.dead_time_ms, k.air_kpa_a_ms, k.ambient_kpa, k.contradicted_by = 1.0, 20.0, 100.0, 1.5
    k.cross_check_for_s, k.onset_kpa = 0.0, 50.0
    s.value[ENGINE_SPEED], s.value[INJECTOR_DUTY] = 6000.0, 50.0
    s.air_level = 1.125
    for boost_kpa, contradicts in ((6.0, True), (7.0, False)):
        s.value[BOOST], s.air_level = boost_kpa, 1.125
        assert (boost_contradicted(k, s, DT_S) > NO_ACTION) is contradicts
        assert s.duty_boost_kpa == pytest.approx(60.0)
    assert s.air_level == pytest.approx(1.125 + (1.8 - 1.125) * 0.25 / 20.0)  # within bounds
    k.onset_kpa = above(60.0)
    s.value[BOOST], s.air_level = -98.0, 1.125
    assert boost_contradicted(k, s, 8.0) == NO_ACTION
    assert s.air_level == pytest.approx(1.125 + (1.8 - 1.125) * 0.5 / 20.0)  # within bounds
    s.value[BOOST], s.air_level = 50.0, 1.125  # a cruise: below the onset, so leaner by 15 %
    boost_contradicted(k, s, 8.0)
    assert s.air_level == pytest.approx(1.125 + (1.15 * 180.0 / 150.0 - 1.125) * 0.5 / 20.0)
    s.value[BOOST], s.air_level = 80.0, 1.125  # under load
    boost_contradicted(k, s, 8.0)
    assert s.air_level == pytest.approx(1.125 + (180.0 / 180.0 - 1.125) * 0.5 / 20.0)
    s.value[BOOST], s.air_level = 400.0, 1.125
    boost_contradicted(k, s, 8.0)
    assert s.air_level == pytest.approx(1.125 + (0.6 - 1.125) * 0.5 / 20.0)
    for column in (BOOST, INJECTOR_DUTY, ENGINE_SPEED):
        s.usable[column] = 0.0
        boost_contradicted(k, s, DT_S)
        assert s.duty_boost_kpa != s.duty_boost_kpa
        s.usable[column] = 1.0
    s.value[INJECTOR_DUTY] = 7.5  # on overrun hardly anything is injected: 10 kPa of air
    boost_contradicted(k, s, DT_S)
    assert s.duty_boost_kpa != s.duty_boost_kpa
    s.value[INJECTOR_DUTY] = 7.6
    boost_contradicted(k, s, DT_S)
    assert s.duty_boost_kpa == s.duty_boost_kpa
    s.value[ENGINE_SPEED] = 0.0
    boost_contradicted(k, s, DT_S)
    assert s.duty_boost_kpa != s.duty_boost_kpa


def test_a_command_s_rule_is_lagged_by_a_fifth_of_a_second() -> None:
    """The rule now and a lag ago are both good, and all between them."""
    k, s = in_boost(CommandKind.FIXED)
    k.law_column, k.disagree_ml_min, k.cross_check_for_s = COMMANDED, 10.0, 0.0
    s.commanded_ml_min, s.law_lagged_ml_min, s.value[COMMANDED] = 500.0, 0.0, 300.0
    assert command_disagrees(k, s, 0.1) == NO_ACTION
    assert s.law_lagged_ml_min == pytest.approx(500.0 * (1.0 - exp(-0.5)), abs=0.1)


def test_a_switch_must_read_low_for_three_seconds() -> None:
    """A level for one; a switch that isn't usable says nothing, and its time begins anew."""
    k, s = in_boost()
    s.value[TANK_SWITCH] = 1.0
    k.tank_column = 0
    asked = [tank(k, s, DT_S) for _ in range(13)]
    assert asked == [NO_ACTION] * 12 + [WARN]
    s.usable[TANK_SWITCH] = 0.0
    assert (tank(k, s, DT_S), s.switch_low_s) == (NO_ACTION, 0.0)
    s.usable[TANK_SWITCH] = 1.0
    assert (tank(k, s, DT_S), s.switch_low_s) == (NO_ACTION, 0.25)
    s.value[TANK_SWITCH] = 0.0
    tank(k, s, DT_S)
    assert (s.switch_low_s, s.for_s[TANK_LOW]) == (0.0, 0.0)
    k, s = in_boost()
    k.switch_column = 0
    assert [tank(k, s, DT_S) for _ in range(5)] == [NO_ACTION] * 4 + [WARN]  # 0 mL


@pytest.mark.parametrize("column", ["confirmed_retard_column", "confirmed_ceiling_column"])
def test_one_confirmation_is_enough_to_be_held_to(column: str) -> None:
    """Of timing or of the ceiling, whichever the rig maps."""
    k, s = in_boost()
    k.confirmed_retard_column = k.confirmed_ceiling_column = 0
    setattr(k, column, DELIVERED)
    k.confirm_within_s, k.confirm_deg, k.confirm_kpa, k.not_followed_action = 0.0, 0.0, 0.0, CUT
    s.retard_deg, s.boost_ceiling_kpa = 8.0, 80.0
    s.usable[DELIVERED] = 0.0
    for _ in range(3):
        watch(k, s, DT_S)
    assert s.asked[NOT_FOLLOWED] == CUT


def test_every_witness_counts_from_its_last_reading_on() -> None:
    """A flow that has not come anew says nothing; then all of the time since is weighed."""
    k, s = in_boost()
    k.line_column = k.cooled_column = 0
    s.car_ml_min[:] = [500.0] * len(s.car_ml_min)
    s.value[DELIVERED], s.age_s[DELIVERED], s.unread_s = 400.0, 0.25, 0.25
    weigh_witnesses(k, s, DT_S)
    assert (s.unread_s, s.evidence, s.residual[0]) == (0.25, 0.0, 0.0)
    s.age_s[DELIVERED] = 0.0
    weigh_witnesses(k, s, DT_S)
    assert s.unread_s == 0.0
    assert s.residual[0] == pytest.approx(-0.2)
    assert s.evidence == s.flow_evidence > 0.0
    k.line_column, s.line_evidence, s.age_s[LINE] = LINE, 8.0, 1.0
    for wrong, more in ((0.0, 8.0), (1.0, 0.0)):
        s.line_wrong = wrong
        weigh_witnesses(k, s, DT_S)
        assert s.evidence == s.flow_evidence + more


def test_late_samples_are_counted_one_by_one() -> None:
    """Eleven at once are told of, ten are not; a reading that isn't usable isn't shown."""
    for late, level in ((10, NO_ACTION), (11, WARN)):
        guard = Guard(rig(channels=terms(*ALL_CHANNELS)))
        good = {"boost_kpa": 150.0, "commanded_ml_min": 500.0, "delivered_ml_min": 500.0}
        guard.step(Sample(9.0, **good))
        for _ in range(late):
            assert guard.step(Sample(8.5, **good)).late == 1.0
        last = guard.step(Sample(9.0, **good))
        assert (last.level[LATE_SAMPLES], last.late) == (level, 0.0)
        assert (last.boost_kpa, last.delivered_ml_min) == (150.0, 500.0)
        last = guard.step(Sample(18.0, boost_kpa=NAN, delivered_ml_min=NAN))
        assert last.boost_kpa != last.boost_kpa
        assert last.delivered_ml_min != last.delivered_ml_min
        assert last.level[NO_COMMAND] == NO_ACTION
        state = State.of_flat(guard.state())
        assert (state.unread_s, state.line_unread_s) == (0.0, 0.0)  # what was unread is lost


def test_a_tolerance_too_small_to_tell_makes_one_car() -> None:
    """And any other at least two, at its ends."""
    k = constants_of(rig(flow_sensor={"delay_s": 0.1, "delay_within_s": 1e-13}))
    assert k.n_delays == 1
    k = constants_of(rig(flow_sensor={"delay_s": 0.125, "delay_within_s": 2.0**-9}))
    assert k.car_delay_s[:2] == [0.125 - 2.0**-9, 0.125 + 2.0**-9]
    assert k.n_delays == 2
