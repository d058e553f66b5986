"""Methanol and water: from what was poured to mass percent and density."""

from bisect import bisect_right
from typing import Final

# Density of methanol-water at 20 degC, kg/m3, against methanol mass percent. Source: CRC Handbook
# of Chemistry and Physics, 102nd ed., Concentrative Properties of Aqueous Solutions.
CRC_DENSITY: Final = (
    (0.0, 998.2),
    (10.0, 981.6),
    (16.0, 972.5),
    (20.0, 966.6),
    (24.0, 960.6),
    (26.0, 957.6),
    (30.0, 951.4),
    (34.0, 945.0),
    (36.0, 941.6),
    (40.0, 934.7),
    (42.0, 931.1),
    (44.0, 927.3),
    (46.0, 923.5),
    (50.0, 915.6),
    (60.0, 894.4),
    (70.0, 871.5),
    (80.0, 846.8),
    (90.0, 820.4),
    (100.0, 791.7),
)
WATER_KG_M3: Final = CRC_DENSITY[0][1]
METHANOL_KG_M3: Final = CRC_DENSITY[-1][1]


def mass_pct(poured_volume_pct: float) -> float:
    """Return methanol's mass percent from its part of the volumes *before* mixing.

    A mix shrinks, so "percent by volume" has a second meaning, of the finished liquid; a 50/50 pour
    is 44.2 % by mass and 51.8 % of the finished volume. Rigs mean the pour.

    Args:
        poured_volume_pct: Methanol poured, percent of both volumes poured, 0 to 100, at 20 degC.
    """
    methanol = poured_volume_pct * METHANOL_KG_M3
    water = (100.0 - poured_volume_pct) * WATER_KG_M3
    return 100.0 * methanol / (methanol + water)


def density_kg_m3(methanol_mass_pct: float) -> float:
    """Return the mix's density at 20 degC in kg/m3, interpolated in the CRC table.

    Args:
        methanol_mass_pct: 0 to 100.
    """
    masses = [mass for mass, _ in CRC_DENSITY]
    upper = min(max(bisect_right(masses, methanol_mass_pct), 1), len(masses) - 1)
    (mass_0, rho_0), (mass_1, rho_1) = CRC_DENSITY[upper - 1], CRC_DENSITY[upper]
    return rho_0 + (rho_1 - rho_0) * (methanol_mass_pct - mass_0) / (mass_1 - mass_0)
