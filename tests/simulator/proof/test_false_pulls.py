"""What is counted while all is well: entries, hours, peaks, by many rigs at once."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rules.facts import Action
from rules.step.from_rig import constants_of
from rules.step.state import INTAKE_HOT, SIGNAL_LOST, UNDER_DELIVERY, Decision
from simulator.plant import Do, Step
from simulator.proof.driving import Outing, outing
from simulator.proof.false_pulls import counted, watch, watch_outing
from simulator.proof.population import Population, draw, filled
from simulator.runs import Drive
from tests.kit.proofs import brindle

BRINDLE = brindle().rig
STEP_S = 0.1
WARN, PULL, CUT = 1.0, 2.0, 3.0


def decided(n: int) -> tuple[Any, Any]:
    """Return the decisions of n quiet rows, 0.1 s apart, and the same by name."""
    decisions = np.zeros((n, len(Decision.names())))
    named = Decision.named(decisions)
    named["clock_s"][:] = STEP_S * np.arange(n)
    return decisions, named


def test_each_entry_counts_once() -> None:
    """A bout counts once for each action it comes to, however many findings ask for it."""
    decisions, named = decided(40)
    level = named["level"]
    level[5:8, UNDER_DELIVERY] = WARN
    level[8:12, UNDER_DELIVERY] = PULL
    level[10:14, SIGNAL_LOST] = PULL
    level[20:30, SIGNAL_LOST] = CUT
    seen = counted(1.0, [decisions])
    assert [seen.count(action) for action in list(Action)[1:]] == [2, 2, 1]
    assert seen.by_finding[UNDER_DELIVERY].tolist() == [1, 1, 0]
    assert seen.by_finding[SIGNAL_LOST].tolist() == [2, 2, 1]


def test_a_limit_that_is_passed_is_no_false_pull() -> None:
    """Its finding is counted apart."""
    decisions, named = decided(10)
    named["level"][2:5, INTAKE_HOT] = PULL
    seen = counted(1.0, [decisions])
    assert seen.entries.tolist() == [0, 0, 0]
    assert seen.by_finding[INTAKE_HOT].tolist() == [1, 1, 0]


def test_hours_are_of_rows_that_came_in_time() -> None:
    """A pause is no driving; a command below nil is no spray."""
    decisions, named = decided(101)
    named["commanded_ml_min"][11:31] = 5.0
    named["commanded_ml_min"][41:50] = 0.5
    named["clock_s"][80:] += 60.0
    seen = counted(1.0, [decisions])
    assert seen.driven_s == pytest.approx(9.9)
    assert seen.sprayed_s == pytest.approx(2.0)
    nothing = counted(1.0, [])
    assert (nothing.driven_s, nothing.count(Action.WARN), len(nothing.peaks_nats)) == (0.0, 0, 0)


def test_a_bout_of_evidence_has_one_peak() -> None:
    """From nil to nil, the last one open; what is hardly any is left out."""
    decisions, named = decided(12)
    named["evidence"][:] = [0, 2, 3, 1.2, 0, 0.4, 0, 5, 4, 0, 0, 7]
    assert counted(1.0, [decisions]).peaks_nats.tolist() == [3.0, 5.0, 7.0]


@pytest.mark.parametrize("cut", [1, 7, 9, 20])
def test_pieces_add_up(cut: int) -> None:
    """A log read in pieces counts as a whole, wherever it is cut."""
    decisions, named = decided(30)
    named["level"][5:9, UNDER_DELIVERY] = PULL
    named["commanded_ml_min"][:] = 9.0
    named["evidence"][4:12] = [1, 3, 6, 9, 8, 3, 2, 1]
    whole, cut_up = counted(1.0, [decisions]), counted(1.0, [decisions[:cut], decisions[cut:]])
    assert whole.peaks_nats.tolist() == cut_up.peaks_nats.tolist() == [9.0]
    assert (whole.entries == cut_up.entries).all()
    assert (whole.driven_s, whole.sprayed_s) == (cut_up.driven_s, cut_up.sprayed_s)


def short(index: int = 0) -> Outing:
    """Return two pulls by brindle."""
    steps = (Step(Do.PULL, 4.0, 3), Step(Do.LIFT, 1.5), Step(Do.PULL, 4.0, 4), Step(Do.LIFT, 1.0))
    whole = outing(BRINDLE, draw(filled(Population(), BRINDLE, 0.02), index))
    return replace(whole, scenario=replace(whole.scenario, drive=steps))


def test_one_stream_serves_many_rigs() -> None:
    """Each rig's guard sees what it would have seen alone; the rows are those of one drive."""
    hasty = replace(BRINDLE, debt=replace(BRINDLE.debt, false_pull_every_h=1e-6))
    both = watch_outing(short(), [BRINDLE, hasty])
    alone = watch_outing(short(), [hasty])[0]
    assert both[1].peaks_nats.tolist() == alone.peaks_nats.tolist()
    assert both[1].count(Action.WARN) > 0 == both[0].count(Action.WARN)
    one = short()
    rows = [
        block.rows for block in Drive(one.scenario, one.scenario.seed, guarded=False, compiled=True)
    ]
    again = watch(BRINDLE, rows)
    assert again.peaks_nats.tolist() == both[0].peaks_nats.tolist()
    assert 6.0 < again.sprayed_s < 9.0 < again.driven_s < 10.6


def test_watching_is_acting_up_to_the_first_pull() -> None:
    """Rows and evidence are those of a guard that acts, bit for bit, until it acts."""
    hasty = replace(BRINDLE, debt=replace(BRINDLE.debt, false_pull_every_h=1e-6))
    scenario = replace(short().scenario, rig=hasty)
    watching, acting = (
        np.concatenate(
            [
                np.column_stack((block.rows, block.decisions))
                for block in Drive(scenario, scenario.seed, guarded=guarded, compiled=True)
            ]
        )
        for guarded in (False, True)
    )
    first = int(
        np.flatnonzero(Decision.named(acting[:, -len(Decision.names()) :])["action"] >= 2)[0]
    )
    same = (watching == acting) | (np.isnan(watching) & np.isnan(acting))
    assert same[: first + 1].all()
    assert not same[first + 1 :].all()
    assert constants_of(hasty).limit_nats < constants_of(BRINDLE).limit_nats
