"""The findings: what each one means, what it needs, and what to check first."""

from dataclasses import dataclass
from typing import Final

from rules.state import FINDING_NAMES


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing the rules can find.

    Attributes:
        name: As in files and on wires.
        label: As on the screen.
        needs: Channels without which it can't be found.
        response: What it asks for, in words.
        check_first: What to look at on the car, most likely first (common practice, no source).
    """

    name: str
    label: str
    needs: tuple[str, ...]
    response: str
    check_first: str


FINDINGS: Final = (
    Finding(
        "under_delivery",
        "under-delivery",
        ("boost_kpa", "delivered_ml_min"),
        "warn, then pull timing in proportion, then cut boost to the dry limit",
        "tank level, pump supply and fuse, filter, nozzle, line and fittings",
    ),
    Finding(
        "signal_lost",
        "signal lost",
        (),
        "warn; under boost, with an essential channel unusable, what the rig says for blindness",
        "plug and wiring of the sensor named, then the logger's own output",
    ),
    Finding(
        "overboost",
        "overboost",
        ("boost_kpa",),
        "the limit's own action",
        "wastegate line and actuator, boost control duty",
    ),
    Finding(
        "knock",
        "knock",
        ("knock",),
        "the limit's own action",
        "fuel, spray mix, intake temperature, knock sensor wiring",
    ),
    Finding(
        "intake_hot",
        "intake too hot",
        ("intake_c",),
        "the limit's own action",
        "intercooler air flow, heat soak, a spray leak after the flow sensor",
    ),
    Finding(
        "injector_duty",
        "injector duty at its ceiling",
        ("injector_duty_pct",),
        "the limit's own action",
        "fuel pressure, injector size, target mixture",
    ),
    Finding(
        "clock_step",
        "clock step",
        (),
        "warn; the clock is in doubt for some seconds",
        "logger reset, loose supply to the logger",
    ),
)

if tuple(finding.name for finding in FINDINGS) != FINDING_NAMES:  # pragma: no cover
    raise AssertionError("the registry of findings and the state's layout have come apart")
