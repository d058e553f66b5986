"""Where the limits of line, charge and ring lie: at the very figure, and right beside it."""

from math import exp

import pytest

from rules.channels import (
    DRY_INTAKE,
    INTAKE,
    LINE,
)
from rules.step.arithmetic import kept_share
from rules.step.bank import (
    highest_asked_ml_min,
    is_idle,
    lowest_asked_ml_min,
    newest_before,
    note_idle,
    remember_command,
    stay_idle,
)
from rules.step.charge import charge_level, judge_charge, not_believed
from rules.step.constants import Constants
from rules.step.evidence import CALM_NATS
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min
from rules.step.line import doubt_line, move_line
from rules.step.state import (
    CHARGE_ACCOUNTS,
    COOLING_MISSING,
    LINE_DOUBTED,
    NO_ACTION,
    PULL,
    RING_SIZE,
    UNDER_DELIVERY,
    WARN,
    State,
)
from rules.step.step import fresh_state
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
    s.charge_short_s, s.changed = above(1.0), 0.0
    assert (charge_level(k, s), s.changed) == (WARN, 0.0)


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
    assert not_believed(k, s, above(most), 0.0, 1.0, 0.125) is True


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
            judge_charge(k, s, True, 0.125)
        assert (s.charge_idle_s, s.charge_evidence) == (1.0, 1.0)
    judge_charge(k, s, True, 0.125)
    assert s.charge_evidence == 0.0
    s.asked_fast = 0.3
    judge_charge(k, s, True, 0.125)
    assert (s.charge_idle_s, s.charge_cooled) == (0.0, pytest.approx(0.3))
    assert s.charge_due_c == pytest.approx(70.0 - 0.3 * 16.0)


def alone(**figures: float) -> tuple[Constants, State]:
    """Return constants and state where the line alone has spoken for longer than the flow needs."""
    k, s = in_boost()
    k.gain_within = 0.0
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


@pytest.mark.parametrize("back", [0, 1, 2, 3])
def test_an_idle_ring_is_read_behind_its_two_newest_places(back: int) -> None:
    """Where the ring begins anew, too."""
    k, s = in_boost()
    s.bank_most_ml_min = s.expected_ml_min = s.commanded_ml_min = 0.0
    s.idle_s = k.under_way_s
    s.ring_last = float(back)
    note_idle(k, s, DT_S)
    assert is_idle(k, s)
    assert s.ring_read_nominal == s.ring_read[0] == s.ring_read[k.n_delays - 1]
    assert s.ring_read_nominal == (back - 2) % RING_SIZE
    s.ring_time_s[back] = 1.0
    s.clock_s = 1.0 + k.ring_spacing_s
    stay_idle(k, s)
    assert s.ring_time_s[back] == 1.0
    s.clock_s = 1.0 + 2.0 * k.ring_spacing_s
    stay_idle(k, s)
    assert (s.ring_time_s[back], s.ring_time_s[(back - 1) % RING_SIZE]) == (s.clock_s, 1.0)


def test_a_ring_goes_round() -> None:
    """Behind its last place its first follows, written and read."""
    k, s = in_boost()
    s.ring_started, s.ring_last = 1.0, float(RING_SIZE - 1)
    s.ring_low_ml_min[RING_SIZE - 1] = s.ring_high_ml_min[RING_SIZE - 1] = 200.0
    s.clock_s, s.commanded_ml_min = 1.0, 300.0
    remember_command(k, s)
    assert (s.ring_last, s.ring_time_s[0], s.ring_low_ml_min[0]) == (0.0, 1.0, 300.0)
    assert newest_before(s, RING_SIZE - 1, 1.0) == 0
    assert newest_before(s, RING_SIZE - 1, below(1.0)) == RING_SIZE - 1
    assert lowest_asked_ml_min(s, RING_SIZE - 1, 0.5) == 200.0
    assert lowest_asked_ml_min(s, 0, 0.5) == 200.0
    s.ring_low_ml_min[RING_SIZE - 1] = 400.0
    assert lowest_asked_ml_min(s, RING_SIZE - 1, 0.0) == 300.0
    s.ring_read[:] = [float(RING_SIZE - 1)] * len(s.ring_read)
    assert highest_asked_ml_min(k, s, 0.0) == 300.0
    s.ring_high_ml_min[RING_SIZE - 1] = 500.0
    s.ring_time_s[RING_SIZE - 1] = 0.5
    assert highest_asked_ml_min(k, s, 0.3) == 500.0


def test_a_slot_of_the_ring_holds_the_extremes_of_its_time() -> None:
    """Within its spacing, which counts to it; from there on the next begins."""
    k, s = in_boost()
    for at_s, commanded in ((1.0, 300.0), (1.0, 200.0), (1.0 + 0.5 * k.ring_spacing_s, 400.0)):
        s.clock_s, s.commanded_ml_min = at_s, commanded
        s.less_ml_min, s.more_ml_min = 10.0, 20.0
        remember_command(k, s)
    assert (s.ring_last, s.ring_low_ml_min[0], s.ring_high_ml_min[0]) == (0.0, 190.0, 420.0)
    s.clock_s = 1.0 + 1.5 * k.ring_spacing_s
    remember_command(k, s)
    assert (s.ring_last, s.ring_low_ml_min[1]) == (1.0, 390.0)
