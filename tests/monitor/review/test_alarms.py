"""The few rows that can move an alarm are enough, whatever levels, boost and clock do."""

from itertools import pairwise

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as some

from monitor.attach.protocol import Command
from monitor.guard.alarm_desk import AlarmDesk
from monitor.review.alarms import AlarmHistory, moments
from monitor.review.pieces import Piece
from monitor.review.time_axis import TimeAxis
from rules.channels import OPERATOR, ROW_WIDTH, TIME
from rules.step.state import N_DECISION, OVERBOOST, UNASKED_FLOW, UNDER_DELIVERY, Decision, State
from tests.kit.recordings import BRINDLE

ONSET_KPA = BRINDLE.rig.command.start_boost_kpa
# Each: how many rows, step of time, level of three findings, boost against the onset, a hand.
STRETCH = some.tuples(
    some.integers(1, 60),
    some.sampled_from([0.0, 0.01, 0.02, 0.5, -3.0, -60.0]),
    some.sampled_from([0.0, 0.0, 1.0, 1.0, 2.0, 3.0]),
    some.sampled_from([0.0, 0.0, 1.0, 3.0]),
    some.sampled_from([0.0, 0.0, 1.0]),
    some.sampled_from([-20.0, 0.0, 20.0, float("nan")]),
    some.booleans(),
)


# A shortfall that is suppressed below the onset, and is news once boost is above it.
RISING = [(100, 0.01, level, 0.0, 0.0, kpa, False) for level, kpa in ((0, -20), (1, -20), (1, 20))]


@settings(max_examples=60)
@example(stretches=RISING, cut=150)
@given(stretches=some.lists(STRETCH, min_size=1, max_size=12), cut=some.integers(1, 200))
def test_as_if_every_row_were_heard(
    stretches: list[tuple[int, float, float, float, float, float, bool]], cut: int
) -> None:
    """Standing alarms and bell in every row, over the edges of pieces too."""
    n = sum(stretch[0] for stretch in stretches)
    decisions, rows = np.zeros((n, N_DECISION)), np.zeros((n, ROW_WIDTH))
    named = Decision.named(decisions)
    at, time_s = 0, 100.0
    for count, step_s, under, boost, unasked, above_kpa, hand in stretches:
        part = slice(at, at + count)
        # The clock steps back once; from there it goes on at an even pace.
        steps = np.full(count, step_s if step_s >= 0.0 else 0.01)
        steps[0] = step_s
        times = time_s + np.cumsum(steps)
        rows[part, TIME] = named["time_s"][part] = times
        time_s = float(times[-1])
        named["level"][part, UNDER_DELIVERY] = under
        named["level"][part, OVERBOOST] = boost
        named["level"][part, UNASKED_FLOW] = unasked
        named["boost_kpa"][part] = ONSET_KPA + above_kpa
        rows[at, OPERATOR] = float(hand)
        at += count
    cuts = sorted({0, min(cut, n), n})
    found = []
    for start, end in pairwise(cuts):
        piece = Piece(start, end, BRINDLE, np.zeros(len(State.names())), TimeAxis(0.0, 0.0), 0)
        found += moments(piece, rows, decisions[start:end])
    history = AlarmHistory(found, rows)
    asked_late = AlarmHistory(found, rows)
    asked_late.at(n - 1)
    desk = AlarmDesk(ONSET_KPA)
    for index, row in enumerate(decisions.tolist()):
        desk.feed(Decision.of_flat(row))
        if rows[index, OPERATOR] == 1.0:
            desk.obey(Command("acknowledge"), row[0])
        assert history.at(index) == asked_late.at(index) == (desk.standing(), desk.sounding)
