"""When each fault is active, how much of it, and what that does to the plant."""

from typing import Final

from rules.step.arithmetic import larger, smaller
from rules.step.vector import Vector
from simulator.plant.layout import (
    F_ABOVE_KPA,
    F_ABOVE_RPM,
    F_AMOUNT,
    F_AT_S,
    F_BELOW_KPA,
    F_FOR_S,
    F_GEAR,
    F_KIND,
    F_NOW,
    F_ONSET_S,
    F_RAMP_S,
    FAULT_WIDTH,
    K_N_FAULTS,
    S_BOOST_KPA,
    S_GEAR,
    S_SPEED_RPM,
    X_AIR,
    X_BYPASS_OPEN,
    X_DRAIN,
    X_HOT_COOLER,
    X_LEAN,
    X_NO_CUT,
    X_NO_RETARD,
    X_NOZZLE_SHARE,
    X_OVERBOOST,
    X_PUMP_DRIVE,
    X_PUMP_SHARE,
    X_SILENT,
    X_SIPHON,
    X_SLOW_S,
    X_SPLIT_AFTER,
    X_SPLIT_BEFORE,
    X_STUCK_OPEN,
    X_STUCK_SHUT,
    X_SUPPLY_SHARE,
    X_WRONG_MIX,
)

# Numbers of the kinds, in the order of ``script.FaultKind``.
(
    PUMP_STOP,
    PUMP_FADE,
    SUPPLY_LOW,
    CLOGGED_NOZZLE,
    SPLIT_BEFORE_SENSOR,
    SPLIT_AFTER_SENSOR,
    EMPTY_TANK,
    AIR,
    SIPHON,
    VALVE_STUCK_OPEN,
    VALVE_STUCK_SHUT,
    REGULATOR_STUCK,
    WRONG_MIX,
    CONTROLLER_SILENT,
    RETARD_IGNORED,
    CUT_IGNORED,
    ORDERS_LATE,
    OVERBOOST,
    COOLER_BLOCKED,
    PETROL_SHORT,
    SENSOR_STUCK,
    SENSOR_SHORT,
    SENSOR_OPEN,
    SENSOR_OFFSET,
    SENSOR_GAIN,
    SENSOR_DRIFT,
    SENSOR_NOISE,
    SENSOR_SPIKES,
    SENSOR_OSCILLATION,
    SENSOR_INTERMITTENT,
    WIRE_NOISE,
    MESSAGES_LOST,
    MESSAGES_LATE,
    MESSAGES_REPEATED,
    MESSAGES_INSERTED,
    MESSAGES_DISORDERED,
    CLOCK_STEP,
    SECOND_SENDER,
    UNPLUGGED,
    LOG_CUT,
) = range(40)
_LINE_OFF: Final = 0.97  # of all openings: a line's bore is some thirty times the nozzles'
_MOST_LATE_S: Final = 1.0
NEVER_S: Final = 1e300


def schedule(k: Vector, s: Vector, faults: Vector, now_s: float) -> None:
    """Bring every fault, and every effect of one, to this moment.

    Args:
        k: Constants.
        s: State; the effects are put into it.
        faults: ``FAULT_WIDTH`` numbers a fault; onset and present amount are put into it.
        now_s: Time since the start, seconds.
    """
    count = int(k[K_N_FAULTS])
    if count == 0:
        return
    _heal(s)
    for i in range(count):
        at = i * FAULT_WIDTH
        if faults[at + F_ONSET_S] >= NEVER_S and _begins(s, faults, at, now_s):
            faults[at + F_ONSET_S] = now_s
        since_s = now_s - faults[at + F_ONSET_S]
        amount = 0.0
        if 0.0 <= since_s < faults[at + F_FOR_S]:
            amount = faults[at + F_AMOUNT]
            if since_s < faults[at + F_RAMP_S]:
                amount = amount * since_s / faults[at + F_RAMP_S]
            _apply(s, int(faults[at + F_KIND]), amount)
        faults[at + F_NOW] = amount


def heal(s: Vector) -> None:
    """Set every effect to "nothing is wrong"."""
    _heal(s)


