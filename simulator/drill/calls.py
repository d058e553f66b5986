"""The calls: what a trainee may say is wrong, and which of them a fault deserves.

The list is short, the same in every lesson, and says nothing of the lesson at hand.
"""

from collections.abc import Iterable
from typing import Final, NamedTuple

from simulator.plant.script import Fault, FaultKind

NOTHING_WRONG: Final = "nothing_wrong"


class Call(NamedTuple):
    """One call.

    Attributes:
        word: As in files and on wires.
        words: What it says, in one plain line.
    """

    word: str
    words: str


# Two columns of them fit 80 cells: each has 33.
CALLS: Final = (
    Call(NOTHING_WRONG, "nothing is wrong"),
    Call("pump", "pump, its voltage or its pressure"),
    Call("clog", "clog, or a valve that stays shut"),
    Call("split", "split line: spray goes elsewhere"),
    Call("tank_or_air", "tank empty, or air in the line"),
    Call("unasked_spray", "spray unasked: valve or siphon"),
    Call("no_command", "spray controller silent"),
    Call("wrong_mix", "wrong mix in the tank"),
    Call("flow_sensor", "flow sensor wrong, spray fine"),
    Call("other_sensor", "another sensor wrong, spray fine"),
    Call("engine", "engine side, or orders ignored"),
    Call("data", "data late, lost or garbled"),
)
CALL_WORDS: Final = tuple(call.word for call in CALLS)

_OF_KIND: Final = {
    FaultKind.PUMP_STOP: "pump",
    FaultKind.PUMP_FADE: "pump",
    FaultKind.SUPPLY_LOW: "pump",
    FaultKind.REGULATOR_STUCK: "pump",
    FaultKind.CLOGGED_NOZZLE: "clog",
    FaultKind.VALVE_STUCK_SHUT: "clog",
    FaultKind.SPLIT_BEFORE_SENSOR: "split",
    FaultKind.SPLIT_AFTER_SENSOR: "split",
    FaultKind.EMPTY_TANK: "tank_or_air",
    FaultKind.AIR: "tank_or_air",
    FaultKind.SIPHON: "unasked_spray",
    FaultKind.VALVE_STUCK_OPEN: "unasked_spray",
    FaultKind.WRONG_MIX: "wrong_mix",
    FaultKind.CONTROLLER_SILENT: "no_command",
    FaultKind.RETARD_IGNORED: "engine",
    FaultKind.CUT_IGNORED: "engine",
    FaultKind.ORDERS_LATE: "engine",
    FaultKind.OVERBOOST: "engine",
    FaultKind.COOLER_BLOCKED: "engine",
    FaultKind.PETROL_SHORT: "engine",
}
# What comes near: the same readings at first, or the same thing to look at on the car.
_NEAR: Final = {
    FaultKind.PUMP_STOP: ("tank_or_air",),
    FaultKind.PUMP_FADE: ("tank_or_air",),
    FaultKind.SPLIT_BEFORE_SENSOR: ("pump",),
    FaultKind.SPLIT_AFTER_SENSOR: ("wrong_mix",),
    FaultKind.EMPTY_TANK: ("pump",),
    FaultKind.AIR: ("pump",),
    FaultKind.WRONG_MIX: ("split", "engine"),
    FaultKind.PETROL_SHORT: ("wrong_mix",),
    FaultKind.SENSOR_INTERMITTENT: ("data",),
    FaultKind.WIRE_NOISE: ("other_sensor",),
}


def call_of(fault: Fault) -> str:
    """Return the right call of a fault."""
    if not fault.kind.of_a_sensor:
        return _OF_KIND.get(fault.kind, "data")
    return "flow_sensor" if fault.channel in ("", "delivered_ml_min") else "other_sensor"


def calls_near(faults: Iterable[Fault], right: str) -> frozenset[str]:
    """Return the calls that are half right of these faults.

    Args:
        faults: All that is wrong.
        right: The right call, which is none of them.
    """
    near = {word for fault in faults for word in (call_of(fault), *_NEAR.get(fault.kind, ()))}
    return frozenset(near - {right})
