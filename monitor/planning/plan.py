"""A plan in words: what the spray needs, can and may be worth, and what to look at on the car."""

from collections.abc import Iterator, Sequence
from typing import Final

from monitor.planning import sources as by
from monitor.planning.mixing import limits
from monitor.planning.placing import cautions, placing
from monitor.planning.sheet import Column, Fact, Note, Section, Sheet, Table
from monitor.words.units import METRIC, Units
from rules.step.arithmetic import interpolate
from simulator.planning.cooling import boost_worth_kpa
from simulator.planning.delivery import SUPPLY_V, hole_mm, ignoring_boost_pct, rating_ml_min
from simulator.planning.mixing import poured_pct
from simulator.planning.plan import AMBIENT_C, Plan
from simulator.rig.petrol_share import PRACTICE_PCT

SPARE: Final = 1.1  # a pump should give so much more than the nozzles take; common practice
LEAST_ACROSS_KPA: Final = 400.0  # below it drops grow coarse; common practice, no source


def plan_sheet(plan: Plan, to_do: Sequence[str] = (), units: Units = METRIC) -> Sheet:
    """Return the sheet of a plan.

    Args:
        plan: The plan.
        to_do: Keys of the rig that somebody must still decide.
        units: Of figures in sentences, so that they are rounded as those of the facts are.
    """
    return Sheet(
        f"Plan for {plan.rig.name} at {units.told(plan.boost_kpa, 'kPa', 0)} of boost",
        (
            Section(
                "short", "In short (! doesn't fit or does harm)", tuple(_short(plan, to_do, units))
            ),
            Section("assumed", "Reckoned from", tuple(_assumed(plan))),
            Section("fluid", "Fluid needed", tuple(_fluid(plan))),
            Section("delivery", "Nozzles and pump", tuple(_delivery(plan, units))),
            Section(
                "cooling", "Cooling, and where the air takes no more", tuple(_cooling(plan, units))
            ),
            Section("fuel", "Methanol as a fuel", tuple(_fuel(plan))),
            Section("knock", "Knock resistance: a band, not a promise", tuple(_knock(plan))),
            Section("tank", "Tank", tuple(_tank(plan))),
            Section(
                "placing", "Look at the car (? can't be told from a rig)", placing(plan, units)
            ),
            Section("cautions", "Wiring, pressure, fire, liquid in cylinders", cautions(plan)),
        ),
    )


def _short(plan: Plan, to_do: Sequence[str], units: Units) -> Iterator[Note]:
    if to_do:
        yield Note(
            f"still TO DO in the rig, so no better than a guess here: {', '.join(to_do)}",
            by.RIG,
            "!",
        )
    least, most = plan.needed_ml_min
    flow = plan.at[0].flow_ml_min
    asked_pct = plan.petrol_pct[1]
    rich = asked_pct > PRACTICE_PCT[1]
    fits = "which is within it"
    if flow < least:
        fits = "which is too little"
    elif rich:
        fits = f"and its command sprays up to {asked_pct:z.0f} % of the petrol: a lot"
    elif flow > most:
        fits = f"of which its command sprays up to {asked_pct:z.0f} % of the petrol"
    yield Note(
        f"common practice sprays {units.figure(least, 'mL/min', 0)} to "
        f"{units.told(most, 'mL/min', 0)} with this petrol; the system can give "
        f"{units.told(flow, 'mL/min', 0)} at full command, {fits}",
        by.SHARE,
        "!" if flow < least or rich else "",
    )
    at = plan.at[0]
    if at.across_kpa < LEAST_ACROSS_KPA:
        yield Note(
            f"only {units.told(at.across_kpa, 'kPa', 0)} is left across the nozzles: drops grow "
            f"coarse below some {units.told(LEAST_ACROSS_KPA, 'kPa', 0)}",
            by.PRACTICE,
            "!",
        )
    if not at.regulated:
        yield Note(
            "the pump's own curve sets the flow, not a regulator: each volt of supply, a warm "
            "pump and wear show in it at once",
            by.HYDRAULICS,
            "!",
        )
    elif at.pump_ml_min < SPARE * at.flow_ml_min:
        yield Note(
            f"the pump has hardly more to give ({units.told(at.pump_ml_min, 'mL/min', 0)}) than "
            "the nozzles take: a little wear, or a volt less, and the flow falls",
            by.HYDRAULICS,
            "!",
        )
    grams = [1e3 * share for share in plan.kg_kg]
    full = 1e3 * plan.saturates_kg_kg
    left = "what is left evaporates later, in the cylinder, or wets it"
    if grams[1] <= full:
        left = "the air takes all of it, given time"
    yield Note(
        f"beyond {full:z.1f} g of this mix a kg of air the intake cools hardly further, "
        f"and it sprays {grams[0]:z.1f} to {grams[1]:z.1f} g: {left}",
        by.VAPOUR,
    )
    low, high = plan.octane_all
    paid = paid_deg(plan)
    yield Note(
        f"its cooling may be worth {low:z.1f} to {high:z.1f} octane numbers, about as many degrees "
        f"of timing; the rig spends {paid:z.1f} deg there"
        + (": more than that band, so prove it on a dyno" if paid > high else ""),
        by.KNOCK,
        "!" if paid > high else "",
    )
    yield Note(
        f"the tank lasts {plan.lasts[0].minutes:z.0f} min of full spray without a break", by.TANK
    )


