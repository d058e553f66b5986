"""A guard: what it refuses, its fingerprint, and two guards side by side."""

from dataclasses import replace

import numpy as np
import pytest

from rules.channels import OPERATOR, ROW_WIDTH, Sample, tick
from rules.guard import Guard
from rules.step import compiled
from rules.step.command import share_of_full_ml_min
from tests.kit.rigs import healthy, rig


def test_a_tick_carries_time_and_the_operators_hand_alone() -> None:
    """No channel is sent; the operator column is nothing unless it is given."""
    assert list(tick(2.0)) == list(Sample(2.0))
    assert list(tick(2.0, operator=1.0)) == list(Sample(2.0, operator=1.0))
    assert tick(2.0)[OPERATOR] == 0.0


def test_wrong_shape_is_refused() -> None:
    """A matrix that is not ROW_WIDTH wide is refused before anything is decided."""
    with pytest.raises(ValueError, match="samples: found shape"):
        Guard(rig()).run_rows(np.zeros((3, ROW_WIDTH - 1)))


def test_fingerprint_sees_names_and_constants(monkeypatch: pytest.MonkeyPatch) -> None:
    """The compiled code's cache key changes with a called name and with a module's constant."""
    plain = compiled.fingerprint()
    assert compiled.fingerprint() == plain
    monkeypatch.setattr("rules.step.evidence.MIN_PER_S", 1.0)
    changed = compiled.fingerprint()
    assert changed != plain
    monkeypatch.undo()
    code = share_of_full_ml_min.__code__
    names = tuple("larger" if name == "smaller" else name for name in code.co_names)
    monkeypatch.setattr(share_of_full_ml_min, "__code__", code.replace(co_names=names))
    assert compiled.fingerprint() not in (plain, changed)


def test_rig_changes_do_not_leak_between_guards() -> None:
    """Two guards share nothing: one's shortfall leaves the other at no action."""
    facts = rig()
    broken, fine = healthy(facts), healthy(replace(facts))
    assert broken.run(1.0, share=0.0)[-1].action == 3.0
    assert fine.run(1.0)[-1].action == 0.0


@pytest.mark.parametrize(
    "other",
    [{"delay_s": 0.09}, {"lag_within_s": 0.04}, {"refresh_s": 0.2}, {"gain_within": 0.05}],
)
def test_another_flow_sensor_is_another_car(other: dict[str, float]) -> None:
    """What is remembered of cars and learned of this one would not fit: refused, nothing changed.

    Other terms of the debt are taken, and the evidence so far stands.
    """
    drive = healthy(rig())
    drive.run(0.1, share=0.5)
    before, known = drive.guard.rig, drive.guard.state()
    with pytest.raises(ValueError, match="found another flow sensor, expected the same"):
        drive.guard.change(rig(flow_sensor=other))
    assert drive.guard.rig is before
    assert np.array_equal(drive.guard.state(), known, equal_nan=True)
    drive.guard.change(rig(debt={"false_pull_every_h": 1.0}))
    assert drive.guard.decision().evidence == drive.last.evidence > 0.0
    assert drive.guard.constants.limit_nats < 16.0
