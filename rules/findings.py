"""The findings: what each one means, what it needs, and what to check first."""

from dataclasses import dataclass
from enum import StrEnum
from math import inf
from typing import Final

from rules.channels import CHANNEL_NAMES, INTAKE, LINE, WITNESSES
from rules.facts import Rig
from rules.step.from_rig import OWN_LAWS, judges_charge, witness_column
from rules.step.state import FINDING_NAMES


class Severity(StrEnum):
    """How bad a finding is, apart from what is done about it."""

    ENGINE = "engine at risk"
    PROTECTION = "protection impaired"
    NOTICE = "notice"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing the rules can find.

    Attributes:
        name: As in files and on wires.
        label: As on the screen.
        severity: How bad it is.
        needs: Channels without which it can't be found.
        response: What it asks for, in words.
        check_first: What to look at on the car, most likely first (common practice, no source).
        needs_any: Of these, one is enough; empty where ``needs`` says it all.
        limit: The channel whose limit the rig must state; None where it needs none.
        by_design_below_onset: Whether it has nothing to say while no spray is due.
    """

    name: str
    label: str
    severity: Severity
    needs: tuple[str, ...]
    response: str
    check_first: str
    needs_any: tuple[str, ...] = ()
    limit: str | None = None
    by_design_below_onset: bool = False


_FLOW = ("boost_kpa", "delivered_ml_min")
_WITNESSES = tuple(CHANNEL_NAMES[column - 1] for column in WITNESSES)
_ALONE: Final = {LINE: "pressure sensor", INTAKE: "intake sensor"}
_DRY_RESPONSE = "above the dry limit cut boost, below it pull all the timing the spray paid for"

FINDINGS: Final = (
    Finding(
        "under_delivery",
        "under-delivery",
        Severity.ENGINE,
        ("boost_kpa",),
        "warn, then pull timing in proportion, then cut boost to the dry limit",
        "tank level, pump fuse, relay and supply, filter, nozzle, line",
        needs_any=_WITNESSES,
        by_design_below_onset=True,
    ),
    Finding(
        "no_command",
        "no command where boost calls for it",
        Severity.ENGINE,
        ("boost_kpa",),
        _DRY_RESPONSE,
        "spray controller's fuse, its boost line or signal, arming switch",
        needs_any=("commanded_ml_min", "command_pct"),
        by_design_below_onset=True,
    ),
    Finding(
        "over_delivery",
        "over-delivery",
        Severity.ENGINE,
        _FLOW,
        "the rig's over_action: more flow than the nozzles can pass goes somewhere else",
        "line behind the sensor, a nozzle fallen out, a valve stuck open",
        by_design_below_onset=True,
    ),
    Finding(
        "unasked_flow",
        "flow without command",
        Severity.ENGINE,
        _FLOW,
        "warn: spray without combustion can fill a cylinder (hydrolock); do not crank",
        "check valve, solenoid stuck open, tank above the nozzle (siphon)",
    ),
    Finding(
        "cooling_missing",
        "flow but no cooling",
        Severity.ENGINE,
        (*_FLOW, "intake_c"),
        "pull timing: what the sensor counts does not reach the charge; warn where the line's "
        "pressure says that it does, or no missing spray explains the reading",
        "line and nozzle behind the flow sensor, mix, intake sensor",
        by_design_below_onset=True,
    ),
    Finding(
        "signal_lost",
        "signal lost",
        Severity.PROTECTION,
        (),
        "warn; under boost, with an essential channel unusable or the clock running wrong, what "
        "the rig says for blindness",
        "plug and wiring of the sensor named, then the logger's own output",
    ),
    Finding(
        "overboost",
        "overboost",
        Severity.ENGINE,
        ("boost_kpa",),
        "the limit's own action",
        "wastegate line and actuator, boost control duty",
        limit="boost_kpa",
    ),
    Finding(
        "knock",
        "knock",
        Severity.ENGINE,
        ("knock",),
        "the limit's own action",
        "fuel, spray mix, intake temperature, knock sensor wiring",
        limit="knock",
    ),
    Finding(
        "intake_hot",
        "intake too hot",
        Severity.ENGINE,
        ("intake_c",),
        "the limit's own action",
        "intercooler air flow, heat soak, a spray leak behind the sensor",
        limit="intake_c",
    ),
    Finding(
        "injector_duty",
        "injector duty at its ceiling",
        Severity.ENGINE,
        ("injector_duty_pct",),
        "the limit's own action",
        "fuel pressure, injector size, target mixture",
        limit="injector_duty_pct",
    ),
    Finding(
        "knock_persists",
        "knock that stays",
        Severity.ENGINE,
        ("knock",),
        "cut boost to the dry limit",
        "fuel in the tank, spray mix, mixture under boost, plugs",
        limit="knock",
    ),
    Finding(
        "tank_low",
        "tank running out",
        Severity.NOTICE,
        (),
        "warn",
        "fill the tank; a level sensor that sticks",
        needs_any=("tank_ml", "tank_switch"),
    ),
    Finding(
        "clock_step",
        "clock step",
        Severity.PROTECTION,
        (),
        "warn; the clock is in doubt for some seconds",
        "logger reset, loose supply to the logger",
    ),
    Finding(
        "late_samples",
        "late samples",
        Severity.PROTECTION,
        (),
        "warn; late samples are not used",
        "logger or link overloaded, two loggers on one wire",
    ),
    Finding(
        "not_followed",
        "action not followed",
        Severity.ENGINE,
        (),
        "the rig's not_followed_action, on top of what was asked and is not done",
        "wiring to the engine controller, its input, what confirms it",
        needs_any=("confirmed_retard_deg", "confirmed_ceiling_kpa"),
    ),
    Finding(
        "command_disagrees",
        "controller and rig disagree",
        Severity.PROTECTION,
        ("boost_kpa",),
        "what the rig says for blindness: what is due can't be told",
        "boost sensor and hose, the controller's settings, [command]",
        needs_any=("commanded_ml_min", "command_pct"),
    ),
    Finding(
        "boost_contradicted",
        "boost contradicts injector duty",
        Severity.PROTECTION,
        ("boost_kpa", "engine_speed_rpm", "injector_duty_pct"),
        "what the rig says for blindness: a boost that reads low hides what is due",
        "boost sensor, hose and wiring, injector duty, [injectors]",
    ),
    Finding(
        "rig_doubted",
        "the rig does not fit the car",
        Severity.NOTICE,
        _FLOW,
        "warn: what the rig says of the flow sensor is not what it does, or flow fell a little",
        "[flow_sensor] in the rig; then the sensor, its wiring, log filters",
    ),
    Finding(
        "line_doubted",
        "line pressure contradicts the flow",
        Severity.PROTECTION,
        (*_FLOW, "line_kpa"),
        "warn; what it pulled for is taken back, and it isn't believed until it reads right again",
        "line pressure sensor, its port, plug and wiring",
    ),
)

if tuple(finding.name for finding in FINDINGS) != FINDING_NAMES:  # pragma: no cover
    raise AssertionError("the registry of findings and the state's layout have come apart")


def why_impossible(rig: Rig, finding: Finding) -> str | None:
    """Say why a rig can't find something; None where it can."""
    mapped = {terms.name for terms in rig.channels}
    missing = [name for name in finding.needs if name not in mapped]
    if missing:
        return f"no channel {', '.join(missing)}"
    if finding.needs_any and not mapped.intersection(finding.needs_any):
        return f"no channel {' or '.join(finding.needs_any)}"
    if finding.limit is not None and getattr(rig.limits, finding.limit).above == inf:
        return f"no [limits.{finding.limit}]"
    watch = rig.watch
    if finding.name == "command_disagrees" and rig.command.kind not in OWN_LAWS:
        return "the rig believes the logged command, so it has no rule of its own"
    if finding.name == "cooling_missing" and not judges_charge(rig):
        say = "drop_k" if "dry_intake_c" in mapped else "drop_k and rise_k"
        return f"no {say} in [charge_sensor]"
    switched_off = {
        "no_command": watch.no_command_above_kpa == inf,
        "over_delivery": watch.over_ml == inf,
        "command_disagrees": watch.disagree_share == inf,
        "boost_contradicted": watch.contradicted_share == inf,
        "tank_low": watch.tank_reserve_ml == watch.tank_time_s == 0.0
        and "tank_switch" not in mapped,
    }
    return "not set in [watch]" if switched_off.get(finding.name, False) else None


def check_first(rig: Rig, finding: Finding) -> str:
    """Return what to look at on this car, most likely first.

    Where no flow is counted nothing contradicts the one witness of the spray: it is looked at, too.
    """
    sensor = _ALONE.get(witness_column(rig))
    if sensor is None or finding.name != "under_delivery":
        return finding.check_first
    return f"tank, pump fuse and supply, {sensor}, filter, nozzle, line"


_BY_NAME: Final = {finding.name: finding for finding in FINDINGS}
_BY_WORDS: Final = {
    words.replace("-", " ").replace("_", " "): finding.name
    for finding in FINDINGS
    for words in (finding.label, finding.name)
}


def label_of(name: str) -> str:
    """Return what people call a finding; a name that is none of them as it is, untrusted."""
    finding = _BY_NAME.get(name)
    return name if finding is None else finding.label


def name_of(words: str) -> str:
    """Return the name of the finding that people mean by its name or label; else the words."""
    told = " ".join(words.lower().replace("-", " ").replace("_", " ").split())
    return _BY_WORDS.get(told, words)