def _assumed(plan: Plan) -> Iterator[Fact | Note]:
    rig, asked = plan.rig, plan.asked
    yield Fact(
        "boost_kpa", "boost", plan.boost_kpa, "kPa", 0,
        by.RIG if asked.boost_kpa is None else by.ASKED,
        "the highest its spray pays for (--boost for another)" if asked.boost_kpa is None else "",
    )  # fmt: skip
    usual = asked.ambient_c == AMBIENT_C
    yield Fact(
        "ambient_c", "air outside", asked.ambient_c, "°C", 0,
        by.PRACTICE if usual else by.ASKED, "assumed (--ambient)" if usual else "",
    )  # fmt: skip
    whence = {
        "asked": (by.ASKED, ""),
        "rig": (by.RIG, "[charge_sensor] rise_k above the air outside (--charge: as logged)"),
        "assumed": (by.COMPRESSED, "assumed; log it on a dry pull (--charge)"),
    }
    source, remark = whence[plan.charge_from]
    yield Fact("charge_c", "charge before the spray", plan.air.dry_c, "°C", 0, source, remark)
    grams = 1e3 * plan.air.humidity_kg_kg
    yield Fact(
        "humidity_g_kg",
        "moisture",
        grams,
        "g/kg of air",
        1,
        by.PRACTICE,
        "a mild day's, or all that cold air holds",
    )
    yield Fact("liquid_c", "liquid", plan.air.liquid_c, "°C", 0, by.PRACTICE, "as the air")
    last = plan.speeds[-1].burned
    told = "by the rig's displacement, volumetric efficiency and redline (--power if you know it)"
    yield Fact(
        "petrol_kg_h", "petrol at the redline", 3600.0 * last.petrol_kg_s, "kg/h", 0,
        _petrol_by(plan),
        told if asked.power_kw is None else "",
    )  # fmt: skip
    yield Fact(
        "air_kg_h", "air at the redline", 3600.0 * last.air_kg_s, "kg/h", 0, _petrol_by(plan)
    )
    if asked.power_kw is None:
        yield Fact(
            "power_kw", "power of that petrol", plan.power_kw, "kW", 0, by.WORK, "at the crank"
        )
    else:
        yield Fact("power_kw", "power at the crank", asked.power_kw, "kW", 0, by.ASKED)
        off = last.petrol_kg_s / plan.petrol_by_rig_kg_s
        if not 0.75 <= off <= 1.33:
            yield Note(
                f"that is {off:z.2f} times the petrol that the rig's engine facts speak for: is "
                "the power at the crank, is it made at this boost, are the rig's displacement and "
                "volumetric efficiency right?",
                by.SPEED_DENSITY,
                "!",
            )
    pour = poured_pct(rig.spray.methanol_mass_pct)
    yield Fact(
        "methanol_pct", "methanol in the mix", pour, "%", 0, by.RIG,
        f"by volume before mixing; {rig.spray.methanol_mass_pct:z.1f} % by mass",
    )  # fmt: skip


def _petrol_by(plan: Plan) -> str:
    """Return the source of petrol and air."""
    return by.SPEED_DENSITY if plan.asked.power_kw is None else by.AS_ASKED


