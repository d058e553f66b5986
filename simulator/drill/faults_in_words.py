"""The faults of the simulated car in words: what went wrong, how much, and what to check first."""

from math import isfinite
from typing import Final

from rules.causes.known import CAUSES, NOTHING_WRONG
from rules.channels import label_of_channel
from rules.findings import FINDINGS
from simulator.drill.ride import Standing
from simulator.plant import FaultKind
from simulator.plant.wire import CLOCK_STEP_S, LATEST_S

_K: Final = FaultKind
_FLOW: Final = "delivered_ml_min"

# What happens; and of what its magnitude is a share, with {}: empty where it takes no notice of it.
# A sensor's are told of it by name.
_TOLD: Final[dict[FaultKind, tuple[str, str]]] = {
    _K.PUMP_STOP: ("the pump stops", ""),
    _K.PUMP_FADE: ("the pump is worn", "{} of its pressure gone"),
    _K.SUPPLY_LOW: ("the pump's supply is weak", "{} of its voltage gone under load"),
    _K.CLOGGED_NOZZLE: ("a nozzle clogs", "{} of the nozzles' opening gone"),
    _K.SPLIT_BEFORE_SENSOR: (
        "the line leaks ahead of the flow sensor",
        "the leak is {} of all openings",
    ),
    _K.SPLIT_AFTER_SENSOR: (
        "the line leaks behind the flow sensor",
        "the leak is {} of all openings",
    ),
    _K.EMPTY_TANK: ("the tank runs out", ""),
    _K.AIR: ("the pump draws air", "{} of what it moves"),
    _K.SIPHON: ("the check valve leaks in vacuum", "{} of the nozzles' opening"),
    _K.VALVE_STUCK_OPEN: ("the spray valve sticks open", "by {}"),
    _K.VALVE_STUCK_SHUT: ("the spray valve sticks nearly shut", "{} of its opening gone"),
    _K.REGULATOR_STUCK: ("the pressure regulator opens early", "at a pressure {} lower"),
    _K.WRONG_MIX: ("the mix is wrong", "{} of the methanol is water"),
    _K.CONTROLLER_SILENT: ("the spray controller commands nothing", ""),
    _K.RETARD_IGNORED: ("the engine's controller ignores retard", "{} of it"),
    _K.CUT_IGNORED: ("the engine's controller ignores the boost ceiling", ""),
    _K.ORDERS_LATE: ("the engine's controller is late", "by {:s}"),
    _K.OVERBOOST: ("boost runs too high", "by {}"),
    _K.COOLER_BLOCKED: ("the intercooler is blocked", "{} of its wind gone"),
    _K.PETROL_SHORT: ("petrol runs short", "{} of it missing"),
    _K.SENSOR_STUCK: ("freezes", ""),
    _K.SENSOR_SHORT: ("is shorted to ground", ""),
    _K.SENSOR_OPEN: ("has lost its wire", ""),
    _K.SENSOR_OFFSET: ("is off", "by {} of its span"),
    _K.SENSOR_GAIN: ("is off", "by {} of its reading"),
    _K.SENSOR_DRIFT: ("drifts", "by {} of its span each minute"),
    _K.SENSOR_NOISE: ("is noisy", "by {} of its span"),
    _K.SENSOR_SPIKES: ("spikes", "in {} of the samples"),
    _K.SENSOR_OSCILLATION: ("swings", "by {} of its span"),
    _K.SENSOR_INTERMITTENT: ("has a loose joint", "nothing for {} of the time"),
    _K.WIRE_NOISE: ("values are damaged on the wire", "in {} of the samples"),
    _K.MESSAGES_LOST: ("samples are lost", "{} of them"),
    _K.MESSAGES_LATE: ("samples come late", "by {:s}"),
    _K.MESSAGES_REPEATED: ("samples come twice", "{} of them"),
    _K.MESSAGES_INSERTED: ("old samples come again as new", "after {} of them"),
    _K.MESSAGES_DISORDERED: ("samples come out of order", "{} of them"),
    _K.CLOCK_STEP: ("the logger's clock steps", "by {:s}"),
    _K.SECOND_SENDER: ("another car's logger talks in between", ""),
    _K.UNPLUGGED: ("the logger is unplugged", ""),
    _K.LOG_CUT: ("the log ends", ""),
}
_SENSORS: Final = {  # others: by their label
    _FLOW: "flow sensor",
    "commanded_ml_min": "logged command",
    "command_pct": "logged command",
    "tank_ml": "tank level sensor",
    "tank_switch": "tank switch",
    "confirmed_retard_deg": "controller's word on its retard",
    "confirmed_ceiling_kpa": "controller's word on its boost ceiling",
}
_SECONDS: Final = {
    _K.ORDERS_LATE: 1.0,
    _K.MESSAGES_LATE: LATEST_S,
    _K.CLOCK_STEP: CLOCK_STEP_S,
}
# Whose check it is: a cause's of ``rules.causes``, or a finding's.
_CAUSE: Final[dict[FaultKind, str]] = {
    _K.PUMP_STOP: "pump",
    _K.PUMP_FADE: "pump",
    _K.SUPPLY_LOW: "supply_low",
    _K.CLOGGED_NOZZLE: "clog",
    _K.SPLIT_BEFORE_SENSOR: "split_before_sensor",
    _K.SPLIT_AFTER_SENSOR: "split_after_sensor",
    _K.EMPTY_TANK: "air_or_empty",
    _K.AIR: "air_or_empty",
    _K.SIPHON: "valve_or_siphon",
    _K.VALVE_STUCK_OPEN: "valve_or_siphon",
    _K.VALVE_STUCK_SHUT: "clog",
    _K.REGULATOR_STUCK: "pump",
    _K.WRONG_MIX: "wrong_mix",
    _K.CONTROLLER_SILENT: "controller_silent",
}
_FINDING: Final[dict[FaultKind, str]] = {
    _K.RETARD_IGNORED: "not_followed",
    _K.CUT_IGNORED: "not_followed",
    _K.ORDERS_LATE: "not_followed",
    _K.OVERBOOST: "overboost",
    _K.COOLER_BLOCKED: "intake_hot",
    _K.PETROL_SHORT: "injector_duty",
    _K.MESSAGES_LATE: "late_samples",
    _K.MESSAGES_REPEATED: "late_samples",
    _K.MESSAGES_INSERTED: "late_samples",
    _K.MESSAGES_DISORDERED: "late_samples",
    _K.SECOND_SENDER: "late_samples",
    _K.CLOCK_STEP: "clock_step",
}
_FLOW_SENSOR: Final[dict[FaultKind, str]] = {
    _K.SENSOR_SHORT: "sensor_dead",
    _K.SENSOR_OPEN: "sensor_dead",
    _K.SENSOR_INTERMITTENT: "sensor_dead",
    _K.SENSOR_OFFSET: "sensor_drift",
    _K.SENSOR_GAIN: "sensor_drift",
    _K.SENSOR_DRIFT: "sensor_drift",
}
_OTHER_SENSORS: Final = {"line_kpa": "line_sensor", "intake_c": "intake_sensor"}
_SENSORS_FINDING: Final = {
    "boost_kpa": "boost_contradicted",
    "tank_ml": "tank_low",
    "tank_switch": "tank_low",
}
_CHECKS: Final = {finding.name: finding.check_first for finding in FINDINGS}


