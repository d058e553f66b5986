"""What a rig can't tell: how things sit in the car, and what harm they can do."""

from typing import Final

from monitor.planning import sources as by
from monitor.planning.cautions import FIRE, LOCAL_CODES, MATERIALS, POISON
from monitor.planning.sheet import Fact, Note, Part
from monitor.words.units import Units
from rules.facts import Charger, Rig
from simulator.planning.delivery import (
    RATED_V,
    SUPPLY_V,
    clearance_ml,
    highest_line_kpa,
    siphon_ml_min,
)
from simulator.planning.plan import VACUUM_KPA, Plan

_BY_CHARGER: Final = {
    Charger.TURBOCHARGER: (
        "Nozzle behind the intercooler, 15 to 30 cm ahead of the throttle",
        "an intercooler would collect the liquid, and drops need time and must not hit the "
        "throttle's plate; never ahead of the compressor without its maker's word.",
    ),
    Charger.CENTRIFUGAL: (
        "Nozzle behind the intercooler, 15 to 30 cm ahead of the throttle",
        "drops need time; never ahead of the impeller without its maker's word, as drops eat its "
        "edges.",
    ),
    Charger.DISPLACEMENT: (
        "Nozzle 15 to 30 cm from blower inlet and throttle",
        "drops need time. Ahead of a blower the spray cools its rotors, too, but only where its "
        "maker allows liquid there (coatings, seals, bearings).",
    ),
    Charger.NONE: (
        "Nozzle 15 to 30 cm ahead of the throttle",
        "there no vacuum draws it empty, and drops have time to share themselves out.",
    ),
}


def looks(rig: Rig) -> list[tuple[str, str]]:
    """Return what to look at on the car, in short, and why or how."""
    mapped = {terms.name for terms in rig.channels}
    found = [
        (
            "Nozzle square to the air stream",
            "its cone is free of walls and bends, no runner gets more than the others, and no leak "
            "could run down to a cylinder.",
        ),
        _BY_CHARGER[rig.engine.charger],
        (
            "Pump inlet at or below the tank's lowest point",
            "these pumps push, they hardly draw. The pick-up is at that lowest point, baffled, and "
            "stays covered in a long bend.",
        ),
        (
            "Check valve at each nozzle, its arrow to the nozzle",
            "it keeps the line full, and the tank from running out by itself; a solenoid valve "
            "that is shut without current where the manifold draws vacuum.",
        ),
        ("A filter ahead of pump and nozzle", "each can be taken out and cleaned."),
        (
            "Tank vented, sealed from the cabin, labelled",
            "its vent doesn't spill, and it says what is in it.",
        ),
        (
            "Level switch away from slosh, fail-safe",
            "slopes and bends don't uncover it, its float moves freely, and a cut wire reads low.",
        ),
        (
            "Hose and wires clear of exhaust, belts and edges",
            "clipped every 20 cm or so, the hose rated for pressure and methanol.",
        ),
    ]
    if "delivered_ml_min" in mapped:
        found.append(
            (
                "Flow sensor near the nozzle, filled from below",
                "what leaks behind it is read as sprayed.",
            )
        )
    if "intake_c" in mapped:
        found.append(
            (
                "Intake temperature sensor out of the drops",
                "a wet one reads its own evaporation, not the charge.",
            )
        )
    return found


def placing(plan: Plan, units: Units) -> tuple[Part, ...]:
    """Return what to look at on the car."""
    notes = (Note(f"{short}: {why}", by.PRACTICE, "?") for short, why in looks(plan.rig))
    return (*notes, *_siphon(plan, units))


def _siphon(plan: Plan, units: Units) -> tuple[Part, ...]:
    rig = plan.rig
    drawn = siphon_ml_min(rig, VACUUM_KPA)
    check_kpa = rig.spray.check_valve_kpa
    draws = Fact(
        "siphon_ml_min", "behind a shut throttle", drawn, "mL/min", 0, by.HYDRAULICS,
        f"drawn with the pump at rest: about {units.told(VACUUM_KPA, 'kPa', 0)} of vacuum on the "
        f"overrun (common practice) against a check valve of {units.told(check_kpa, 'kPa', 0)}",
    )  # fmt: skip
    if drawn <= 0.0:
        return (draws,)
    return (
        draws,
        Note(
            "Where the nozzle sits behind the throttle this check valve can't hold back the "
            "siphon: it needs a solenoid valve that is shut without current, or a place ahead of "
            "the throttle.",
            by.HYDRAULICS,
            "!",
        ),
    )


def cautions(plan: Plan) -> tuple[Part, ...]:
    """Return what can do harm, with the figures of this rig."""
    rig = plan.rig
    full, volt_less = plan.at[0].flow_ml_min, plan.at[1].flow_ml_min
    room = clearance_ml(rig)
    parts: list[Part] = [
        Fact(
            "volt_costs_pct", "a volt lost on the way costs", 100.0 * (1.0 - volt_less / full),
            "% of the flow", 0, by.VOLTAGE,
            f"at that boost, from {RATED_V:zg} to {SUPPLY_V[1]:zg} V",
        ),
        Note(
            "A fuse at the battery, sized for the wire and no larger than the pump's plate says; a "
            "relay, an earth of its own, sealed joints, wire thick enough for its length. No pump, "
            "valve or open joint in the tank's vapour.",
            by.PRACTICE,
            "!",
        ),
        Fact(
            "highest_line_kpa", "lines must hold", highest_line_kpa(rig), "kPa", 0, by.RIG,
            "what the pump gives at no flow, should its regulator fail; hoses are rated by their "
            "working pressure, which burst at four times that (common practice)",
        ),
        Note("Relieve the pressure before a fitting is opened; eye protection.", by.PRACTICE, "!"),
        Fact(
            "clearance_ml", "a cylinder is locked by", room, "mL", 0, by.CLEARANCE,
            f"at a compression of {rig.engine.compression_ratio:zg}; full spray into a standing "
            f"engine gives that in {60.0 * room / full:z.0f} s",
        ),
        Note(
            "Spray must stop with the engine: command and pump supply by way of a relay that falls "
            "with ignition and engine speed. Don't crank an engine that may have taken in liquid.",
            by.PRACTICE,
            "!",
        ),
        POISON,
        FIRE,
        MATERIALS,
        LOCAL_CODES,
        Note(
            "Whether a car so changed may go on the road (approval, emissions, insurance), a tank "
            "near people, a workshop's extraction, storage and transport are decided by local "
            "code; wiring and pressure lines that need a licence are left to licensed people.",
            "",
            "!",
        ),
        Note(
            "Prove it on a dyno or a closed course, at low boost first, and unplug the pump there "
            "before you rely on the failsafe. flowdebt advises; it is no certified safety device.",
            "",
            "!",
        ),
    ]  # fmt: skip
    return tuple(parts)
