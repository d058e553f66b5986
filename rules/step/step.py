"""One sample taken in: the order in which the parts of a decision are worked out."""

from collections.abc import Sequence

from rules import channels as ch
from rules.step.command import commanded_flow_ml_min
from rules.step.constants import (
    ESSENTIAL,
    MAPPED,
    N_ESSENTIAL,
    N_MAPPED,
    Constants,
)
from rules.step.cross_checks import FIRST_AIR_LEVEL
from rules.step.debt import account
from rules.step.expectation import expect
from rules.step.health import advance_clock, read_channels, take_pace
from rules.step.ladder import decide
from rules.step.state import (
    ABSENT,
    ACKNOWLEDGED,
    AGE_S,
    AIR_LEVEL,
    ALL_HEALTHY,
    BOOST_KPA,
    CEILING_KPA,
    CHANGED,
    CLOCK_DOUBT_S,
    CLOCK_PACE,
    COMMANDED_ML_MIN,
    COOLING_K,
    DELIVERED_ML_MIN,
    DUTY_BOOST_KPA,
    FINDING,
    HEALTH,
    HEALTHY,
    INTAKE_BEFORE,
    JUDGED,
    LATE_COUNT,
    N_STATE,
    NEVER_S,
    NO_FINDING,
    STALE,
    TANK_S,
    UNHEALTHY,
    USABLE,
    VALUE,
)
from rules.step.vector import Vector

NAN = float("nan")


def step(k: Vector, columns: Sequence[int], s: Vector, x: Sequence[float], at: int) -> None:
    """Take one sample into the state; the head of ``s`` is then the decision.

    The one implementation: interpreted for the live guard, compiled for replay and bench.

    Args:
        k: Constants, from ``constants_of`` (a list; an array when compiled).
        columns: Column numbers, from ``constants_of``.
        s: State, ``N_STATE`` long, from ``fresh_state``.
        x: Samples, row after row, each ``ROW_WIDTH`` long.
        at: Where in ``x`` this sample starts.
    """
    s[CHANGED] = 0.0
    if x[at + ch.OPERATOR] == ch.OPERATOR_ACKNOWLEDGE:
        s[ACKNOWLEDGED] = 1.0  # a hand on the button counts, even in a sample that is late
    dt_s = advance_clock(k, s, x[at + ch.TIME])
    if dt_s < 0.0:
        s[LATE_COUNT] = s[LATE_COUNT] + 1.0
        return
    read_channels(k, columns, s, x, at, dt_s)

    take_pace(s, x[at + ch.CLOCK_PACE])
    # What a clock that runs wrong measures isn't known: nothing is judged by it.
    can_judge = s[CLOCK_PACE] == 1.0
    healthy = can_judge and s[CLOCK_DOUBT_S] <= 0.0
    if s[UNHEALTHY] > 0.0:
        for i in range(ESSENTIAL, ESSENTIAL + columns[N_ESSENTIAL]):
            column = columns[i]
            if s[HEALTH + column] != HEALTHY:
                healthy = False
                if s[USABLE + column] == 0.0:
                    can_judge = False
    s[ALL_HEALTHY] = 1.0 if healthy else 0.0
    s[JUDGED] = 1.0 if can_judge else 0.0

    boost_kpa = s[VALUE + ch.BOOST]
    s[BOOST_KPA] = boost_kpa if s[USABLE + ch.BOOST] > 0.0 else NAN
    s[DELIVERED_ML_MIN] = s[VALUE + ch.DELIVERED] if s[USABLE + ch.DELIVERED] > 0.0 else NAN
    s[COMMANDED_ML_MIN] = commanded_flow_ml_min(
        k,
        boost_kpa,
        s[VALUE + ch.INJECTOR_DUTY],
        s[VALUE + ch.COMMANDED],
        s[VALUE + ch.COMMAND_PCT],
    )
    expect(k, s, dt_s)
    # Where an essential reading is unusable the debt stands still: it neither grows nor is repaid.
    if can_judge:
        account(k, s, s[VALUE + ch.DELIVERED], dt_s)
    decide(k, columns, s, dt_s)


def fresh_state(constants: Constants) -> list[float]:
    """Return the state of a guard that has seen nothing: no channel is healthy."""
    s = [0.0] * N_STATE
    s[FINDING] = NO_FINDING
    s[CLOCK_PACE] = 1.0
    s[CEILING_KPA] = float("inf")
    s[BOOST_KPA] = NAN
    s[DELIVERED_ML_MIN] = NAN
    s[TANK_S] = float("inf")
    s[COOLING_K] = NAN
    s[DUTY_BOOST_KPA] = NAN
    s[AIR_LEVEL] = FIRST_AIR_LEVEL
    s[INTAKE_BEFORE] = float("inf")  # a guard that starts in boost knows no rise
    for column in range(1, ch.N_CHANNELS + 1):
        s[AGE_S + column] = NEVER_S
        s[HEALTH + column] = ABSENT
    n_mapped = constants.columns[N_MAPPED]
    for column in constants.columns[MAPPED : MAPPED + n_mapped]:
        s[HEALTH + column] = STALE
    return s
