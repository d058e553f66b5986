"""A plan of a rig's spray: what it needs, can, cools, burns, and how long its tank lasts."""

from dataclasses import dataclass
from math import inf
from typing import Final

from rules.facts import Rig
from rules.petrol import injector_duty_pct, petrol_kg_s, pull_from_rpm
from rules.step.command import commanded_flow_ml_min
from rules.step.constants import Constants
from rules.step.from_rig import constants_of
from rules.tank import tank_minutes, tank_range_km
from simulator.planning.cooling import (
    EVAPORATES,
    IN_CYLINDER,
    Air,
    all_drop_k,
    assumed_charge_c,
    assumed_humidity_kg_kg,
    intake_drop_k,
    octane_band,
)
from simulator.planning.delivery import SUPPLY_V, Delivered, delivered, most_boost_kpa, rating_for
from simulator.planning.needs import (
    AsFuel,
    Burned,
    as_fuel,
    burned_at,
    fluid_kg_s,
    needed_ml_min,
    petrol_for,
    power_kw,
)

AMBIENT_C: Final = 25.0
VACUUM_KPA: Final = 70.0  # behind a shut throttle on the overrun; common practice, no source
LEAST_KPA: Final = 25.0  # absolute
MOST_BOOST_KPA: Final = 400.0
_SPEEDS: Final = 12
_BOOSTS: Final = 5
_CURVE: Final = 40


@dataclass(frozen=True, slots=True)
class Asked:
    """What a rig doesn't say of the plan.

    Attributes:
        boost_kpa: Gauge; None: the highest that the rig's spray pays for.
        ambient_c: Air outside, degC, -20 to 50.
        charge_c: Dry charge at that boost, degC, 0 to 150; None: the rig's, else reckoned.
        power_kw: At the crank at the redline, > 0; None: petrol by the rig's engine facts alone.
    """

    boost_kpa: float | None = None
    ambient_c: float = AMBIENT_C
    charge_c: float | None = None
    power_kw: float | None = None


@dataclass(frozen=True, slots=True)
class AtSpeed:
    """A pull at one engine speed.

    Attributes:
        burned: Petrol and air.
        spray_ml_min: What the rig's command asks for, at most what can be delivered.
        petrol_pct: That over the petrol, by mass, percent.
        kg_kg: That over the air.
        fuel: What its methanol does as a fuel.
    """

    burned: Burned
    spray_ml_min: float
    petrol_pct: float
    kg_kg: float
    fuel: AsFuel


@dataclass(frozen=True, slots=True)
class Use:
    """A way of driving: its name, the share of the time with spray, its mean speed in km/h."""

    name: str
    spraying_share: float
    speed_km_h: float


USES: Final = (  # common practice, no source
    Use("full spray without a break", 1.0, 0.0),
    Use("track", 0.35, 110.0),
    Use("brisk road", 0.12, 80.0),
    Use("calm road", 0.02, 60.0),
)


