"""Where the limits of evidence, blindness, latches and release lie."""

from math import inf

from rules.channels import (
    BOOST,
    DELIVERED,
    INTAKE,
    KNOCK,
    TANK,
)
from rules.step.constants import Constants
from rules.step.ladder import (
    blind_level,
    debt_level,
    decide,
    hold_level,
    missing_now,
    release,
    size_action,
    unbelieved,
)
from rules.step.state import (
    BOOST_CONTRADICTED,
    CLOCK_STEP,
    COMMAND_DISAGREES,
    CUT,
    KNOCK_HIGH,
    N_SIZES,
    NO_ACTION,
    NO_COMMAND,
    NO_FINDING,
    OVER_DELIVERY,
    PULL,
    SIGNAL_LOST,
    SURPLUS_ACCOUNTS,
    TANK_LOW,
    UNDER_DELIVERY,
    WARN,
    State,
)
from tests.rules.step.test_at_the_limit import DT_S, above, below, in_boost


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
    closed = (
        *("debt_ml", "debt_s", "short_s", "evidence", "flow_evidence", "excess_ml", "surplus"),
        *("pulled_s", "held_missing", "acknowledged"),
    )
    for name in closed:
        setattr(s, name, 1.0)
    for block in (s.account, s.car_debt_ml, s.car_short_s):
        block[:] = [1.0] * len(block)
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
    assert {getattr(s, name) for name in closed} == {0.0}
    for block, n in ((s.account, k.n_cars * N_SIZES), (s.car_debt_ml, k.n_cars)):
        assert set(block[:n]) == {0.0}
    assert set(s.car_short_s[: k.n_cars]) == {0.0}
    assert set(s.account[SURPLUS_ACCOUNTS : SURPLUS_ACCOUNTS + N_SIZES]) == {0.0}


def test_a_gap_brings_release_no_nearer_than_half_a_second() -> None:
    """What boost did in it is not known."""
    k, s = in_boost()
    s.action, s.value[BOOST] = PULL, 0.0
    release(k, s, 8.0)
    assert s.low_boost_s == k.longest_step_s == 0.5


def test_time_out_of_boost_counts_in_a_row_from_the_latch_on_by_a_clock_that_runs_right() -> None:
    """Boost lost or above, a clock that runs wrong, or no latch: it begins anew."""
    for name, figure in (("action", WARN), ("clock_pace", 0.5), ("lost", 1.0), ("boost", 150.0)):
        k, s = in_boost()
        s.action, s.value[BOOST], s.low_boost_s = PULL, 0.0, 0.25
        if name == "lost":
            s.usable[BOOST] = 0.0
        elif name == "boost":
            s.value[BOOST] = figure
        else:
            setattr(s, name, figure)
        release(k, s, DT_S)
        assert s.low_boost_s == 0.0


def test_only_the_findings_of_delivery_may_ask_at_release() -> None:
    """Any other that asks for more than a warning, or a hand that is waited for, holds it."""
    for finding, asked, hand, released in (
        (UNDER_DELIVERY, CUT, 1.0, True),
        (OVER_DELIVERY, CUT, 1.0, True),
        (NO_COMMAND, PULL, 1.0, False),
        (NO_COMMAND, WARN, 1.0, True),
        (UNDER_DELIVERY, NO_ACTION, 0.0, False),
    ):
        k, s = in_boost()
        k.acknowledge_to_release, s.acknowledged = 1.0, hand
        s.action, s.value[BOOST], s.low_boost_s = PULL, 0.0, 0.5
        s.level[TANK_LOW], s.level[NO_COMMAND] = WARN, PULL
        s.asked[finding] = asked
        release(k, s, DT_S)
        assert s.level[NO_COMMAND] == (NO_ACTION if released else PULL)
        assert s.level[TANK_LOW] == WARN


def test_a_new_latch_needs_a_new_hand() -> None:
    """A pull after a warning; not a cut after a pull, nor a warning."""
    for level, asked, acknowledged in (
        (NO_ACTION, PULL, 0.0),
        (WARN, CUT, 0.0),
        (PULL, CUT, 1.0),
        (NO_ACTION, WARN, 1.0),
    ):
        k, s = in_boost()
        s.acknowledged, s.level[NO_COMMAND], s.quiet_s[NO_COMMAND] = 1.0, level, 0.25
        hold_level(k, s, NO_COMMAND, asked, DT_S)
        assert (s.level[NO_COMMAND], s.acknowledged) == (asked, acknowledged)
        assert (s.quiet_s[NO_COMMAND], s.changed) == (0.0, 1.0)


