"""Where the limits of line, charge and ring lie: at the very figure, and right beside it."""

from math import exp

import pytest

from rules.channels import (
    BOOST,
    DELIVERED,
    DRY_INTAKE,
    ENGINE_SPEED,
    INTAKE,
    KNOCK,
    LINE,
)
from rules.step.arithmetic import kept_share
from rules.step.charge import charge_level, judge_charge, not_believed
from rules.step.constants import Constants
from rules.step.evidence import (
    CALM_NATS,
    gather,
    judge_entry,
    keep_peak,
    note_fall,
    note_up,
    owe,
    size_shortfall,
)
from rules.step.from_rig import constants_of
from rules.step.health import logger_changes_state, note_stillness
from rules.step.hydraulics import full_flow_ml_min
from rules.step.learning import note_hold
from rules.step.line import close_line, doubt_line, judge_line, move_line
from rules.step.state import (
    CHARGE_ACCOUNTS,
    COOLING_MISSING,
    HIGH_ACCOUNTS,
    LINE_ACCOUNTS,
    LINE_DOUBTED,
    N_SIZES,
    NO_ACTION,
    PULL,
    UNDER_DELIVERY,
    WARN,
    State,
)
from rules.step.step import fresh_state
from tests.kit.entries import one_car, put_account
from tests.kit.rigs import ALL_CHANNELS, rig, terms
from tests.rules.step.test_at_the_limit import DT_S, above, below, in_boost


def of_charge() -> tuple[Constants, State]:
    """Return constants and state of a rig whose charge is evidence, in full spray at 70 degC dry.

    It cools by 16 K, within a quarter; a standard deviation is a sixteenth of that, and lasts as
    long as an entry.
    """
    facts = rig(
        channels=terms(*ALL_CHANNELS),
        charge_sensor={"drop_k": 16.0, "drop_within": 0.25, "noise_k": 1.0, "noise_lasts_s": 0.1},
    )
    k = constants_of(facts)
    s = fresh_state(k)
    s.usable[:] = [1.0] * len(s.usable)
    s.asked_fast = s.asked_slow = s.asked_lasting = 1.0
    s.value[DRY_INTAKE] = s.dry_slow_c = 70.0
    s.value[INTAKE] = 54.0
    return k, s


def test_a_charge_pulls_from_the_limit_on_where_nothing_contradicts_it() -> None:
    """A line that says that spray arrives leaves a warning; a shortfall goes by its own name."""
    k, s = of_charge()
    for evidence, line_wrong, under, asked in (
        (below(k.warn_nats), 0.0, 0.0, NO_ACTION),
        (k.warn_nats, 0.0, 0.0, WARN),
        (k.limit_nats, 0.0, 0.0, WARN),
        (below(k.limit_nats), 1.0, 0.0, WARN),
        (k.limit_nats, 1.0, 0.0, PULL),
        (k.limit_nats, 1.0, WARN, NO_ACTION),
    ):
        s.charge_evidence, s.line_wrong, s.level[UNDER_DELIVERY] = evidence, line_wrong, under
        assert charge_level(k, s) == s.asked[COOLING_MISSING] == asked
    s.level[UNDER_DELIVERY], s.line_wrong, s.usable[LINE] = NO_ACTION, 0.0, 0.0
    assert charge_level(k, s) == PULL


def test_a_charge_that_is_not_believed_takes_back_its_pull_and_tells_after_a_second() -> None:
    """A pull becomes a warning at once; at a second itself nothing is told yet."""
    k, s = of_charge()
    s.charge_wrong, s.charge_short_s, s.level[COOLING_MISSING] = 1.0, 1.0, PULL
    s.changed = 0.0
    assert charge_level(k, s) == NO_ACTION
    assert (s.level[COOLING_MISSING], s.changed) == (WARN, 1.0)
    s.charge_short_s, s.changed, s.value[DELIVERED] = above(1.0), 0.0, above(k.nil_ml_min)
    assert (charge_level(k, s), s.changed) == (WARN, 0.0)
    s.value[DELIVERED] = k.nil_ml_min  # hot without any spray is no news
    assert charge_level(k, s) == NO_ACTION


