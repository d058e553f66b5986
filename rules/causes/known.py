"""The causes that are known, and how likely each makes each state of each signature.

The table was rounded from the plant's tuning seeds on four shipped rigs, all boosted
(``python -m tests.bench.causes``), with at least 0.01 in each cell, and bent towards what the trade
knows where the plant is too tidy: a dead sensor, say, may have died long before the pull. What to
check first is common practice, no source.
"""

from dataclasses import dataclass
from typing import Final

from rules.channels import DELIVERED, INTAKE, LINE

NOTHING_WRONG: Final = "nothing_wrong"
NONE_OF_THESE: Final = "none_of_these"

Table = dict[str, tuple[float, ...]]


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a cause.

    Attributes:
        label: In the trade's words.
        prior: How common it is before anything is seen, over the others (common practice).
        check_first: What to look at on the car.
        looks: Signatures that are not as in a healthy system: how likely each state is.
        of_witness: Column of the witness (``channels.WITNESSES``) that a car with such a fault is
            judged by; 0: any.
        alone: What it is called in a car without a flow sensor, where that differs.
    """

    label: str
    prior: float
    check_first: str
    looks: Table
    of_witness: int = 0
    alone: str = ""


_SHORT_OF_SPRAY: Final[Table] = {
    "cooling": (0.25, 0.75),
    "drop": (0.8, 0.2),
    "mixture": (0.02, 0.13, 0.85),
    "knock": (0.6, 0.4),
}
HEALTHY_LOOKS: Final[Table] = {
    "flow": (0.02, 0.03, 0.92, 0.03),
    "line": (0.02, 0.04, 0.9, 0.04),
    "ripple": (0.97, 0.03),
    "still": (0.99, 0.01),
    "abrupt": (0.98, 0.02),
    "supply": (0.03, 0.97),
    "tank": (0.02, 0.98),
    "tank_rate": (0.95, 0.03, 0.02),
    "cooling": (0.9, 0.1),
    "drop": (0.05, 0.95),
    "mixture": (0.03, 0.92, 0.05),
    "knock": (0.95, 0.05),
    "command": (0.01, 0.99),
    "uncommanded": (0.98, 0.02),
}
CAUSES: Final[dict[str, Known]] = {
    NOTHING_WRONG: Known("nothing wrong", 2.0, "nothing", {}),
    "pump": Known(
        "pump weak or stopped",
        1.0,
        "pump fuse, relay and plug; then pump pressure against a closed valve; then its bypass",
        _SHORT_OF_SPRAY | {"flow": (0.33, 0.64, 0.02, 0.01), "line": (0.3, 0.66, 0.02, 0.02)},
    ),
    "supply_low": Known(
        "pump supply voltage low",
        1.0,
        "voltage drop across pump ground, relay and connectors, measured while it runs",
        _SHORT_OF_SPRAY
        | {
            "flow": (0.03, 0.86, 0.1, 0.01),
            "line": (0.03, 0.85, 0.1, 0.02),
            "supply": (0.95, 0.05),
        },
    ),
    "clog": Known(
        "clogged nozzle or filter behind the pump",
        1.0,
        "nozzle and its filter, whether the spray valve opens, then the line for a kink",
        _SHORT_OF_SPRAY
        | {
            "flow": (0.06, 0.91, 0.02, 0.01),
            "line": (0.02, 0.03, 0.2, 0.75),
            "ripple": (0.95, 0.05),
        },
    ),
    "split_before_sensor": Known(
        "split line ahead of the flow sensor",
        0.7,
        "line and fittings from tank and pump to the flow sensor, or without one to the nozzles: "
        "look for wet",
        _SHORT_OF_SPRAY
        | {
            # A regulated pump's reserve covers a small leak: flow and pressure hold, fluid is lost.
            "flow": (0.18, 0.61, 0.2, 0.01),
            "line": (0.2, 0.65, 0.13, 0.02),
            "tank_rate": (0.15, 0.83, 0.02),
            "cooling": (0.35, 0.65),
            "drop": (0.5, 0.5),
            "mixture": (0.02, 0.33, 0.65),
        },
        alone="split line",
    ),
    "split_after_sensor": Known(
        "split line behind the flow sensor",
        0.7,
        "line and fittings between flow sensor and nozzle: look for wet",
        _SHORT_OF_SPRAY
        | {
            "flow": (0.02, 0.02, 0.08, 0.88),
            "line": (0.14, 0.68, 0.16, 0.02),
            "tank_rate": (0.8, 0.18, 0.02),
            # Nozzles lose little while pressure holds, and a saturated charge cools all the same.
            "cooling": (0.45, 0.55),
            "drop": (0.45, 0.55),
            "mixture": (0.02, 0.48, 0.5),
            "knock": (0.75, 0.25),
        },
        of_witness=DELIVERED,
    ),
    "air_or_empty": Known(
        "air in the line or tank empty",
        1.0,
        "tank level and pick-up, then the suction side for a loose clamp",
        _SHORT_OF_SPRAY
        | {
            "flow": (0.3, 0.67, 0.02, 0.01),
            "line": (0.38, 0.58, 0.02, 0.02),
            "ripple": (0.37, 0.63),
            "tank": (0.4, 0.6),
            "tank_rate": (0.57, 0.07, 0.36),
        },
    ),
    "valve_or_siphon": Known(
        "spray valve stuck open or siphon past the check valve",
        0.7,
        "don't crank an engine that may hold fluid; then check valve and spray valve",
        {
            "flow": (0.02, 0.04, 0.74, 0.2),
            "uncommanded": (0.1, 0.9),
        },
    ),
    "controller_silent": Known(
        "spray controller silent",
        0.8,
        "controller's supply, arming switch, boost signal and output",
        _SHORT_OF_SPRAY
        | {
            "flow": (0.94, 0.03, 0.02, 0.01),
            # A valve that shuts as the pump stops traps pressure; without a valve it is gone.
            "line": (0.1, 0.7, 0.15, 0.05),
            "cooling": (0.5, 0.5),
            "drop": (0.5, 0.5),
            "knock": (0.3, 0.7),
            "command": (0.98, 0.02),
        },
    ),
    "sensor_drift": Known(
        "flow sensor reads low",
        0.8,
        "flow sensor for dirt; measure a minute of spray in a cup",
        {
            "flow": (0.03, 0.9, 0.05, 0.02),
            "line": (0.02, 0.03, 0.85, 0.1),
            "tank_rate": (0.88, 0.1, 0.02),
            "cooling": (0.75, 0.25),
        },
        of_witness=DELIVERED,
    ),
    "sensor_stuck": Known(
        "flow sensor stuck",
        0.6,
        "flow sensor's wiring and rotor, then the logger's input",
        {
            "still": (0.05, 0.95),
            "flow": (0.02, 0.4, 0.46, 0.12),
            "cooling": (0.8, 0.2),
            "uncommanded": (0.8, 0.2),
        },
        of_witness=DELIVERED,
    ),
    "sensor_dead": Known(
        "flow sensor dead",
        0.8,
        "flow sensor's plug, supply and signal wire",
        {
            "flow": (0.88, 0.09, 0.02, 0.01),
            "abrupt": (0.3, 0.7),
            # The failsafe's cut leaves less flow against the same regulator.
            "line": (0.02, 0.03, 0.7, 0.25),
            "tank_rate": (0.75, 0.23, 0.02),
        },
        of_witness=DELIVERED,
    ),
    # Each stands for all the ways in which the one witness of a car without a flow sensor fails.
    # Not from the plant's seeds; common practice, no source.
    "line_sensor": Known(
        "line pressure sensor reads wrong",
        1.2,
        "line pressure sensor's plug, supply and port; a gauge beside it while it sprays",
        {"line": (0.45, 0.45, 0.05, 0.05)},
        of_witness=LINE,
    ),
    "intake_sensor": Known(
        "intake temperature sensor reads wrong",
        1.0,
        "intake sensor's plug and seat; a thermometer beside it, engine cold",
        {"cooling": (0.05, 0.95), "drop": (0.95, 0.05)},
        of_witness=INTAKE,
    ),
    "wrong_mix": Known(
        "wrong mix in the tank",
        0.6,
        "the mix: measure its density, or drain and refill; if it is right, petrol pressure",
        # Water cools nearly as well, up to saturation.
        {
            "cooling": (0.75, 0.25),
            "drop": (0.3, 0.7),
            "mixture": (0.1, 0.05, 0.85),
            "knock": (0.8, 0.2),
        },
    ),
    NONE_OF_THESE: Known("none of these", 0.3, "a full log of such a pull", {}),
}
CAUSE_NAMES: Final = tuple(CAUSES)
