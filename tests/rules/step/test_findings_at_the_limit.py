"""Where the limits of the findings beside debt and blindness lie, and what follows in time."""

from math import inf

import pytest

from rules.channels import (
    BOOST,
    COMMANDED,
    CONFIRMED_CEILING,
    CONFIRMED_RETARD,
    DELIVERED,
    INJECTOR_DUTY,
    INTAKE,
    KNOCK,
    LINE,
    TANK,
)
from rules.facts import CommandKind
from rules.step.boost_and_command import command_disagrees
from rules.step.constants import Constants
from rules.step.followed import not_followed, retard_due_deg
from rules.step.hydraulics import full_flow_ml_min
from rules.step.state import (
    COMMAND_DISAGREES,
    COOLING_MISSING,
    CUT,
    KNOCK_PERSISTS,
    LATE_SAMPLES,
    LINE_DOUBTED,
    N_SIZES,
    NO_ACTION,
    NO_COMMAND,
    NOT_FOLLOWED,
    OVER_DELIVERY,
    PULL,
    RIG_DOUBTED,
    SURPLUS_ACCOUNTS,
    TANK_LOW,
    UNASKED_FLOW,
    WARN,
    State,
)
from rules.step.surplus import close_surplus, surplus_level, weigh_surplus
from rules.step.watch import dry_response, tank_level_low, watch
from tests.rules.step.test_at_the_limit import DT_S, above, below, in_boost


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
        assert s.asked[OVER_DELIVERY] + s.asked[UNASKED_FLOW] == asked
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


def test_knock_that_stays_after_a_pull_cuts_boost() -> None:
    """Above its limit for longer than it may last, timing being pulled."""
    for action, knock, usable, asked in (
        (PULL, above(3.0), 1.0, CUT),
        (PULL, 3.0, 1.0, NO_ACTION),
        (PULL, above(3.0), 0.0, NO_ACTION),
        (WARN, above(3.0), 1.0, NO_ACTION),
    ):
        k, s = in_boost()
        k.knock_persists_for_s, s.for_s[KNOCK_PERSISTS] = 0.5, 0.5
        s.action, s.value[KNOCK], s.usable[KNOCK] = action, knock, usable
        s.value[TANK] = 4000.0
        assert watch(k, s, DT_S) == s.asked[KNOCK_PERSISTS] == asked
        assert s.for_s[KNOCK_PERSISTS] == (0.75 if asked else 0.0)
    k, s = in_boost()
    s.action, s.value[KNOCK], s.value[TANK] = PULL, above(3.0), 4000.0
    watch(k, s, DT_S)
    assert s.for_s[KNOCK_PERSISTS] == DT_S


def test_the_worst_of_what_is_watched_is_asked_for() -> None:
    """Each alone, and each beside a warning."""

    def commandless(k: Constants, s: State) -> None:
        k.no_command_for_s, s.value[COMMANDED] = 0.0, 0.0

    def empty(k: Constants, s: State) -> None:
        s.value[TANK], s.for_s[TANK_LOW] = 0.0, 1.0

    def unheard(k: Constants, s: State) -> None:
        k.confirmed_retard_column, s.usable[CONFIRMED_RETARD] = CONFIRMED_RETARD, 0.0
        s.retard_deg = s.due_deg = s.next_deg = 8.0
        k.not_followed_action = CUT

    def disagreeing(k: Constants, s: State) -> None:
        k.law_column, k.cross_check_for_s, k.disagree_ml_min = COMMANDED, 0.0, 1.0
        s.value[COMMANDED], k.on_blind = 900.0, PULL

    def contradicted(k: Constants, s: State) -> None:
        k.duty_column, k.cross_check_for_s, k.on_blind = INJECTOR_DUTY, 0.0, PULL
        s.value[INJECTOR_DUTY] = 100.0
        k.contradicted_by = 0.5

    def late(k: Constants, s: State) -> None:
        s.late_count = 100.0

    def surplus(k: Constants, s: State) -> None:
        s.surplus, s.excess_ml, k.over_action = k.limit_nats, 9.0, PULL
        s.unread_s = 1.0

    def hot(k: Constants, s: State) -> None:
        k.cooled_column, s.charge_evidence, s.line_wrong = INTAKE, k.limit_nats, 1.0

    for made, asked in (
        (lambda k, s: None, NO_ACTION),
        (commandless, CUT),
        (empty, WARN),
        (unheard, CUT),
        (disagreeing, PULL),
        (contradicted, PULL),
        (late, WARN),
        (surplus, PULL),
        (hot, PULL),
    ):
        for doubted in (NO_ACTION, WARN):
            k, s = in_boost()
            k.confirmed_retard_column = k.confirmed_ceiling_column = 0
            k.law_column = k.duty_column = k.switch_column = k.cooled_column = 0
            s.value[TANK] = 4000.0
            s.unread_s = 1.0
            made(k, s)
            s.asked[LINE_DOUBTED] = doubted
            assert watch(k, s, DT_S) == max(asked, doubted), made
            s.asked[RIG_DOUBTED], s.asked[LINE_DOUBTED] = doubted, NO_ACTION
            assert watch(k, s, DT_S) == max(asked, doubted)