def test_a_charge_hotter_than_without_any_spray_is_not_believed() -> None:
    """All of the cooling missing by the rig's widest, and three deviations more."""
    most = -(1.0 + 2.0 * 0.25) - 3.0 / 16.0
    for residual, believed in ((most, True), (below(most), False)):
        k, s = of_charge()
        s.charge_evidence = s.charge_short_s = s.account[CHARGE_ACCOUNTS] = 1.0
        assert not_believed(k, s, 0.0, residual, 1.0, 0.125) is (not believed)
        assert s.charge_wrong == (0.0 if believed else 1.0)
        assert s.charge_evidence == s.account[CHARGE_ACCOUNTS] == (1.0 if believed else 0.0)


def test_a_charge_rises_no_quicker_than_its_sensor_shows_that_all_spray_stops() -> None:
    """That, by the quickest sensor and the rig's widest, and five deviations more."""
    k, s = of_charge()
    most = 1.25 * (1.0 - kept_share(0.125, k.charge_fast_s)) + 5.0 / 16.0
    assert not_believed(k, s, most, 0.0, 1.0, 0.125) is False
    s.charge_sound_s = 2.0
    assert not_believed(k, s, above(most), 0.0, 1.0, 0.125) is True
    assert s.charge_sound_s == 0.125  # begins anew


def test_a_charge_is_believed_again_after_three_seconds_that_fit() -> None:
    """In a row: a reading three deviations too hot, and the time begins anew."""
    k, s = of_charge()
    s.charge_wrong = 1.0
    hot = below(-3.0 / 16.0)
    for residual, entries in ((0.0, 20), (hot, 2), (-3.0 / 16.0, 24)):
        for _ in range(entries):
            assert not_believed(k, s, 0.0, residual, 1.0, 0.125) is True
        assert s.charge_sound_s == (0.0 if residual == hot else entries * 0.125)
        assert s.charge_short_s == (entries * 0.125 if residual == hot else 0.0)
    assert not_believed(k, s, 0.0, 0.0, 1.0, 0.125) is True  # the last one
    assert (s.charge_wrong, s.charge_short_s) == (0.0, 0.0)
    assert not_believed(k, s, 0.0, 0.0, 1.0, 0.125) is False


def test_hardly_any_cooling_due_closes_the_charge_after_a_second() -> None:
    """Less than 30 % of it, for longer than a gear shift; one entry with more begins it anew."""
    k, s = of_charge()
    s.charge_evidence = 1.0
    s.asked_fast = 0.29
    for entries in (4, 4):
        s.charge_idle_s = 0.5
        for _ in range(entries):
            judge_charge(k, s, True, 1.0, 0.125)
        assert (s.charge_idle_s, s.charge_evidence) == (1.0, 1.0)
    judge_charge(k, s, True, 1.0, 0.125)
    assert s.charge_evidence == 0.0
    s.asked_fast = 0.3
    judge_charge(k, s, True, 1.0, 0.125)
    assert s.charge_idle_s == 0.0
    assert s.charge_cooled == pytest.approx(0.3)
    assert s.charge_due_c == pytest.approx(70.0 - 0.3 * 16.0)


def alone(gain_within: float = 0.0, **figures: float) -> tuple[Constants, State]:
    """Return constants and state where the line alone has spoken for longer than the flow needs."""
    k, s = in_boost()
    k.gain_within = gain_within
    s.line_evidence = k.limit_nats
    s.unconfirmed_s = k.line_confirmed_s
    s.line_pulls, s.level[UNDER_DELIVERY] = 1.0, PULL
    s.line_missing = s.line_missing_slow = 0.5
    for name, figure in figures.items():
        setattr(s, name, figure)
    doubt_line(k, s, DT_S)
    return k, s


