"""The ladder by plain examples: what is done, when, how hard, and until when."""

from itertools import pairwise
from math import inf

import pytest

from rules.channels import NOT_SENT, OPERATOR_ACKNOWLEDGE
from rules.facts import Action, Limit
from rules.step.evidence import FALLEN_S
from rules.step.state import OVERBOOST, SIGNAL_LOST, UNDER_DELIVERY, Decision
from tests.kit.rigs import ESSENTIAL, NAN, Drive, first, healthy, rig, terms

OUT_OF_BOOST = {"boost_kpa": 0.0, "commanded_ml_min": 0.0}
NO_ACTION, WARN, PULL, CUT = (float(action) for action in Action)


def test_healthy_spray_is_left_alone() -> None:
    """Ten healthy seconds: no action, no debt, nothing pulled, no ceiling."""
    decisions = Drive(rig()).run(10.0)
    assert {d.action for d in decisions} == {NO_ACTION}
    assert {d.retard_deg for d in decisions} == {0.0}
    assert {d.boost_ceiling_kpa for d in decisions} == {inf}
    assert decisions[-1].expected_ml_min == pytest.approx(500.0)
    assert decisions[-1].all_healthy == 1.0


def test_pump_stop_warns_then_pulls_then_cuts() -> None:
    """By evidence it is warned of and pulled for, by the debt boost is cut, each at its limit.

    All of the spray is missing, so all the timing it paid for and the margin are taken back.
    """
    drive = healthy(rig(ladder={"shortfall_outlasts_s": 10.0}))
    k = drive.guard.constants
    decisions = drive.run(1.5, share=0.0)
    warned, pulled, cut = (first(decisions, a) for a in (1, 2, 3))
    assert decisions[warned - 1].evidence < k.warn_nats <= decisions[warned].evidence
    assert decisions[pulled - 1].evidence < k.limit_nats <= decisions[pulled].evidence
    assert decisions[cut - 1].debt_ml < k.cut_ml <= decisions[cut].debt_ml
    # It falls at once, as no pump that stops makes it fall: for a while each reading counts little.
    assert FALLEN_S - 1e-9 <= 0.01 * warned <= 0.01 * pulled <= FALLEN_S + 0.03
    # 500 mL/min are missing, and so many seconds of full flow cut.
    assert 0.01 * cut == pytest.approx(k.cut_ml / 500.0 * 60.0, abs=0.021)
    assert all(d.retard_deg == 0.0 for d in decisions[:pulled])
    assert decisions[cut].retard_deg == 12.0  # 10 deg x 1.2
    assert all(d.boost_ceiling_kpa == inf for d in decisions[:cut])
    assert all(d.boost_ceiling_kpa == 80.0 for d in decisions[cut:])
    assert {d.finding for d in decisions[warned:]} == {float(UNDER_DELIVERY)}


def test_forty_per_cent_missing_takes_back_forty_per_cent() -> None:
    """0.4 x 10 deg x 1.2 = 4.8, up to 5.0 deg; cut only once it outlasts 1.5 s of pulled timing."""
    drive = healthy(rig(debt={"cut_s": inf}))
    decisions = drive.fail(4.0, share=0.6)
    pulled, cut = first(decisions, 2), first(decisions, 3)
    assert decisions[pulled].evidence >= drive.guard.constants.limit_nats
    assert pulled <= 15
    assert (cut - pulled) * 0.01 == pytest.approx(1.5, abs=0.021)
    assert {d.retard_deg for d in decisions[pulled + 30 :]} == {5.0}
    assert decisions[cut].debt_ml == pytest.approx(200.0 * (0.01 * cut - 0.1) / 60.0, rel=0.03)
    assert decisions[cut].missing_share == pytest.approx(0.4, abs=0.001)


def test_retard_follows_boost() -> None:
    """At 100 kPa the spray pays for 5 deg, so 40 % missing takes back 2.4, up to 2.5 deg."""
    drive = healthy(rig(), boost_kpa=100.0)
    decisions = drive.fail(0.8, share=0.6, boost_kpa=100.0)
    assert (decisions[-1].action, decisions[-1].retard_deg) == (PULL, 2.5)
    assert decisions[-1].paid_deg == pytest.approx(5.0)


def test_retard_is_bounded() -> None:
    """No more than max_retard is pulled, whatever the table says."""
    drive = healthy(rig(ladder={"max_retard_deg": 7.0}))
    assert drive.run(1.0, share=0.0)[-1].retard_deg == 7.0


def test_largest_share_counts_while_pulled() -> None:
    """Timing taken back is not given back while the shortfall eases, only at release."""
    drive = healthy(rig(ladder={"shortfall_outlasts_s": 10.0}, debt={"cut_s": inf}))
    worst = drive.fail(1.0, share=0.2)[-1]
    easier = drive.run(1.0, share=0.8)[-1]
    assert worst.retard_deg == 10.0  # 0.8 x 10 x 1.2 = 9.6
    assert easier.missing_share == pytest.approx(0.2, abs=0.01)
    assert easier.retard_deg == 10.0