@dataclass(frozen=True, slots=True)
class Lasts:
    """How long the tank lasts in one use: minutes, and km (None where it stands)."""

    use: Use
    minutes: float
    km: float | None


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan.

    Attributes:
        rig: The rig.
        asked: What the rig didn't say.
        boost_kpa: Which boost it is for, gauge.
        charge_from: Where the dry charge's temperature comes from: asked, rig or assumed.
        speeds: A pull, from where it begins to the redline.
        petrol_by_rig_kg_s: Petrol at the redline by the rig's engine facts alone.
        power_kw: From which power to which one the petrol speaks for.
        needed_ml_min: Spray that goes with it by common practice, at the redline.
        at: What can be delivered at that boost, by supply voltage.
        over_boost: What can be delivered, by supply voltage and ascending boost.
        rating_ml_min: Rating of all nozzles on water that would pass ``needed_ml_min``.
        air: The charge, and the liquid.
        saturates_kg_kg: The most spray that evaporates whole, kg per kg of air.
        saturated_c: The charge then, degC.
        curve: The charge (degC) over ascending spray (kg per kg of air), given time.
        intake_k: How far the charge is cooled by the inlet valve, least and most, K.
        all_k: The same in all, in the cylinder too.
        octane: What the first is worth; ``octane_all`` the second.
        lasts: How long the tank lasts down to its reserve, by use.
        reserve_s: Seconds of full flow below the reserve; 0: the rig states none.
    """

    rig: Rig
    asked: Asked
    boost_kpa: float
    charge_from: str
    speeds: tuple[AtSpeed, ...]
    petrol_by_rig_kg_s: float
    power_kw: tuple[float, float]
    needed_ml_min: tuple[float, float]
    at: tuple[Delivered, ...]
    over_boost: tuple[tuple[Delivered, ...], ...]
    rating_ml_min: tuple[float, float]
    air: Air
    saturates_kg_kg: float
    saturated_c: float
    curve: tuple[tuple[float, float], ...]
    intake_k: tuple[float, float]
    all_k: tuple[float, float]
    octane: tuple[float, float]
    octane_all: tuple[float, float]
    lasts: tuple[Lasts, ...]
    reserve_s: float

    @property
    def petrol_pct(self) -> tuple[float, float]:
        """Spray over petrol by mass, least and most over the speeds of a pull, percent."""
        shares = [one.petrol_pct for one in self.speeds]
        return min(shares), max(shares)

    @property
    def kg_kg(self) -> tuple[float, float]:
        """Spray over air, least and most over the speeds of a pull, kg per kg."""
        shares = [one.kg_kg for one in self.speeds]
        return min(shares), max(shares)


def boosts_kpa(rig: Rig) -> tuple[float, float]:
    """Return from which to which boost a rig can be planned for, kPa gauge.

    A tenth of what stops the pump is kept from it; the formulas hold up to 400 kPa.
    """
    return LEAST_KPA - rig.engine.ambient_kpa, min(0.9 * most_boost_kpa(rig), MOST_BOOST_KPA)


def plan_of(rig: Rig, asked: Asked) -> Plan:
    """Return a plan.

    Args:
        rig: The rig.
        asked: What it doesn't say.

    Raises:
        ValueError: That boost is out of ``boosts_kpa``.
    """
    boost_kpa = rig.paid.boost_kpa[-1] if asked.boost_kpa is None else asked.boost_kpa
    least_kpa, most_kpa = boosts_kpa(rig)
    if not least_kpa <= boost_kpa <= most_kpa:
        raise ValueError(f"{boost_kpa:zg} kPa, expected {least_kpa:z.0f} to {most_kpa:z.0f} kPa")
    at = tuple(delivered(rig, boost_kpa, volts) for volts in SUPPLY_V)
    k = constants_of(rig)
    redline_rpm = rig.engine.redline_rpm
    by_rig = petrol_kg_s(rig, boost_kpa, redline_rpm)
    factor = 1.0 if asked.power_kw is None else petrol_for(asked.power_kw) / by_rig
    from_rpm = pull_from_rpm(rig)
    speeds = tuple(
        _at_speed(rig, k, boost_kpa, from_rpm + (redline_rpm - from_rpm) * i / _SPEEDS, factor)
        for i in range(_SPEEDS + 1)
    )
    petrol = speeds[-1].burned.petrol_kg_s
    charge_c, charge_from = _charge(rig, asked, boost_kpa)
    air = Air(
        charge_c,
        rig.engine.ambient_kpa + boost_kpa,
        0.01 * rig.spray.methanol_mass_pct,
        assumed_humidity_kg_kg(rig, asked.ambient_c),
        asked.ambient_c,
    )
    saturates, saturated_c = air.saturates_at()
    least, most = min(one.kg_kg for one in speeds), max(one.kg_kg for one in speeds)
    end = min(1.15 * max(most, saturates), 0.2)
    curve = tuple((end * i / _CURVE, air.after(end * i / _CURVE)[0]) for i in range(_CURVE + 1))
    intake = intake_drop_k(air, least, EVAPORATES[0]), intake_drop_k(air, most, EVAPORATES[1])
    in_all = (
        all_drop_k(air, least, EVAPORATES[0], IN_CYLINDER[0]),
        all_drop_k(air, most, EVAPORATES[1], IN_CYLINDER[1]),
    )
    needed = needed_ml_min(petrol, rig.spray.fluid_kg_m3)
    rated_kpa = rig.spray.nozzles[0].rated_kpa
    onset_kpa = min(rig.command.start_boost_kpa, boost_kpa)
    boosts = [onset_kpa + (boost_kpa - onset_kpa) * i / _BOOSTS for i in range(_BOOSTS + 1)]
    reserve_ml = rig.watch.tank_reserve_ml
    flow = at[0].flow_ml_min
    return Plan(
        rig=rig,
        asked=asked,
        boost_kpa=boost_kpa,
        charge_from=charge_from,
        speeds=speeds,
        petrol_by_rig_kg_s=by_rig,
        power_kw=power_kw(petrol),
        needed_ml_min=needed,
        at=at,
        over_boost=tuple(
            tuple(delivered(rig, one, volts) for one in dict.fromkeys(boosts)) for volts in SUPPLY_V
        ),
        rating_ml_min=(
            rating_for(needed[0], at[0].across_kpa, rated_kpa, rig.spray.fluid_kg_m3),
            rating_for(needed[1], at[0].across_kpa, rated_kpa, rig.spray.fluid_kg_m3),
        ),
        air=air,
        saturates_kg_kg=saturates,
        saturated_c=saturated_c,
        curve=curve,
        intake_k=intake,
        all_k=in_all,
        octane=octane_band(*intake),
        octane_all=octane_band(*in_all),
        lasts=tuple(_lasts(max(rig.spray.tank_ml - reserve_ml, 0.0), flow, use) for use in USES),
        reserve_s=60.0 * reserve_ml / flow,
    )


def _charge(rig: Rig, asked: Asked, boost_kpa: float) -> tuple[float, str]:
    """Return the dry charge's temperature, degC, and where it comes from."""
    if asked.charge_c is not None:
        return asked.charge_c, "asked"
    top_kpa = rig.paid.boost_kpa[-1]
    if rig.charge_sensor.rise_k > 0.0 and boost_kpa == top_kpa:
        return asked.ambient_c + rig.charge_sensor.rise_k, "rig"
    return assumed_charge_c(rig, boost_kpa, asked.ambient_c), "assumed"