def test_a_line_is_doubted_where_the_flow_shows_less_than_half_of_it() -> None:
    """Its pull is taken back; half of it confirms it, as a surplus or a hot charge does."""
    k, s = alone(missing_share=0.2499, missing_slow=0.2499)
    assert (s.line_wrong, s.asked[LINE_DOUBTED], s.level[UNDER_DELIVERY]) == (1.0, WARN, NO_ACTION)
    assert (s.unconfirmed_s, s.held_missing, s.changed) == (0.0, 0.0, 1.0)
    for confirmed in (
        {"missing_share": 0.25, "missing_slow": 0.25},
        {"surplus": above(CALM_NATS)},
        {"charge_evidence": above(CALM_NATS)},
        {"unconfirmed_s": k.line_confirmed_s - DT_S},
    ):
        _, s = alone(**confirmed)
        assert (s.line_wrong, s.level[UNDER_DELIVERY]) == (0.0, PULL)
        assert s.unconfirmed_s > 0.0
    for other in ({"surplus": CALM_NATS}, {"charge_evidence": CALM_NATS}):
        assert alone(**other)[1].line_wrong == 1.0
    # Less than half of what the flow's gain may be off confirms nothing.
    for shown, wrong in ((0.25, 0.0), (0.2499, 1.0)):
        less = {"line_missing": 0.125, "line_missing_slow": 0.125}
        _, s = alone(gain_within=0.5, missing_share=shown, missing_slow=shown, **less)
        assert s.line_wrong == wrong
    _, s = alone(flow_evidence=k.warn_nats)
    assert (s.line_wrong, s.unconfirmed_s) == (0.0, 0.0)
    _, s = alone(line_pulls=0.0)
    assert (s.line_wrong, s.level[UNDER_DELIVERY]) == (1.0, PULL)


def test_a_line_s_time_to_be_confirmed_begins_with_its_pull() -> None:
    """Once flow and line reach the limit together; whose pull it is, is noted then."""
    for joined, level, begins, pulls in (
        (0.0, NO_ACTION, True, 1.0),
        (0.0, WARN, True, 1.0),
        (0.0, PULL, True, 0.0),
        (-1e-9, NO_ACTION, False, 0.0),
    ):
        k, s = in_boost()
        s.flow_evidence = 1.0
        s.line_evidence = k.limit_nats - 1.0 + joined
        s.level[UNDER_DELIVERY] = level
        doubt_line(k, s, DT_S)
        assert s.unconfirmed_s == (DT_S if begins else 0.0)
        assert s.line_pulls == pulls


def test_a_line_is_believed_again_after_ten_seconds_that_fit() -> None:
    """In a row, with no more evidence than is calm."""
    k, s = in_boost()
    s.line_wrong, s.line_sound_s, s.asked[LINE_DOUBTED] = 1.0, 9.75, WARN
    s.line_evidence = CALM_NATS
    doubt_line(k, s, DT_S)
    assert (s.line_wrong, s.asked[LINE_DOUBTED]) == (1.0, WARN)
    doubt_line(k, s, DT_S)
    assert (s.line_wrong, s.asked[LINE_DOUBTED]) == (0.0, NO_ACTION)
    s.line_wrong, s.line_evidence = 1.0, above(CALM_NATS)
    doubt_line(k, s, DT_S)
    assert (s.line_wrong, s.line_sound_s) == (1.0, 0.0)


def test_both_sides_of_a_line_are_smoothed_alike() -> None:
    """Over 150 ms: of a step of the flow's or of the line's as much is seen after 75 ms."""
    k, s = in_boost()
    s.line_missing = s.missing_share = 1.0
    doubt_line(k, s, 0.075)
    assert s.line_missing_slow == s.missing_slow == pytest.approx(1.0 - exp(-0.5), abs=2e-4)


def test_a_line_says_nothing_until_it_has_filled() -> None:
    """From 40 % of full flow on, 150 ms long."""
    k, s = in_boost()
    full = full_flow_ml_min(k, 150.0)
    s.value[LINE] = 1000.0
    s.commanded_ml_min = 0.4 * full
    assert move_line(k, s, 0.125) == 0.0
    assert s.line_due_kpa != s.line_due_kpa
    assert move_line(k, s, 0.125) == 0.125
    assert s.line_due_kpa > 0.0
    assert move_line(k, s, 0.0) == 0.0
    s.commanded_ml_min = below(0.4 * full)
    assert (move_line(k, s, 0.125), s.line_on_s) == (0.0, 0.0)


