"""How much spray a rig asks for, as a share of the petrol that burns beside it."""

from dataclasses import dataclass
from math import inf
from typing import Final

from rules.facts import Rig
from rules.petrol import injector_duty_pct, petrol_kg_s, pull_from_rpm
from rules.step.command import commanded_flow_ml_min
from rules.step.from_rig import constants_of

PRACTICE_PCT: Final = (10.0, 35.0)  # at full boost; common practice, no source
_SPEEDS: Final = 12


@dataclass(frozen=True, slots=True)
class PetrolShare:
    """Spray over petrol by mass at one boost, percent, over the speeds of a pull."""

    boost_kpa: float
    least_pct: float
    most_pct: float


def petrol_share(rig: Rig, boost_kpa: float) -> PetrolShare:
    """Return how much spray is asked for at a boost, over the petrol there.

    A log's command (kinds ``log_flow`` and ``log_percent``) is taken to be the most the system can
    deliver.

    Args:
        rig: The rig.
        boost_kpa: Gauge, above the vacuum of ``ambient_kpa``.
    """
    k = constants_of(rig)
    shares = []
    from_rpm = pull_from_rpm(rig)
    for i in range(_SPEEDS + 1):
        speed_rpm = from_rpm + (rig.engine.redline_rpm - from_rpm) * i / _SPEEDS
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
    usual = f"common practice is {least_pct:z.0f} to {most_pct:z.0f} % (no source)"
    ask = "do the nozzles' ratings and their number, the pump and [command] fit this engine?"
    worst = max(shares, key=lambda share: share.most_pct)
    if worst.most_pct > most_pct:
        return (
            f"spray comes to {worst.most_pct:z.0f} % of the petrol by mass at "
            f"{worst.boost_kpa:z.0f} kPa, {usual}: {ask}"
        )
    if worst.most_pct < least_pct:
        return (
            f"spray comes to {worst.most_pct:z.0f} % of the petrol by mass at the most, {usual}: "
            f"{ask}"
        )
    return ""


def in_words(shares: list[PetrolShare]) -> str:
    """Return the shares as one sentence."""
    told = []
    for share in shares:
        least, most = f"{share.least_pct:z.0f}", f"{share.most_pct:z.0f}"
        span = most if least == most else f"{least} to {most}"
        told.append(f"{span} % at {share.boost_kpa:z.0f} kPa")
    return f"spray by mass of the petrol, over the speeds of a pull: {', '.join(told)}"