def what_goes_wrong(kind: FaultKind, channel: str = "") -> str:
    """Return what a fault is, as a clause: "a nozzle clogs", "the boost sensor freezes"."""
    told, _ = _TOLD[kind]
    if not kind.of_a_sensor:
        return told
    where = channel or _FLOW
    return f"the {_SENSORS.get(where, f'{label_of_channel(where)} sensor')} {told}"


def how_much(kind: FaultKind, magnitude: float) -> str:
    """Return how much of a fault there is: "40 % of its pressure gone"; "" where none is told."""
    _, of_what = _TOLD[kind]
    signed = "+" if kind.least < 0.0 else ""
    if kind in _SECONDS:
        return of_what.replace("{:s}", f"{magnitude * _SECONDS[kind]:{signed}zg} s")
    return of_what.replace("{}", f"{100.0 * magnitude:{signed}zg} %")


def in_words(fault: Standing) -> str:
    """Return a fault of a ride in one clause, with when it began and when it was gone."""
    much = how_much(fault.kind, fault.amount)
    told = what_goes_wrong(fault.kind, fault.channel) + (f" ({much})" if much else "")
    if fault.cleared:
        return f"{told}: cleared before it began"
    if not isfinite(fault.begins_s):
        return f"{told}: never, as what it waits for did not come"
    until = f" to {fault.ends_s:z.2f} s" if isfinite(fault.ends_s) else " on"
    return f"{told}, from {fault.begins_s:z.2f} s{until}"


def check_first(kind: FaultKind, channel: str = "") -> str:
    """Return what to look at on the car for a fault, most likely first."""
    if kind.of_a_sensor:
        where = channel or _FLOW
        if where == _FLOW:
            return CAUSES[_FLOW_SENSOR.get(kind, "sensor_stuck")].check_first
        if where in _OTHER_SENSORS:
            return CAUSES[_OTHER_SENSORS[where]].check_first
        return _CHECKS[_SENSORS_FINDING.get(where, "signal_lost")]
    if kind in _CAUSE:
        return CAUSES[_CAUSE[kind]].check_first
    return _CHECKS[_FINDING.get(kind, "signal_lost")]


NOTHING_TO_CHECK: Final = CAUSES[NOTHING_WRONG].check_first
