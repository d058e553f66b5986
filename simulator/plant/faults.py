"""When each fault is active, how much of it, and what that does to the plant."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from rules.record import Record
from rules.step.arithmetic import larger, smaller
from simulator.plant.constants import Constants
from simulator.plant.script import FaultKind
from simulator.plant.state import State

_LINE_OFF: Final = 0.97  # of all openings: a line's bore is some thirty times the nozzles'
_MOST_LATE_S: Final = 1.0
NEVER_S: Final = 1e300


@dataclass(slots=True)
class FaultNow(Record):
    """One fault of the script, and where it stands."""

    kind: int = 0  # as ``FaultKind``
    channel: int = 0  # a sensor's
    at_s: float = 0.0  # it begins not before this,
    above_kpa: float = 0.0  # nor at less boost, gauge,
    below_kpa: float = 0.0  # nor at more,
    above_rpm: float = 0.0  # nor at less engine speed,
    gear: int = 0  # nor in another gear (0: any)
    amount: float = 0.0  # in full
    ramp_s: float = 0.0  # until then,
    ramp_after_s: float = 0.0  # counted from so long after onset,
    ramp_from: float = 0.0  # at which amount it stood
    for_s: float = 0.0  # until it is gone
    onset_s: float = NEVER_S  # when it began
    now: float = 0.0  # amount at this moment, 0 where it is not active


def schedule(k: Constants, s: State, faults: Sequence[FaultNow], now_s: float) -> None:
    """Bring every fault, and every effect of one, to this moment.

    Args:
        k: Constants.
        s: State; the effects are put into it.
        faults: The faults; onset and present amount are put into it.
        now_s: Time since the start, seconds.
    """
    if k.fault_count == 0:
        return
    heal(s)
    for i in range(k.fault_count):
        fault = faults[i]
        if fault.onset_s >= NEVER_S and _begins(s, fault, now_s):
            fault.onset_s = now_s
        since_s = now_s - fault.onset_s
        amount = 0.0
        if 0.0 <= since_s < fault.for_s:
            amount = fault.amount
            ramped_s = since_s - fault.ramp_after_s
            if ramped_s < fault.ramp_s:
                begun = fault.ramp_from
                amount = begun + (amount - begun) * ramped_s / fault.ramp_s
            _apply(s, fault.kind, amount)
        fault.now = amount


def _begins(s: State, fault: FaultNow, now_s: float) -> bool:
    """Whether all the conditions of a fault hold now."""
    boost_kpa = s.boost_kpa
    gear = fault.gear
    return (
        now_s >= fault.at_s
        and boost_kpa > fault.above_kpa
        and boost_kpa < fault.below_kpa
        and s.speed_rpm > fault.above_rpm
        and (gear == 0 or gear == s.gear)
    )


def heal(s: State) -> None:
    """Set every effect to "nothing is wrong"."""
    s.pump_drive = 1.0
    s.pump_left = 1.0
    s.supply_left = 1.0
    s.nozzles_left = 1.0
    s.split_before = 0.0
    s.split_after = 0.0
    s.air = 0.0
    s.siphon = 0.0
    s.stuck_open = 0.0
    s.stuck_shut = 0.0
    s.silent = 0.0
    s.wrong_mix = 0.0
    s.drain = 0.0
    s.bypass_open = 0.0
    s.retard_ignored = 0.0
    s.cut_ignored = 0.0
    s.overboost = 0.0
    s.orders_late_s = 0.0
    s.cooler_blocked = 0.0
    s.petrol_short = 0.0


def _apply(s: State, kind: int, amount: float) -> None:
    """Put one fault's effect into the state; those of sensors and messages act elsewhere."""
    if kind >= FaultKind.SENSOR_STUCK:
        return
    if kind == FaultKind.PUMP_STOP:
        s.pump_drive = 0.0
    elif kind == FaultKind.PUMP_FADE:
        s.pump_left *= 1.0 - amount
    elif kind == FaultKind.SUPPLY_LOW:
        s.supply_left *= 1.0 - amount
    elif kind == FaultKind.CLOGGED_NOZZLE:
        s.nozzles_left *= 1.0 - amount
    elif kind == FaultKind.SPLIT_BEFORE_SENSOR:
        s.split_before += _opening(amount)
    elif kind == FaultKind.SPLIT_AFTER_SENSOR:
        s.split_after += _opening(amount)
    elif kind == FaultKind.EMPTY_TANK:
        s.drain = larger(s.drain, amount)
    elif kind == FaultKind.AIR:
        s.air = larger(s.air, amount)
    elif kind == FaultKind.SIPHON:
        s.siphon = larger(s.siphon, amount)
    elif kind == FaultKind.VALVE_STUCK_OPEN:
        s.stuck_open = larger(s.stuck_open, amount)
    elif kind == FaultKind.VALVE_STUCK_SHUT:
        s.stuck_shut = larger(s.stuck_shut, amount)
    else:
        _apply_more(s, kind, amount)


def _apply_more(s: State, kind: int, amount: float) -> None:
    if kind == FaultKind.REGULATOR_STUCK:
        s.bypass_open = larger(s.bypass_open, amount)
    elif kind == FaultKind.WRONG_MIX:
        s.wrong_mix = larger(s.wrong_mix, amount)
    elif kind == FaultKind.CONTROLLER_SILENT:
        s.silent = 1.0
    elif kind == FaultKind.RETARD_IGNORED:
        s.retard_ignored = larger(s.retard_ignored, amount)
    elif kind == FaultKind.CUT_IGNORED:
        s.cut_ignored = 1.0
    elif kind == FaultKind.ORDERS_LATE:
        s.orders_late_s = smaller(_MOST_LATE_S, s.orders_late_s + amount * _MOST_LATE_S)
    elif kind == FaultKind.OVERBOOST:
        s.overboost = larger(s.overboost, amount)
    elif kind == FaultKind.COOLER_BLOCKED:
        s.cooler_blocked = larger(s.cooler_blocked, amount)
    elif kind == FaultKind.PETROL_SHORT:
        s.petrol_short = larger(s.petrol_short, amount)


def _opening(amount: float) -> float:
    """Return a split's conductance over the nozzles', from its share of all openings (0 to 1)."""
    held = smaller(amount, _LINE_OFF)
    return held / (1.0 - held)