def test_an_entry_of_a_held_reading_is_the_mean_of_its_rows() -> None:
    """By their time, of the reading as of each car; judged once it is as long as the hold."""
    k = constants_of(rig(flow_sensor={"refresh_s": 0.25}))
    s = fresh_state(k)
    for flow, due, step_s in ((400.0, 500.0, 0.0625), (300.0, 600.0, 0.125)):
        s.car_ml_min[:] = [due] * len(s.car_ml_min)
        gather(k, s, flow, 0.0)
        gather(k, s, flow, step_s)
    assert (s.entry_s, s.residual[0]) == (0.1875, 0.0)
    gather(k, s, 300.0, 0.0625)
    assert s.entry_s == 0.0
    assert s.entry_delivered_ml_min == pytest.approx(325.0)
    assert s.entry_ml_min[k.n_cars - 1] == pytest.approx(575.0)
    assert s.residual[0] == pytest.approx(325.0 / 575.0 - 1.0)
    gather(k, s, 100.0, 0.125)
    assert (s.entry_s, s.entry_delivered_ml_min) == (0.125, 100.0)


def test_a_fall_faster_than_any_sensor_s_is_noted() -> None:
    """By the quickest lag, the floor, and four deviations of noise more."""
    k = constants_of(rig(flow_sensor={"floor_ml_min": 32.0}))
    for down, fell_s in ((0.0, 1.25), (1e-9, 0.0)):
        s = fresh_state(k)
        s.noise, s.read_before_ml_min, s.fell_s = 0.0625, 512.0, 1.0
        slowest = 512.0 * kept_share(DT_S, k.car_lag_s[0]) - 32.0 - 4.0 * 0.0625 * 512.0
        note_fall(k, s, slowest - down, DT_S)
        assert s.fell_s == fell_s
        assert s.read_before_ml_min == slowest - down


def test_how_far_a_reading_swings_up_is_noted_beyond_the_doubt_of_its_gain() -> None:
    """Twice its square, over some 300 ms; what lies below says nothing."""
    s = State()
    s.doubt = 0.05
    note_up(s, 0.15, 0.3)
    assert s.up_sq == pytest.approx(0.5 * 2.0 * 0.01)
    note_up(s, 0.05, 0.1)
    assert s.up_sq == pytest.approx(0.75 * 0.01)
    note_up(s, -1.0, 0.1)
    assert s.up_sq == pytest.approx(0.75 * 0.75 * 0.01)


def test_a_debt_is_owed_while_its_evidence_lasts() -> None:
    """Of 600 mL/min half is missing for 2 s: 10 mL; noise takes off, but never below nil."""
    k, s = in_boost()
    s.commanded_ml_min = 600.0
    owe(k, s, 0.5, 1.0, 2.0)
    assert s.debt_ml == pytest.approx(10.0)
    assert (s.short_s, s.missing_share) == (2.0, 0.5)
    assert s.debt_s == pytest.approx(10.0 / k.full_ml_min * 60.0)
    owe(k, s, -0.25, 1.0, 2.0)
    assert s.debt_ml == pytest.approx(5.0)
    assert (s.short_s, s.missing_share) == (4.0, 0.0)
    owe(k, s, -1.0, 1.0, 2.0)
    assert s.debt_ml == 0.0
    owe(k, s, 0.5, 1.0, 2.0)
    owe(k, s, 0.5, 0.0, 2.0)
    assert (s.debt_ml, s.debt_s, s.short_s) == (0.0, 0.0, 0.0)


def test_the_peak_of_a_debt_outlives_it_until_the_next() -> None:
    """While anything is in force the largest stays; a new shortfall begins it anew."""
    s = State()
    for before_ml, debt_ml, level, peak_ml in (
        (0.0, 3.0, NO_ACTION, 3.0),
        (3.0, 2.0, NO_ACTION, 3.0),
        (2.0, 0.0, NO_ACTION, 3.0),
        (0.0, 1.0, WARN, 3.0),
        (0.0, 1.0, NO_ACTION, 1.0),
        (1.0, 1.5, NO_ACTION, 1.5),
    ):
        s.debt_ml, s.level[UNDER_DELIVERY] = debt_ml, level
        keep_peak(s, before_ml)
        assert s.peak_debt_ml == peak_ml


def test_the_missing_share_makes_up_for_the_sensor_s_own_lag() -> None:
    """A first-order lag shows 1 - exp(-t / lag) of a stop: smoothed, all of it is soon known."""
    k, s = in_boost()
    s.expected_ml_min = 500.0
    for i in range(1, 41):
        size_shortfall(k, s, 500.0 * exp(-0.01 * i / k.lag_s), 0.0, 0.01)
    assert s.missing_share == pytest.approx(1.0, abs=0.02)
    size_shortfall(k, s, -500.0, 0.0, 0.01)
    assert s.missing_share == 1.0
    s.expected_ml_min = 2.0 * k.floor_ml_min
    size_shortfall(k, s, 0.0, 0.0, 1.0)
    assert s.missing_share == 0.0
    s.expected_ml_min = 500.0
    size_shortfall(k, s, 600.0, 0.0, 5.0)
    assert s.missing_share == 0.0