def test_recovery_stays_latched_until_release() -> None:
    """Spray is back and no evidence left, yet timing stays pulled until 2 s below 20 kPa."""
    drive = healthy(rig(debt={"cut_s": inf}))
    drive.run(0.6, share=0.6)
    recovered = drive.run(30.0)
    assert (recovered[-1].evidence, recovered[-1].debt_ml) == (0.0, 0.0)
    assert {d.action for d in recovered} == {PULL}
    low = drive.run(3.0, **OUT_OF_BOOST)
    released = next(i for i, d in enumerate(low) if d.action == NO_ACTION)
    assert released * 0.01 == pytest.approx(2.0, abs=0.021)
    assert low[released].retard_deg == 0.0
    assert {d.action for d in low[released:]} == {NO_ACTION}
    assert {d.action for d in drive.run(5.0)} == {NO_ACTION}


def test_release_counts_low_boost_without_a_break() -> None:
    """A moment of boost, or of unknown boost, starts the release time again."""
    drive = healthy(rig())
    drive.run(1.0, share=0.0)
    assert drive.run(1.9, **OUT_OF_BOOST)[-1].action == CUT
    drive.run(0.02, boost_kpa=20.0, commanded_ml_min=0.0)  # 20 is not below 20
    assert drive.run(1.6, **OUT_OF_BOOST)[-1].action == CUT
    drive.run(0.5, commanded_ml_min=0.0, boost_kpa=NAN)  # unknown for the last 0.2 s
    assert drive.run(1.9, **OUT_OF_BOOST)[-1].action == CUT
    assert drive.run(0.2, **OUT_OF_BOOST)[-1].action == NO_ACTION


def test_release_does_not_count_a_gap() -> None:
    """Eight seconds of silence between two low readings are not eight seconds of low boost."""
    drive = healthy(rig(ladder={"release_after_s": 5.0}))
    drive.run(1.0, share=0.0)
    drive.run(0.1, **OUT_OF_BOOST)
    drive.time_s += 8.0
    assert drive.run(1.0, **OUT_OF_BOOST)[-1].action == CUT
    assert drive.run(4.0, **OUT_OF_BOOST)[-1].action == NO_ACTION


def test_release_closes_the_account() -> None:
    """Evidence and debt are nil after release, so the next pull starts with a clean account."""
    drive = healthy(rig())
    once = drive.run(1.0, share=0.6)
    assert once[-1].debt_ml > 0.0 < once[-1].evidence
    drive.run(2.5, **OUT_OF_BOOST)
    assert (drive.last.evidence, drive.last.debt_ml) == (0.0, 0.0)
    # It starts again: as long to warn as the first time, but for a gain that is known better.
    assert drive.run(2.0)[-1].evidence == 0.0
    again = drive.run(0.5, share=0.6)
    assert first(once, 1) - 2 <= first(again, 1) <= first(once, 1)


def test_acknowledgement() -> None:
    """Where the rig asks, release waits for the operator; an old acknowledgement counts nothing."""
    drive = healthy(rig(ladder={"acknowledge_to_release": True}))
    drive.run(0.1, operator=OPERATOR_ACKNOWLEDGE)
    drive.run(1.0, share=0.0)
    assert drive.run(10.0, **OUT_OF_BOOST)[-1].action == CUT
    drive.run(0.01, operator=OPERATOR_ACKNOWLEDGE, **OUT_OF_BOOST)
    assert drive.last.action == NO_ACTION
    drive.run(2.0)
    drive.run(1.0, share=0.0)
    drive.run(0.01, share=0.0, operator=OPERATOR_ACKNOWLEDGE)
    assert drive.last.action == CUT  # acknowledged in boost: kept, but nothing is released yet
    assert drive.run(2.1, **OUT_OF_BOOST)[-1].action == NO_ACTION


def warned() -> tuple[Drive, float]:
    """Return a drive that has just warned of missing spray, and the evidence that warns.

    What pulls timing is so far above that nothing here comes near it.
    """
    drive = healthy(rig())
    k = drive.guard.constants
    k.limit_nats = 10.0 * k.warn_nats
    while drive.last.action == NO_ACTION:
        drive.run(0.01, share=0.8)
        assert drive.time_s < 10.0
    assert drive.last.action == WARN
    return drive, k.warn_nats


def test_warning_clears_after_its_quiet_time() -> None:
    """A warning ends half a second after evidence has fallen below half of what warns."""
    drive, warn_nats = warned()
    decisions = drive.run(5.0)
    quiet = next(i for i, d in enumerate(decisions) if d.evidence <= 0.5 * warn_nats)
    cleared = next(i for i, d in enumerate(decisions) if d.action == NO_ACTION)
    assert (cleared - quiet) * 0.01 == pytest.approx(0.5, abs=0.021)
    assert decisions[cleared].finding == -1.0


