"""What is poured for a mix of water and methanol, and what the mix is.

Volumes and densities are at 20 degC. "Percent" has three meanings, and a 50/50 pour is 50, 44.2 and
51.8 % in them: ``VOLUME`` of the two liquids' volumes before mixing (the pour, as rigs mean it),
``MASS``, and ``FINISHED``, methanol's volume over that of the finished liquid, which is less.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from math import log
from typing import Final

from simulator.plant.mixture import (
    METHANOL_G_MOL,
    WATER_G_MOL,
    ZERO_C_K,
    freezing_c,
    laar_share,
    ln_methanol_activity,
    ln_methanol_kpa,
)
from simulator.rig.mix import METHANOL_KG_M3, WATER_KG_M3, density_kg_m3, mass_pct

FREEZING_TO_PCT: Final = 68.0  # by mass: where the published freezing points end
FLASH_FROM_PCT: Final = 10.0  # by mass: where such flash points have been computed
PURE_FLASH_C: Final = 11.0  # closed cup, NIOSH
PURE_FLASH_BAND_C: Final = (9.0, 12.0)  # IEC 60079-20-1 to NFPA 497
FLASH_WITHIN_K: Final = 5.0  # of measured; Astbury et al., IChemE Symposium Series 150 (2004)


class Meaning(StrEnum):
    """What a percentage of methanol is of."""

    VOLUME = "volume"  # of the volumes before mixing
    MASS = "mass"
    FINISHED = "finished"  # of the finished liquid's volume


def poured_pct(methanol_mass_pct: float) -> float:
    """Return methanol's part of the volumes before mixing, percent; the inverse of ``mass_pct``.

    Args:
        methanol_mass_pct: 0 to 100.

    Source: CRC Handbook densities of the pure liquids at 20 degC.
    """
    methanol = methanol_mass_pct / METHANOL_KG_M3
    return 100.0 * methanol / (methanol + (100.0 - methanol_mass_pct) / WATER_KG_M3)


def finished_pct(methanol_mass_pct: float) -> float:
    """Return methanol's volume over the finished liquid's, percent.

    Args:
        methanol_mass_pct: 0 to 100.

    Source: CRC Handbook densities at 20 degC.
    """
    return methanol_mass_pct * density_kg_m3(methanol_mass_pct) / METHANOL_KG_M3


def to_mass_pct(percent: float, meaning: Meaning) -> float:
    """Return methanol's mass percent from a percentage of this meaning.

    Args:
        percent: 0 to 100.
        meaning: What it is of.
    """
    if meaning is Meaning.MASS or percent in (0.0, 100.0):
        return percent
    if meaning is Meaning.VOLUME:
        return mass_pct(percent)
    return where_reached(finished_pct, percent, 0.0, 100.0)


def where_reached(
    ascending: Callable[[float], float], wanted: float, low: float, high: float
) -> float:
    """Return where a function that ascends from ``low`` to ``high`` reaches what is wanted."""
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if ascending(middle) < wanted else (low, middle)
    return high


def freezes_c(methanol_mass_pct: float) -> float | None:
    """Return where a mix starts to freeze, degC, within 0.5 K; None beyond 68 % by mass.

    Args:
        methanol_mass_pct: 0 to 100.

    Source: CRC Handbook, 102nd ed., Concentrative Properties of Aqueous Solutions.
    """
    if methanol_mass_pct > FREEZING_TO_PCT:
        return None
    return freezing_c(0.01 * methanol_mass_pct)


def flash_c(methanol_mass_pct: float) -> float | None:
    """Return a mix's closed-cup flash point, degC, calculated; None below 10 % by mass.

    It is where the mix has the methanol vapour pressure that methanol alone has at its own flash
    point. Without activities (Raoult) it would come out 5 to 17 K too high, the unsafe way.

    Args:
        methanol_mass_pct: 0 to 100.

    Source: method of Liaw et al. (2006) and Astbury et al. (2004), who found such models within 5 K
    of measured; van Laar activities; 11 degC for pure methanol (NIOSH).
    """
    if methanol_mass_pct < FLASH_FROM_PCT:
        return None
    methanol = methanol_mass_pct / METHANOL_G_MOL
    water = (100.0 - methanol_mass_pct) / WATER_G_MOL
    share = log(methanol / (methanol + water)) + ln_methanol_activity(laar_share(methanol, water))
    pure_k = PURE_FLASH_C + ZERO_C_K
    wanted = ln_methanol_kpa(pure_k) - share
    return where_reached(ln_methanol_kpa, wanted, pure_k, pure_k + 90.0) - ZERO_C_K


def flash_band_c(methanol_mass_pct: float) -> tuple[float, float] | None:
    """Return from where to where a mix's flash point may be, degC; None as ``flash_c``."""
    middle = flash_c(methanol_mass_pct)
    if middle is None:
        return None
    low_c, high_c = PURE_FLASH_BAND_C
    if methanol_mass_pct >= 100.0:
        return low_c, high_c
    return max(middle - FLASH_WITHIN_K, low_c), middle + FLASH_WITHIN_K


@dataclass(frozen=True, slots=True)
class Mix:
    """What is poured, and what comes of it.

    Attributes:
        strong_kg: Of the stronger liquid; ``strong_ml`` its volume.
        weak_kg: Of the weaker one; ``weak_ml`` its volume.
        kg: Of the mix; ``ml`` its volume.
        methanol_mass_pct: Of the mix.
    """

    strong_kg: float
    strong_ml: float
    weak_kg: float
    weak_ml: float
    kg: float
    ml: float
    methanol_mass_pct: float

    @property
    def shrinks_ml(self) -> float:
        """How much less the mix is than the volumes poured, mL."""
        return self.strong_ml + self.weak_ml - self.ml


def mix_of(wanted_pct: float, strong_pct: float, weak_pct: float, kg: float) -> Mix:
    """Return what to pour of two liquids for a mix.

    Args:
        wanted_pct: Methanol in the mix, percent by mass, from ``weak_pct`` to ``strong_pct``.
        strong_pct: In the stronger liquid, likewise, above ``weak_pct``.
        weak_pct: In the weaker one, likewise, 0 or more.
        kg: Of the mix, > 0.

    Raises:
        ValueError: The wanted strength doesn't lie between those poured.

    Source: mass is conserved; CRC Handbook densities at 20 degC.
    """
    if not 0.0 <= weak_pct <= wanted_pct <= strong_pct <= 100.0 or not weak_pct < strong_pct:
        raise ValueError(f"{wanted_pct} % from {weak_pct} and {strong_pct} %")
    strong_kg = kg * (wanted_pct - weak_pct) / (strong_pct - weak_pct)
    weak_kg = kg - strong_kg
    return Mix(
        strong_kg,
        ml_of(strong_kg, strong_pct),
        weak_kg,
        ml_of(weak_kg, weak_pct),
        kg,
        ml_of(kg, wanted_pct),
        wanted_pct,
    )


def ml_of(kg: float, methanol_mass_pct: float) -> float:
    """Return the volume of so much of a mix, mL."""
    return 1e6 * kg / density_kg_m3(methanol_mass_pct)