def test_timing_is_sized_by_what_is_missing_and_given_back_slowly() -> None:
    """Ten degrees are paid for at 150 kPa; by half of it, a fifth more, and up to the next step."""
    for name, level, paid_deg in (
        (NO_COMMAND, NO_ACTION, 10.0),
        (COMMAND_DISAGREES, PULL, 16.0),
        (BOOST_CONTRADICTED, PULL, 16.0),
        (COMMAND_DISAGREES, WARN, 10.0),
        (BOOST_CONTRADICTED, WARN, 10.0),
    ):
        k, s = in_boost()
        k.margin, k.paid_top_deg, k.max_retard_deg, k.step_deg = 1.25, 16.0, 90.0, 0.5
        s.level[UNDER_DELIVERY], s.level[name] = PULL, level
        s.missing_share = 0.5
        size_action(k, s, DT_S)
        assert s.paid_deg == paid_deg
        assert s.held_missing == (1.0 if level == PULL else 0.5)
        assert s.retard_deg == (20.0 if level == PULL else 6.5)
    k.give_back_deg_s, s.value[BOOST], s.changed = 4.0, 50.0, 0.0
    size_action(k, s, DT_S)
    assert (s.retard_held_deg, s.retard_deg, s.changed) == (5.25, 5.5, 1.0)
    s.changed, s.boost_ceiling_kpa = 0.0, inf
    s.retard_deg = 4.5
    size_action(k, s, DT_S)
    assert (s.retard_deg, s.changed) == (4.5, 0.0)
    s.value[BOOST], k.max_retard_deg = 150.0, 6.0
    size_action(k, s, DT_S)
    assert (s.action, s.level[UNDER_DELIVERY], s.changed) == (CUT, CUT, 1.0)
    assert (s.boost_ceiling_kpa, s.retard_deg) == (k.dry_limit_kpa, 6.0)
    s.level[UNDER_DELIVERY] = NO_ACTION
    s.level[BOOST_CONTRADICTED] = NO_ACTION
    size_action(k, s, DT_S)
    assert (s.action, s.retard_held_deg, s.retard_deg, s.finding) == (0.0, 0.0, 0.0, -1.0)


def test_a_line_that_is_not_believed_says_nothing_of_what_is_missing() -> None:
    """Else whichever channel says more."""
    s = State()
    for flow, line, wrong, missing in ((2, 5, 0, 5), (2, 5, 1, 2), (5, 2, 0, 5)):
        s.missing_share, s.line_missing, s.line_wrong = flow, line, wrong
        assert missing_now(s) == missing


def test_the_only_witness_that_is_not_believed_is_blindness() -> None:
    """A charge beside others, or one that is believed, is none."""
    k, s = in_boost()
    for column, wrong, blind in (
        (INTAKE, 1.0, True),
        (INTAKE, 0.0, False),
        (DELIVERED, 1.0, False),
    ):
        k.witness_column, s.charge_wrong = column, wrong
        assert unbelieved(k, s) is blind


def test_a_clock_that_runs_wrong_is_blindness_at_once() -> None:
    """Whoever found it has waited; below the onset it warns."""
    k, s = in_boost()
    s.clock_pace = 0.5
    assert blind_level(k, s, DT_S) == k.on_blind
    s.value[BOOST] = below(k.onset_kpa)
    assert blind_level(k, s, DT_S) == WARN
    s.usable[BOOST] = 0.0  # unknown: it may be above
    assert blind_level(k, s, DT_S) == k.on_blind


def test_the_worst_that_is_asked_wakes_the_ladder() -> None:
    """A limit, a warning of the watch, blindness, the clock, evidence: each alone."""

    def quiet(k: Constants, s: State) -> None:
        s.value[TANK] = 4000.0

    def knocking(k: Constants, s: State) -> None:
        s.value[KNOCK], k.limit_for_s[1] = 9.0, 0.0

    def empty(k: Constants, s: State) -> None:
        s.value[TANK], s.for_s[TANK_LOW] = 0.0, 1.0

    def blind(k: Constants, s: State) -> None:
        s.usable[DELIVERED], s.unusable, s.unsure_s, s.blind_s = 0.0, 1.0, 1.0, 1.0

    def doubted(k: Constants, s: State) -> None:
        s.clock_doubt_s = 1.0

    def accused(k: Constants, s: State) -> None:
        s.evidence = k.warn_nats

    for made, action, finding in (
        (quiet, NO_ACTION, NO_FINDING),
        (knocking, PULL, KNOCK_HIGH),
        (empty, WARN, TANK_LOW),
        (blind, CUT, SIGNAL_LOST),
        (doubted, WARN, CLOCK_STEP),
        (accused, WARN, UNDER_DELIVERY),
    ):
        k, s = in_boost()
        quiet(k, s)
        k.confirmed_retard_column = k.confirmed_ceiling_column = k.law_column = k.duty_column = 0
        s.unread_s, k.on_blind = 1.0, CUT
        s.blind_s = s.unsure_s = 0.25
        made(k, s)
        decide(k, s, DT_S)
        assert (s.action, s.finding) == (action, finding)
        if made is not blind:
            assert s.blind_s == s.unsure_s == 0.0


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