def _fluid(plan: Plan) -> Iterator[Fact]:
    least, most = plan.petrol_pct
    yield Fact("needed_ml_min", "common practice sprays", plan.needed_ml_min, "mL/min", 0, by.SHARE)
    yield Fact(
        "can_ml_min", "full command gives", plan.at[0].flow_ml_min, "mL/min", 0, by.HYDRAULICS
    )
    yield Fact(
        "petrol_pct", "the rig's command sprays", (least, most), "% of the petrol", 0,
        _petrol_by(plan), "by mass, over the speeds of a pull; most at the lowest, as a rule",
    )  # fmt: skip


def _delivery(plan: Plan, units: Units) -> Iterator[Fact | Note | Table]:
    rig, at = plan.rig, plan.at[0]
    nozzles = rig.spray.nozzles
    count = sum(one.count for one in nozzles)
    yield Fact(
        "rating_ml_min", f"nozzles ({count})", rating_ml_min(rig), "mL/min", 0,
        by.RIG, f"on water, together, at {units.told(nozzles[0].rated_kpa, 'kPa', 0)} across",
    )  # fmt: skip
    yield Fact(
        "rating_needed_ml_min", "common practice wants nozzles of", plan.rating_ml_min, "mL/min", 0,
        by.SHARE, "so rated, at the pressure that is left across them",
    )  # fmt: skip
    holes = sorted(hole_mm(one) for one in nozzles)
    yield Fact(
        "hole_mm", "smallest hole", holes[0], "mm", 2, by.HYDRAULICS,
        f"by its rating (Cd 0.62): a filter of {units.told(holes[0] / 3.0, 'mm', 2)} or finer (a "
        "third; common practice)",
    )  # fmt: skip
    held = "held by the regulator" if at.regulated else "as the pump's curve has it"
    yield Fact("line_kpa", "line pressure", at.line_kpa, "kPa", 0, by.HYDRAULICS, held)
    yield Fact(
        "across_kpa", "across the nozzles", at.across_kpa, "kPa", 0, by.HYDRAULICS,
        f"less {units.told(plan.boost_kpa, 'kPa', 0)} boost, "
        f"{units.told(rig.spray.check_valve_kpa, 'kPa', 0)} check valve",
    )  # fmt: skip
    off = ignoring_boost_pct(rig, at)
    more = "% too much" if off >= 0.0 else "% too little"
    yield Fact("ignoring_boost_pct", "with boost left out", abs(off), more, 1, by.HYDRAULICS)
    yield Fact(
        "pump_ml_min", "the pump could give", at.pump_ml_min, "mL/min", 0, by.HYDRAULICS,
        "at that line pressure",
    )  # fmt: skip
    columns = tuple(
        Column(f"at_{volts:z.1f}_v", f"at {volts:z.1f} V", "mL/min") for volts in SUPPLY_V
    )
    yield Table(
        "over_boost", "most that arrives, over boost and supply voltage at the pump",
        (Column("boost_kpa", "boost", "kPa"), *columns, Column("line_kpa", "line", "kPa")),
        tuple(
            (row[0].boost_kpa, *(one.flow_ml_min for one in row), row[0].line_kpa)
            for row in zip(*plan.over_boost, strict=True)
        ),
        by.VOLTAGE,
    )  # fmt: skip


def _cooling(plan: Plan, units: Units) -> Iterator[Fact | Note]:
    least, most = (1e3 * share for share in plan.kg_kg)
    yield Fact(
        "saturates_g_kg", "the air takes of this mix", 1e3 * plan.saturates_kg_kg, "g/kg of air",
        1, by.VAPOUR, f"given time, at {units.told(plan.air.pressure_kpa, 'kPa', 0)} absolute: "
        "more boost takes less, a warmer charge more",
    )  # fmt: skip
    yield Fact("saturated_c", "the charge is then at", plan.saturated_c, "°C", 0, by.VAPOUR)
    yield Fact(
        "sprayed_g_kg", "the rig sprays", (least, most), "g/kg of air", 1, _petrol_by(plan),
        "over the speeds of a pull",
    )  # fmt: skip
    yield Fact("intake_k", "cools the intake by", plan.intake_k, "K", 0, by.BY_THE_VALVE)
    yield Fact("all_k", "in all, in the cylinder too", plan.all_k, "K", 0, by.IN_ALL)
    drop_k = plan.rig.charge_sensor.drop_k
    if drop_k > 0.0:
        low, high = plan.intake_k
        agrees = "inside that band" if low <= drop_k <= high else "outside that band: log it"
        yield Note(
            "the rig says that full spray cools the reading by "
            f"{units.told(drop_k, 'K', 0)}: {agrees}",
            by.RIG,
        )


