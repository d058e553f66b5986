"""One sample taken in: the order in which the parts of a decision are worked out."""

from collections.abc import Sequence

from rules import channels as ch
from rules.step.arithmetic import NAN
from rules.step.charge import close_charge
from rules.step.command import take_command
from rules.step.constants import Constants
from rules.step.expectation import expect_of_all
from rules.step.health import advance_clock, read_channels, take_pace
from rules.step.ladder import decide
from rules.step.learning import forget
from rules.step.line import close_line
from rules.step.state import HEALTHY, STALE, State
from rules.step.witnesses import weigh_witnesses


def step(k: Constants, s: State, x: Sequence[float], at: int) -> None:
    """Take one sample into the state; the head of ``s`` is then the decision.

    The one implementation: interpreted for the live guard, compiled for replay and bench.

    Args:
        k: Constants, from ``constants_of``.
        s: State, from ``fresh_state``.
        x: Samples, row after row, each ``ROW_WIDTH`` long.
        at: Where in ``x`` this sample starts.
    """
    s.changed = 0.0
    if x[at + ch.OPERATOR] == ch.OPERATOR_ACKNOWLEDGE:
        s.acknowledged = 1.0  # a hand on the button counts, even in a sample that is late
    dt_s = advance_clock(k, s, x[at + ch.TIME])
    if dt_s < 0.0:
        s.late_count = s.late_count + 1.0
        return
    read_channels(k, s, x, at, dt_s)

    take_pace(s, x[at + ch.CLOCK_PACE])
    # What a clock that runs wrong measures isn't known: nothing is judged by it.
    can_judge = s.clock_pace == 1.0
    healthy = can_judge and s.clock_doubt_s <= 0.0
    if s.unhealthy > 0.0:
        for i in range(k.n_essential):
            column = k.essential[i]
            if s.health[column] != HEALTHY:
                healthy = False
                if s.usable[column] == 0.0:
                    can_judge = False
    s.all_healthy = 1.0 if healthy else 0.0
    s.can_judge = 1.0 if can_judge else 0.0

    boost_kpa = s.value[ch.BOOST]
    s.boost_kpa = boost_kpa if s.usable[ch.BOOST] > 0.0 else NAN
    s.delivered_ml_min = s.value[ch.DELIVERED] if s.usable[ch.DELIVERED] > 0.0 else NAN
    take_command(k, s)
    by_flow = k.witness_column == ch.DELIVERED
    if by_flow:
        expect_of_all(k, s, dt_s)
    else:
        s.expected_ml_min = s.commanded_ml_min
        if s.clock_doubt_s == k.clock_doubt_for_s:
            close_line(s)
            close_charge(s)
    # Where an essential reading is unusable evidence and debt stand still.
    s.unread_s = s.unread_s + dt_s
    s.line_unread_s = s.line_unread_s + dt_s
    if can_judge:
        weigh_witnesses(k, s, dt_s)
    else:
        s.unread_s = s.line_unread_s = 0.0
    decide(k, s, dt_s)


def fresh_state(k: Constants) -> State:
    """Return the state of a guard that has seen nothing: no channel is healthy."""
    s = State()
    forget(k, s)
    if k.witness_column != ch.DELIVERED:
        s.least_ml_min = s.most_ml_min = NAN
    for column in k.mapped[: k.n_mapped]:
        s.health[column] = STALE
    return s
