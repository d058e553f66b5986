"""The holder: what lets outputs be held, and what does not. Decisions in, nothing else."""

from dataclasses import replace

import pytest

from monitor.outputs.base import REARM_S
from monitor.outputs.may_hold import Holder
from rules.channels import NOT_SENT
from tests.kit.rigs import Drive, rig


def well() -> tuple[Holder, Drive]:
    """Return a holder that holds, and the drive that got it there."""
    holder, drive = Holder(rig()), Drive(rig())
    for decision in drive.run(2.0):
        holder.feed(decision)
    return holder, drive


def test_nothing_is_held_before_all_has_been_well_for_a_while() -> None:
    """The first hold comes ``REARM_S`` after the first healthy sample, not before."""
    holder, drive = Holder(rig()), Drive(rig())
    fed = [(holder.feed(d), holder.held) for d in drive.run(REARM_S + 0.05)]
    first = next(i for i, (_, held) in enumerate(fed) if held)
    assert 0.01 * first == pytest.approx(REARM_S, abs=0.011)
    assert [changed for changed, _ in fed].count(True) == 1
    assert holder.why == "all is well"


def test_a_trip_releases_with_its_reason_and_a_release_holds_again() -> None:
    """The very decision that pulls timing releases; after the ladder's release it is held again."""
    holder, drive = well()
    for decision in drive.run(1.0, share=0.0):
        was = holder.held
        assert holder.feed(decision) is (was and decision.action >= 2)
        assert holder.held is (decision.action < 2)
    assert holder.why == "under-delivery: cut boost to 80 kPa and pull 12.0 deg of timing"
    for decision in drive.run(6.0, boost_kpa=0.0, commanded_ml_min=0.0):
        holder.feed(decision)
    assert str(holder.held) == "True"


def test_one_bad_reading_is_forgiven_but_not_a_lasting_one() -> None:
    """As long as the rig forgives blindness, the output does; then it drops, with a reason."""
    holder, drive = well()
    for decision in drive.run(0.05, delivered_ml_min=float("nan")):
        holder.feed(decision)
        assert holder.held
    for decision in drive.run(0.2):
        holder.feed(decision)
    ill = drive.run(1.0, delivered_ml_min=NOT_SENT, boost_kpa=0.0, commanded_ml_min=0.0)
    dropped = next(i for i, decision in enumerate(ill) if holder.feed(decision))
    # Stale after max_age (0.3 s), forgiven for blind_after (0.3 s).
    assert 0.01 * dropped == pytest.approx(0.6, abs=0.03)
    assert "not healthy" in holder.why


def test_a_late_sample_changes_nothing() -> None:
    """A sample out of order is not judged, so it neither holds nor releases."""
    holder, drive = well()
    drive.time_s -= 0.3
    (late,) = drive.run(0.01)
    assert late.late == 1.0
    assert holder.feed(late) is False
    assert holder.why == "all is well"


def test_new_terms_change_its_patience_and_not_what_is_held() -> None:
    """A rig that forgives no blindness releases at the first bad sample after it is in force."""
    terms = rig()
    for changed in (False, True):
        holder, drive = well()
        if changed:
            holder.change(replace(terms, ladder=replace(terms.ladder, blind_after_s=0.0)))
        assert holder.held
        for decision in drive.run(0.02, boost_kpa=float("nan")):
            holder.feed(decision)
        assert holder.held is not changed
