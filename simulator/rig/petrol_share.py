"""How much spray a rig asks for, as a share of the petrol that burns beside it.

It has arithmetic of its own rather than the plant's, which takes numpy along and is what checks it.
"""

from dataclasses import dataclass
from math import inf, sqrt
from typing import Final

from rules.command import commanded_flow_ml_min
from rules.constants import constants_of
from rules.facts import Rig

PRACTICE_PCT: Final = (10.0, 35.0)  # at full boost; common practice, no source
FULL_LOAD_LAMBDA: Final = 0.82  # of the petrol alone; common practice, no source
CHARGE_K: Final = 313.0  # with spray, on a mild day; common practice, no source
LOWEST_OF_REDLINE: Final = 0.45  # a pull begins about here; common practice, no source
_STOICHIOMETRIC: Final = 14.7
_GAS_CONSTANT_J_KG_K: Final = 287.05  # dry air, ICAO standard atmosphere
_PETROL_KG_L: Final = 0.745
_SPEEDS: Final = 12


@dataclass(frozen=True, slots=True)
class PetrolShare:
    """Spray over petrol by mass at one boost, percent, over the speeds of a pull."""

    boost_kpa: float
    least_pct: float
    most_pct: float


def petrol_kg_s(rig: Rig, boost_kpa: float, speed_rpm: float) -> float:
    """Return the petrol at full load, kg/s.

    Args:
        rig: The rig.
        boost_kpa: Gauge, above the vacuum of ``ambient_kpa``.
        speed_rpm: Engine speed, >= 0.

    Source: speed-density at the rig's volumetric efficiency, divided by 14.7 times lambda.
    """
    engine = rig.engine
    drawn_m3_s = engine.volumetric_efficiency * engine.displacement_l * 1e-3 * speed_rpm / 120.0
    kg_m3 = (engine.ambient_kpa + boost_kpa) * 1e3 / (_GAS_CONSTANT_J_KG_K * CHARGE_K)
    return drawn_m3_s * kg_m3 / (_STOICHIOMETRIC * FULL_LOAD_LAMBDA)


def injector_duty_pct(rig: Rig, petrol: float, speed_rpm: float) -> float:
    """Return the duty at which the injectors give ``petrol`` (kg/s), at most 100 %.

    Source: square-root law; pulse width with dead time over a cycle of two turns.
    """
    injectors = rig.injectors
    always_open = injectors.count * injectors.rated_ml_min * 1e-3 / 60.0 * _PETROL_KG_L
    always_open *= sqrt(injectors.fuel_kpa / injectors.rated_kpa)
    dead_share = injectors.dead_time_ms * speed_rpm / 120e3
    return min(100.0 * (petrol / always_open + dead_share), 100.0)


def petrol_share(rig: Rig, boost_kpa: float) -> PetrolShare:
    """Return how much spray is asked for at a boost, over the petrol there.

    A log's command (kinds ``log_flow`` and ``log_percent``) is taken to be the most the system can
    deliver.

    Args:
        rig: The rig.
        boost_kpa: Gauge, above the vacuum of ``ambient_kpa``.
    """
    k = constants_of(rig).k
    shares = []
    for i in range(_SPEEDS + 1):
        of_redline = LOWEST_OF_REDLINE + (1.0 - LOWEST_OF_REDLINE) * i / _SPEEDS
        speed_rpm = of_redline * rig.engine.redline_rpm
        petrol = petrol_kg_s(rig, boost_kpa, speed_rpm)
        duty_pct = injector_duty_pct(rig, petrol, speed_rpm)
        spray_ml_min = commanded_flow_ml_min(k, boost_kpa, duty_pct, inf, 100.0)
        shares.append(100.0 * spray_ml_min * rig.spray.fluid_kg_m3 * 1e-6 / 60.0 / petrol)
    return PetrolShare(boost_kpa, min(shares), max(shares))


def petrol_shares(rig: Rig) -> list[PetrolShare]:
    """Return the shares from where spray begins up to the boost the rig is tuned for."""
    start_kpa = rig.command.start_boost_kpa
    boosts = {start_kpa, rig.paid.dry_limit_kpa, *rig.paid.boost_kpa}
    return [petrol_share(rig, boost_kpa) for boost_kpa in sorted(boosts) if boost_kpa >= start_kpa]


def outside_practice(shares: list[PetrolShare]) -> str:
    """Return a caution where a rig sprays much more, or less, than is usual; else nothing.

    Args:
        shares: From ``petrol_shares``, ascending in boost, at least one.
    """
    least_pct, most_pct = PRACTICE_PCT
    usual = f"common practice is {least_pct:.0f} to {most_pct:.0f} % (no source)"
    ask = "do the nozzles' ratings and their number, the pump and [command] fit this engine?"
    worst = max(shares, key=lambda share: share.most_pct)
    if worst.most_pct > most_pct:
        return (
            f"spray comes to {worst.most_pct:.0f} % of the petrol by mass at "
            f"{worst.boost_kpa:.0f} kPa, {usual}: {ask}"
        )
    if worst.most_pct < least_pct:
        return (
            f"spray comes to {worst.most_pct:.0f} % of the petrol by mass at the most, {usual}: "
            f"{ask}"
        )
    return ""


def in_words(shares: list[PetrolShare]) -> str:
    """Return the shares as one sentence."""
    told = []
    for share in shares:
        least, most = f"{share.least_pct:.0f}", f"{share.most_pct:.0f}"
        span = most if least == most else f"{least} to {most}"
        told.append(f"{span} % at {share.boost_kpa:.0f} kPa")
    return (
        f"spray by mass of the petrol, from redline down to {LOWEST_OF_REDLINE:.2f} of it: "
        + ", ".join(told)
    )