def test_a_channel_stands_still_where_it_can_t() -> None:
    """A flow that is lively, a line that is on, others from the onset on; no silence."""
    k, _ = in_boost()
    k.lively_ml_min = 140.0
    for column, name, figure, counts in (
        (DELIVERED, "expected_ml_min", above(140.0), True),
        (DELIVERED, "expected_ml_min", 140.0, False),
        (LINE, "line_on_s", 0.25, True),
        (LINE, "line_on_s", 0.0, False),
        (KNOCK, "boost", k.onset_kpa, True),
        (KNOCK, "boost", below(k.onset_kpa), False),
    ):
        _, s = in_boost()
        if name == "boost":
            s.value[BOOST] = figure
        else:
            setattr(s, name, figure)
        s.value[column] = 4.0
        longest_s = k.max_age_s[column]
        note_stillness(k, s, column, 4.0, longest_s)
        assert s.still_s[column] == (longest_s if counts else 0.0)
        note_stillness(k, s, column, 4.0, above(longest_s))
        assert s.still_s[column] == (longest_s if counts else 0.0)
    s.expected_ml_min, s.value[DELIVERED] = 500.0, 0.0
    note_stillness(k, s, DELIVERED, 0.0, 0.25)
    assert s.still_s[DELIVERED] == 0.0  # of exactly nil, the debt judges


def test_steps_and_pauses_of_a_reading_are_learned() -> None:
    """The smallest step, forgotten by 1 % a change; pauses, a tenth of each new one."""
    k, s = in_boost()
    k.stuck_after_s[KNOCK] = 0.5
    s.value[KNOCK] = 4.0
    for value, unit, pause_s in (
        (4.5, 0.5, 0.02),
        (3.5, 0.505, 0.02 + 0.1 * 0.18),
        (3.75, 0.5 * 0.5, 0.038 + 0.1 * 0.162),
    ):
        note_stillness(k, s, KNOCK, value, 0.2)
        s.value[KNOCK] = value
        assert s.unit[KNOCK] == pytest.approx(unit)
        assert s.pause_s[KNOCK] == pytest.approx(pause_s)
        assert s.still_s[KNOCK] == 0.0
    assert s.changes[KNOCK] == 3.0
    s.changes[KNOCK], s.still_s[KNOCK] = 100.0, 8.0
    note_stillness(k, s, KNOCK, 3.5, 0.2)
    assert s.changes[KNOCK] == 100.0
    assert s.pause_s[KNOCK] == pytest.approx(0.0542 + 0.1 * (1.0 - 0.0542))  # twice its time
    s.value[BOOST] = 0.0
    before_s = s.pause_s[KNOCK]
    note_stillness(k, s, KNOCK, 3.0, 0.2)
    assert s.pause_s[KNOCK] == before_s


def test_a_logger_s_longest_pause_is_slowly_forgotten() -> None:
    """By a hundredth at each news; none longer than twice its time is learned from."""
    k, s = in_boost()
    k.logger_stuck_after_s = 0.5
    s.logger_still_s = 4.0
    assert logger_changes_state(k, s, 1.0, DT_S) is False
    assert (s.logger_pause_s, s.logger_still_s) == (1.0, 0.0)
    logger_changes_state(k, s, 1.0, DT_S)
    assert s.logger_pause_s == pytest.approx(0.99)
    s.frozen = 1.0
    assert logger_changes_state(k, s, 1.0, DT_S) is True
    assert s.frozen == 0.0
    s.value[BOOST] = s.value[ENGINE_SPEED] = 0.0
    logger_changes_state(k, s, 1.0, 8.0)
    assert s.logger_pause_s == pytest.approx(0.99 * 0.99)  # of a stopped engine nothing is learned