def _fuel(plan: Plan) -> Iterator[Fact | Table]:
    shown = (plan.speeds[0], plan.speeds[len(plan.speeds) // 2], plan.speeds[-1])
    yield Table(
        "lambda", "air over what burns (lambda), and methanol's part of the heat",
        (
            Column("speed_rpm", "speed", "rpm"),
            Column("lambda_with", "with spray", "", 3),
            Column("lambda_without", "spray lost", "", 3),
            Column("heat_pct", "heat", "%", 1),
            Column("petrol_kg_h", "as much petrol", "kg/h", 1),
        ),
        tuple(
            (
                one.burned.speed_rpm,
                one.fuel.lambda_with,
                one.fuel.lambda_without,
                100.0 * one.fuel.heat_share,
                3600.0 * one.fuel.petrol_for_air,
            )
            for one in shown
        ),
        by.FUEL,
    )  # fmt: skip
    shifts = [one.fuel.lambda_without - one.fuel.lambda_with for one in plan.speeds]
    yield Fact(
        "leans_by", "spray that fails leans the engine by", (min(shifts), max(shifts)), "lambda",
        3, by.FUEL, "and heats its charge: tune the petrol so that it survives that",
    )  # fmt: skip


def _knock(plan: Plan) -> Iterator[Fact | Note]:
    yield Fact("octane", "a cooler intake may be worth", plan.octane, "octane numbers", 1, by.KNOCK)
    yield Fact(
        "octane_all", "with a cooler cylinder", plan.octane_all, "octane numbers", 1, by.KNOCK,
        "methanol's own resistance, and slower burning by water, are not counted",
    )  # fmt: skip
    yield Fact(
        "boost_worth_kpa", "or as much as a boost of", boost_worth_kpa(plan.octane_all), "kPa", 0,
        by.KNOCK, "at the same charge temperature",
    )  # fmt: skip
    yield Fact("paid_deg", "timing the rig spends there", paid_deg(plan), "deg", 1, by.RIG)
    yield Note(
        "Two engines differ by a factor of two in this. What yours holds, wet and dry, is found "
        "on a dyno, from low boost up, by somebody who listens for knock.",
        by.PRACTICE,
        "!",
    )


def paid_deg(plan: Plan) -> float:
    """Return the timing that the rig's spray pays for at the plan's boost, deg."""
    paid = plan.rig.paid
    boosts = list(paid.boost_kpa)
    return interpolate(plan.boost_kpa, boosts, list(paid.timing_deg), len(boosts))


def _tank(plan: Plan) -> Iterator[Fact | Note | Table]:
    rig = plan.rig
    mapped = {terms.name for terms in rig.channels}
    reserve_ml = rig.watch.tank_reserve_ml
    yield Fact("tank_ml", "tank", rig.spray.tank_ml, "mL", 0, by.RIG)
    yield Table(
        "lasts", "lasts, at full flow" + (", down to the reserve" if reserve_ml > 0.0 else ""),
        (
            Column("use", "use"),
            Column("spraying_pct", "spraying", "%"),
            Column("minutes", "time", "min"),
            Column("km", "way", "km"),
            Column("km_h", "at", "km/h"),
        ),
        tuple(
            (
                one.use.name,
                100.0 * one.use.spraying_share,
                one.minutes,
                one.km,
                one.use.speed_km_h if one.km is not None else None,
            )
            for one in plan.lasts
        ),
        f"{by.TANK}; the shares and speeds are {by.PRACTICE}",
    )  # fmt: skip
    if reserve_ml > 0.0:
        yield Fact("reserve_s", "full spray below the reserve", plan.reserve_s, "s", 0, by.TANK)
    tells = {"tank_switch", "tank_ml"} & mapped
    if not tells:
        yield Note(
            "no channel tells the tank's level (tank_switch or tank_ml): an empty tank is found "
            "only by its missing spray. Fit a level switch and log it.",
            by.RIG,
            "!",
        )
    elif reserve_ml <= 0.0 and "tank_ml" in tells:
        yield Note("[watch] tank_reserve isn't set: nothing warns of a low tank", by.RIG, "!")
    yield Fact("mix_kg", "a full tank weighs", 1e-6 * rig.spray.tank_ml * rig.spray.fluid_kg_m3,
               "kg", 1, by.CRC)  # fmt: skip
    yield from limits(rig.spray.methanol_mass_pct)