def _at_speed(rig: Rig, k: Constants, boost_kpa: float, speed_rpm: float, factor: float) -> AtSpeed:
    """Return a pull at one speed; a log's command is taken to be all that can be delivered."""
    burned = burned_at(rig, boost_kpa, speed_rpm, factor)
    duty_pct = injector_duty_pct(rig, burned.petrol_kg_s, speed_rpm)
    spray_ml_min = commanded_flow_ml_min(k, boost_kpa, duty_pct, inf, 100.0)
    fluid = fluid_kg_s(spray_ml_min, rig.spray.fluid_kg_m3)
    methanol = 0.01 * rig.spray.methanol_mass_pct * fluid
    return AtSpeed(
        burned,
        spray_ml_min,
        100.0 * fluid / burned.petrol_kg_s,
        fluid / burned.air_kg_s,
        as_fuel(burned.air_kg_s, burned.petrol_kg_s, methanol),
    )


def _lasts(usable_ml: float, flow_ml_min: float, use: Use) -> Lasts:
    km = tank_range_km(usable_ml, flow_ml_min, use.spraying_share, use.speed_km_h)
    minutes = tank_minutes(usable_ml, flow_ml_min, use.spraying_share)
    return Lasts(use, minutes, km if use.speed_km_h > 0.0 else None)