def test_warning_does_not_flap() -> None:
    """Between half of what warns and all of it a warning stays, and is not raised anew."""
    drive, warn_nats = warned()
    shaking = []
    for _ in range(10):
        while drive.last.evidence > 0.7 * warn_nats:
            shaking += drive.run(0.01)
        while drive.last.evidence < warn_nats:
            shaking += drive.run(0.01, share=0.8)
    crossings = sum(a.evidence < warn_nats <= b.evidence for a, b in pairwise(shaking))
    assert crossings == 10
    assert {d.action for d in shaking} == {WARN}


@pytest.mark.parametrize("on_blind", list(Action))
@pytest.mark.parametrize("lost", ESSENTIAL)
def test_blindness_does_what_the_rig_says(on_blind: Action, lost: str) -> None:
    """An essential channel lost in boost: the rig's action 0.3 s after its value is 0.3 s old."""
    drive = healthy(rig(ladder={"on_blind": on_blind}))
    decisions = drive.run(2.0, **{lost: NOT_SENT})
    acted = first(decisions, 1)
    assert acted * 0.01 == pytest.approx(0.6, abs=0.031)
    assert decisions[-1].action == max(on_blind, Action.WARN)
    assert decisions[-1].finding == SIGNAL_LOST
    assert decisions[-1].all_healthy == 0.0
    if on_blind >= Action.PULL_TIMING:  # nobody knows how much is missing: all of it
        assert decisions[-1].retard_deg == 12.0
    assert decisions[-1].boost_ceiling_kpa == (80.0 if on_blind is Action.CUT_BOOST else inf)


def test_blindness_out_of_boost_only_warns() -> None:
    """Below the onset spray does not matter: a lost flow sensor warns, and clears by itself."""
    drive = Drive(rig())
    drive.run(2.0, **OUT_OF_BOOST)
    decisions = drive.run(5.0, delivered_ml_min=NOT_SENT, **OUT_OF_BOOST)
    assert decisions[-1].action == WARN
    assert max(d.action for d in decisions) == WARN
    assert drive.run(1.0, **OUT_OF_BOOST)[-1].action == NO_ACTION


def test_lost_optional_channel_only_warns() -> None:
    """A channel the judgement does not need warns when it is lost, in boost too."""
    drive = healthy(rig(channels=terms(*ESSENTIAL, "lambda_ratio")), lambda_ratio=0.8)
    decisions = drive.run(3.0)
    assert decisions[-1].action == WARN
    assert max(d.action for d in decisions) == WARN
    assert decisions[-1].all_healthy == 1.0


def test_unknown_boost_takes_back_the_top_of_the_table() -> None:
    """Without boost the most the spray ever pays for is taken back."""
    table = {"boost_kpa": (50.0, 150.0, 200.0), "timing_deg": (0.0, 10.0, 13.0)}
    drive = healthy(rig(paid=table))
    decisions = drive.run(2.0, boost_kpa=NOT_SENT)
    assert decisions[-1].retard_deg == 16.0  # 13 x 1.2 = 15.6
    assert decisions[-1].boost_kpa != decisions[-1].boost_kpa


def test_debt_stands_still_while_blind() -> None:
    """While delivered flow is unusable evidence and debt neither grow nor fall."""
    drive = healthy(rig(ladder={"on_blind": Action.WARN}))
    debt_ml = drive.run(0.5, share=0.0)[-1].debt_ml
    assert debt_ml > 2.0
    blind = drive.run(3.0, delivered_ml_min=NAN)[40:]
    assert len({(d.debt_ml, d.evidence) for d in blind}) == 1
    assert all(d.delivered_ml_min != d.delivered_ml_min for d in blind)
    assert drive.run(0.1)[-1].evidence < blind[-1].evidence


def test_no_release_while_a_limit_asks() -> None:
    """A limit that still asks for timing keeps the latch, however low the boost."""
    hot = Limit(above=90.0, for_s=0.1, action=Action.PULL_TIMING)
    drive = Drive(rig(limits={"intake_c": hot}, channels=terms(*ESSENTIAL, "intake_c")))
    drive.run(1.0, intake_c=100.0)
    assert {d.action for d in drive.run(10.0, intake_c=100.0, **OUT_OF_BOOST)} == {PULL}
    assert drive.run(0.1, intake_c=60.0, **OUT_OF_BOOST)[-1].action == NO_ACTION


def raised(decisions: list[Decision]) -> list[float]:
    """Return the actions in the order they were taken."""
    return [decisions[0].action] + [
        b.action for a, b in pairwise(decisions) if a.action != b.action
    ]


def test_cause_is_the_first_finding_at_the_worst_level() -> None:
    """A pull for missing spray, then a cut by overboost: that is then the finding behind it."""
    high = Limit(above=180.0, for_s=0.05, action=Action.CUT_BOOST)
    drive = healthy(rig(limits={"boost_kpa": high}, debt={"cut_s": inf}))
    decisions = drive.run(0.6, share=0.6) + drive.run(0.2, share=0.6, boost_kpa=200.0)
    assert [a for a in raised(decisions) if a != WARN] == [NO_ACTION, PULL, CUT]
    assert decisions[-1].finding == OVERBOOST
    assert decisions[-1].level[UNDER_DELIVERY] == PULL