def test_a_logger_with_long_pauses_may_pause_so_again() -> None:
    """Three and a half of them; from a quarter of its time on, by boost's steps."""
    for pause_s, unit, honest_s in (
        (0.125, 9.0, 0.5),
        (0.15, 2.5, 1.0),
        (0.25, 0.0, 0.75),
        (0.25, 2.5, 1.75),
    ):
        k, s = in_boost()
        k.logger_stuck_after_s, k.ambient_kpa = 0.5, 100.0
        s.logger_pause_s, s.unit[BOOST], s.changes[BOOST] = pause_s, unit, 100.0
        still_s = 0.0
        while not logger_changes_state(k, s, 0.0, DT_S) and still_s < 8.0:
            still_s += DT_S
        assert still_s == honest_s


def judged(fell_s: float, up: float, read: float, **figures: float) -> State:
    """Return the state after one entry of a single car that expects 500 mL/min, of noise 1/16."""
    k, s = one_car((0.125, 0.5), 0.0625, kept=0.5)
    k.limit_nats, k.least_scale_ml_min = 16.0, 64.0
    s.fell_s, s.up_sq = fell_s, up * s.noise_sq
    s.surplus = 8.0  # nothing is learned
    s.clock_s = 1.0  # long enough since spray was first due
    for name, figure in figures.items():
        setattr(s, name, figure)
    judge_entry(k, s, read, 0.01)
    return s


def ratio(residual: float, variance: float, size: float) -> float:
    """Return what such a residual adds for a size, half of the noise going on to the next entry."""
    shift = 0.5 * size
    return -shift * (residual + 0.5 * shift) / (0.75 * variance)


def test_an_entry_adds_the_ratio_of_two_normal_densities() -> None:
    """By the noise learned; by that of readings above, once it is two and a half times as much."""
    variance = 0.0625**2
    assert judged(1.0, 0.0, 400.0).evidence == 0.0  # joined later
    for up, by in ((0.0, 1.0), (2.5, 1.0), (3.0, 3.0)):
        s = judged(1.0, up, 400.0)
        assert s.flow_evidence == pytest.approx(
            max(ratio(-0.2, by * variance, i) for i in (0.125, 0.5))
        )
        assert s.debt_ml == pytest.approx(100.0 * 0.01 / 60.0)
        assert (s.short_s, s.residual[0], s.innovation[0]) == (0.01, -0.2, -0.2)


def test_no_entry_adds_more_than_half_a_limit_nor_after_a_fall_more_than_a_tenth() -> None:
    """For less than 80 ms after a reading fell faster than any sensor's."""
    assert judged(0.08, 0.0, 0.0).flow_evidence == pytest.approx(0.49 * 16.0)
    assert judged(below(0.08), 0.0, 0.0).flow_evidence == pytest.approx(0.1 * 16.0)


def test_evidence_is_held_to_its_most() -> None:
    """A reserve of four limits for a car, 1.25 once all accuse, from the limit on."""
    for evidence, most in ((below(16.0), 64.0), (16.0, 20.0)):
        k, s = one_car((0.125, 0.5), 0.0625, kept=0.5)
        k.limit_nats, k.least_scale_ml_min = 16.0, 64.0
        put_account(s, 63.0)
        s.evidence = evidence
        judge_entry(k, s, 0.0, 0.01)
        assert s.flow_evidence == most


def test_a_reading_far_above_counts_as_two_deviations() -> None:
    """Coming down from farther up is no shortfall; its innovation alike."""
    s = judged(1.0, 0.0, 600.0)
    assert (s.residual[0], s.innovation[0]) == (0.125, 0.125)
    s = judged(1.0, 0.0, 550.0)
    assert s.residual[0] == pytest.approx(0.1)


def test_what_an_honest_reading_may_lack_accuses_nobody() -> None:
    """By the doubt of the gain, never beyond the rig's lowest; and half a coarse step."""
    for figures in ({"doubt": 0.05}, {"doubt": 0.5}, {"rounding_ml_min": 25.0}):
        k, _ = one_car((0.125, 0.5), 0.0625)
        lacks = min(figures.get("doubt", 0.0), 1.0 - k.lowest_gain)
        lacks += figures.get("rounding_ml_min", 0.0) / 500.0
        s = judged(1.0, 0.0, 400.0, **figures)
        variance = 0.0625**2
        found = max(ratio(-0.2 + 0.5 * lacks, variance, size) for size in (0.125, 0.5))
        assert s.flow_evidence == pytest.approx(min(found, 0.49 * 16.0))