def test_what_depends_on_an_essential_reading_stands_still_without_it() -> None:
    """A command that disagrees, a charge that isn't cooled, a surplus: as they were."""
    k, s = in_boost()
    k.law_column, k.disagree_ml_min, s.value[COMMANDED] = COMMANDED, 1.0, 900.0
    k.cooled_column, s.charge_evidence, s.line_wrong = INTAKE, k.limit_nats, 1.0
    s.can_judge, s.value[DELIVERED], s.most_ml_min = 0.0, 900.0, 0.0
    watch(k, s, DT_S)
    assert (s.for_s[COMMAND_DISAGREES], s.asked[COOLING_MISSING]) == (0.0, NO_ACTION)
    assert (s.surplus_residual, s.law_lagged_ml_min) == (0.0, 0.0)
    s.can_judge = 1.0
    watch(k, s, DT_S)
    assert (s.for_s[COMMAND_DISAGREES], s.asked[COOLING_MISSING]) == (DT_S, PULL)
    assert s.surplus_residual > 0.0
    s.usable[COMMANDED] = 0.0
    watch(k, s, DT_S)
    assert s.for_s[COMMAND_DISAGREES] == 0.0
    k.witness_column, s.surplus_residual = LINE, 0.0
    watch(k, s, DT_S)
    assert s.surplus_residual == 0.0


def test_a_retard_becomes_due_in_steps_and_falls_at_once() -> None:
    """What was asked for without less for longer than half a second is due."""
    k, s = in_boost()
    k.confirm_within_s = 0.5
    asked = (8.0, 8.0, 8.0, 8.0, 4.0, 6.0, 6.0, 5.0, 9.0, 9.0, 9.0, 9.0, 0.0, 2.0, 0.0, 2.0, 2.0)
    due = (0.0, 0.0, 0.0, 8.0, 4.0, 4.0, 4.0, 4.0, 5.0, 5.0, 5.0, 9.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    for asked_deg, due_deg in zip(asked, due, strict=True):
        s.retard_deg = asked_deg
        assert retard_due_deg(k, s, DT_S) == due_deg


def test_closing_a_surplus_takes_back_what_it_asks_for() -> None:
    """All sums of it, and only these; a row without time says nothing of it."""
    k, s = in_boost()
    s.account[:] = [1.0] * len(s.account)
    s.surplus = s.excess_ml = s.asked[OVER_DELIVERY] = s.asked[UNASKED_FLOW] = 1.0
    s.noise_lasts_s = 0.0
    weigh_surplus(k, s, 900.0, 0.0)
    assert s.surplus == 1.0
    close_surplus(s)
    assert (s.surplus, s.excess_ml) == (0.0, 0.0)
    assert (s.asked[OVER_DELIVERY], s.asked[UNASKED_FLOW]) == (0.0, 0.0)
    closed = {*range(SURPLUS_ACCOUNTS, SURPLUS_ACCOUNTS + N_SIZES)}
    assert {i for i, nats in enumerate(s.account) if nats == 0.0} == closed