def _begins(s: Vector, faults: Vector, at: int, now_s: float) -> bool:
    """Whether all the conditions of a fault hold now."""
    boost_kpa = s[S_BOOST_KPA]
    gear = faults[at + F_GEAR]
    return (
        now_s >= faults[at + F_AT_S]
        and boost_kpa > faults[at + F_ABOVE_KPA]
        and boost_kpa < faults[at + F_BELOW_KPA]
        and s[S_SPEED_RPM] > faults[at + F_ABOVE_RPM]
        and (gear == 0.0 or gear == s[S_GEAR])
    )


def _heal(s: Vector) -> None:
    s[X_PUMP_DRIVE] = 1.0
    s[X_PUMP_SHARE] = 1.0
    s[X_SUPPLY_SHARE] = 1.0
    s[X_NOZZLE_SHARE] = 1.0
    s[X_SPLIT_BEFORE] = 0.0
    s[X_SPLIT_AFTER] = 0.0
    s[X_AIR] = 0.0
    s[X_SIPHON] = 0.0
    s[X_STUCK_OPEN] = 0.0
    s[X_STUCK_SHUT] = 0.0
    s[X_SILENT] = 0.0
    s[X_WRONG_MIX] = 0.0
    s[X_DRAIN] = 0.0
    s[X_BYPASS_OPEN] = 0.0
    s[X_NO_RETARD] = 0.0
    s[X_NO_CUT] = 0.0
    s[X_OVERBOOST] = 0.0
    s[X_SLOW_S] = 0.0
    s[X_HOT_COOLER] = 0.0
    s[X_LEAN] = 0.0


def _apply(s: Vector, kind: int, amount: float) -> None:
    """Put one fault's effect into the state; those of sensors and messages act elsewhere."""
    if kind >= SENSOR_STUCK:
        return
    if kind == PUMP_STOP:
        s[X_PUMP_DRIVE] = 0.0
    elif kind == PUMP_FADE:
        s[X_PUMP_SHARE] *= 1.0 - amount
    elif kind == SUPPLY_LOW:
        s[X_SUPPLY_SHARE] *= 1.0 - amount
    elif kind == CLOGGED_NOZZLE:
        s[X_NOZZLE_SHARE] *= 1.0 - amount
    elif kind == SPLIT_BEFORE_SENSOR:
        s[X_SPLIT_BEFORE] += _opening(amount)
    elif kind == SPLIT_AFTER_SENSOR:
        s[X_SPLIT_AFTER] += _opening(amount)
    elif kind == EMPTY_TANK:
        s[X_DRAIN] = larger(s[X_DRAIN], amount)
    elif kind == AIR:
        s[X_AIR] = larger(s[X_AIR], amount)
    elif kind == SIPHON:
        s[X_SIPHON] = larger(s[X_SIPHON], amount)
    elif kind == VALVE_STUCK_OPEN:
        s[X_STUCK_OPEN] = larger(s[X_STUCK_OPEN], amount)
    elif kind == VALVE_STUCK_SHUT:
        s[X_STUCK_SHUT] = larger(s[X_STUCK_SHUT], amount)
    else:
        _apply_more(s, kind, amount)


def _apply_more(s: Vector, kind: int, amount: float) -> None:
    if kind == REGULATOR_STUCK:
        s[X_BYPASS_OPEN] = larger(s[X_BYPASS_OPEN], amount)
    elif kind == WRONG_MIX:
        s[X_WRONG_MIX] = larger(s[X_WRONG_MIX], amount)
    elif kind == CONTROLLER_SILENT:
        s[X_SILENT] = 1.0
    elif kind == RETARD_IGNORED:
        s[X_NO_RETARD] = larger(s[X_NO_RETARD], amount)
    elif kind == CUT_IGNORED:
        s[X_NO_CUT] = 1.0
    elif kind == ORDERS_LATE:
        s[X_SLOW_S] = smaller(_MOST_LATE_S, s[X_SLOW_S] + amount * _MOST_LATE_S)
    elif kind == OVERBOOST:
        s[X_OVERBOOST] = larger(s[X_OVERBOOST], amount)
    elif kind == COOLER_BLOCKED:
        s[X_HOT_COOLER] = larger(s[X_HOT_COOLER], amount)
    elif kind == PETROL_SHORT:
        s[X_LEAN] = larger(s[X_LEAN], amount)


def _opening(amount: float) -> float:
    """Return a split's conductance over the nozzles', from its share of all openings (0 to 1)."""
    held = smaller(amount, _LINE_OFF)
    return held / (1.0 - held)