def test_learned_holds_begin_anew_with_one_as_short() -> None:
    """Three rows of 20 ms, then three of 10."""
    s = State()
    s.held_ml_min, s.flow_step_ml_min = 400.0, 1.0
    for flow, step_s, holds_s in ((420.0, 0.02, 0.06), (400.0, 0.01, 0.03)):
        for _ in range(2):
            note_hold(s, s.held_ml_min, step_s)
        note_hold(s, flow, step_s)
        assert s.holds_s == pytest.approx(holds_s)
    assert s.shortest_rows == 3.0
    note_hold(s, 400.5, 0.01)  # a new reading in each row, by whatever step
    assert (s.holds_s, s.shortest_rows) == (0.0, 1.0)


def test_closing_a_line_forgets_both_its_sides() -> None:
    """All sums of it, and only these; one that isn't on has nothing to forget."""
    _, s = in_boost()
    names = (
        *("line_evidence", "line_high", "line_missing", "line_missing_slow", "missing_slow"),
        *("unconfirmed_s", "line_on_s"),
    )
    for name in names:
        setattr(s, name, 1.0)
    s.account[:] = [1.0] * len(s.account)
    close_line(s)
    assert {getattr(s, name) for name in names} == {0.0}
    closed = {*range(LINE_ACCOUNTS, LINE_ACCOUNTS + N_SIZES)}
    closed |= {*range(HIGH_ACCOUNTS, HIGH_ACCOUNTS + N_SIZES)}
    assert {i for i, nats in enumerate(s.account) if nats == 0.0} == closed
    s.line_missing = 1.0
    close_line(s)
    assert s.line_missing == 1.0


def test_a_line_says_nothing_where_the_pump_gives_nothing() -> None:
    """Against a boost above its pressure, or where the reading is lost."""
    for full_ml_min, usable in ((0.0, 1.0), (500.0, 0.0)):
        k, s = in_boost()
        s.full_now_ml_min, s.usable[LINE], s.line_on_s = full_ml_min, usable, 1.0
        assert (move_line(k, s, 0.125), s.line_on_s) == (0.0, 0.0)


def test_a_line_is_learned_from_in_calm_alone() -> None:
    """Up to four nats, of line and of flow; never while it isn't believed."""
    for name, figure, learns in (
        ("flow_evidence", CALM_NATS, True),
        ("flow_evidence", above(CALM_NATS), False),
        ("line_wrong", 1.0, False),
    ):
        k, s = in_boost()
        s.value[LINE] = s.line_due_kpa = s.line_most_kpa = 900.0
        setattr(s, name, figure)
        judge_line(k, s, 0.125)
        assert (s.line_learned_s > 0.0) is learns
        assert s.line_evidence == 0.0


def test_a_line_is_weighed_on_both_its_sides() -> None:
    """Whitened, less what an honest line may be off; the greater side is the evidence."""
    for read_kpa, high, doubt in (
        (450.0, 0.0, 0.0625),
        (1350.0, 1.0, 0.0625),
        (450.0, 0.0, 0.5),  # never more than the rig allows
        (1350.0, 1.0, 0.5),
    ):
        k, s = in_boost()
        k.limit_nats = 1e9
        k.line_gain_within, s.line_doubt = 0.125, doubt
        s.line_noise_sq, s.line_noise_lasts_s = 0.0625**2, 0.125
        s.value[LINE] = read_kpa
        s.line_due_kpa = s.line_most_kpa = s.line_lagged_kpa = 900.0
        s.line_residual = s.line_high_residual = 0.25 if high else -0.25
        judge_line(k, s, 0.125)
        off = -0.5 + 0.5 * 0.25 + min(doubt, 0.125) * 0.5
        shifts = [0.5 * size for size in k.size]
        found = max(-shift * (off + 0.5 * shift) for shift in shifts) / (0.0625**2 * 0.75)
        assert s.line_evidence == pytest.approx(found)
        assert (s.line_high, s.line_due_kpa) == (high, 900.0)
        assert s.line_residual == pytest.approx(0.125 if high else -0.5)
        assert s.line_high_residual == pytest.approx(0.5 if high else -0.125)
