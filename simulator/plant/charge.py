"""What the spray does in the intake: drops, film on the walls, vapour, a cooler charge.

Mass is conserved: what leaves the nozzles is vapour, liquid that enters the cylinders, or film.
"""

from typing import Final

from rules.step.arithmetic import larger, smaller
from rules.step.vector import Vector
from simulator.plant.air import GAS_CONSTANT_J_KG_K, ZERO_C_K
from simulator.plant.charging import LEAST_KPA
from simulator.plant.evaporation import charge_after, droplet_um, evaporated_share
from simulator.plant.layout import (
    K_AMBIENT_C,
    K_AMBIENT_KPA,
    K_CHECK_KPA,
    K_DENSITY,
    K_HUMIDITY,
    K_METHANOL,
    K_NOZZLES,
    K_PEAK_KPA,
    K_PIPE_M3,
    K_SURFACE,
    K_VISCOSITY,
    K_WATER_LESS,
    S_DRAWN_KG_S,
    S_DROP_K,
    S_DRY_C,
    S_END_C,
    S_END_METHANOL,
    S_END_WATER,
    S_EVAPORATED,
    S_FILM_KG,
    S_LINE_KPA,
    S_LIQUID_METHANOL,
    S_LIQUID_WATER,
    S_MANIFOLD_KPA,
    S_NOZZLE,
    S_VAPOUR_METHANOL,
    S_VAPOUR_WATER,
    S_WALL_C,
    X_WRONG_MIX,
)
from simulator.plant.walls import WALL_S, wall_k

WALL_SHARE: Final = 0.15  # of the spray that wets the intake; common practice, no source
FILM_S: Final = 0.3  # until it has left; common practice, no source
DROP_S: Final = 0.02
_RUN_SHARE: Final = 1.2  # of the charge pipe: through its second half and the manifold
_NOTHING_KG_S: Final = 1e-8
_FINEST_UM: Final = 5.0
_WALLS_PAY: Final = 0.7  # of a film's heat; common practice, no source
_KG_KG_PER_K: Final = 1.006 / 1900.0  # of vapour for each kelvin the charge was cooled
_MOST_KG_KG: Final = 0.2


def charge_rates(k: Vector, s: Vector, d: Vector) -> None:
    """Work out vapour, liquid and cooling, and how fast film, cooling and walls change.

    Args:
        k: Constants.
        s: State, after ``breathe`` and ``spray_rates``; results are put into it.
        d: Rates, per second.
    """
    load = s[S_MANIFOLD_KPA] / (k[K_AMBIENT_KPA] + larger(k[K_PEAK_KPA], 0.0))
    d[S_WALL_C] = (wall_k(load) - ZERO_C_K - s[S_WALL_C]) / WALL_S
    # Water alone is denser: the share of flow it costs is the root of the densities' ratio.
    lighter = 1.0 - k[K_WATER_LESS] * s[X_WRONG_MIX]
    sprayed = s[S_NOZZLE] * k[K_DENSITY] / (lighter * lighter) * (1e-6 / 60.0)
    film = larger(s[S_FILM_KG], 0.0)
    d[S_FILM_KG] = WALL_SHARE * sprayed - film / FILM_S
    offered = (1.0 - WALL_SHARE) * sprayed + film / FILM_S
    if offered < _NOTHING_KG_S:
        s[S_VAPOUR_WATER] = 0.0
        s[S_VAPOUR_METHANOL] = 0.0
        s[S_LIQUID_WATER] = 0.0
        s[S_LIQUID_METHANOL] = 0.0
        s[S_EVAPORATED] = 0.0
        s[S_END_C] = s[S_DRY_C]
        s[S_END_WATER] = 0.0
        s[S_END_METHANOL] = 0.0
        d[S_DROP_K] = -s[S_DROP_K] / DROP_S
        return
    methanol = k[K_METHANOL] * (1.0 - s[X_WRONG_MIX])
    drawn = larger(s[S_DRAWN_KG_S], 1e-3)
    ratio = smaller(offered / drawn, _MOST_KG_KG)
    vapour_water, vapour_methanol, drop_k = steam(
        k,
        s,
        ratio,
        methanol,
        sprayed,
        larger(s[S_LINE_KPA], 1.0) - (s[S_MANIFOLD_KPA] - k[K_AMBIENT_KPA]) - k[K_CHECK_KPA],
        film / FILM_S / offered,
    )
    s[S_VAPOUR_WATER] = vapour_water * drawn
    s[S_VAPOUR_METHANOL] = vapour_methanol * drawn
    s[S_LIQUID_WATER] = larger(offered * (1.0 - methanol) - s[S_VAPOUR_WATER], 0.0)
    s[S_LIQUID_METHANOL] = larger(offered * methanol - s[S_VAPOUR_METHANOL], 0.0)
    d[S_DROP_K] = (drop_k - s[S_DROP_K]) / DROP_S


def steam(
    k: Vector,
    s: Vector,
    ratio: float,
    methanol: float,
    sprayed: float,
    across_kpa: float,
    film_share: float,
) -> tuple[float, float, float]:
    """Return water and methanol evaporated before the valves (kg per kg of air), and the cooling.

    Args:
        k: Constants.
        s: State: manifold pressure, dry charge, air drawn; the end state is kept as a next guess.
        ratio: Liquid offered, kg per kg of air.
        methanol: Its mass share, 0 to 1.
        sprayed: Flow of all nozzles, kg/s.
        across_kpa: Pressure across the nozzles.
        film_share: Of what is offered, what comes off the walls; they pay for most of its heat.
    """
    pressure_kpa = larger(s[S_MANIFOLD_KPA], LEAST_KPA)
    dry_c = s[S_DRY_C]
    liquid_c = k[K_AMBIENT_C]
    humidity = k[K_HUMIDITY]
    kg_m3 = pressure_kpa * 1e3 / (GAS_CONSTANT_J_KG_K * (dry_c + ZERO_C_K))
    drop_um = droplet_um(
        across_kpa, 1e3 * sprayed / k[K_NOZZLES], k[K_VISCOSITY], k[K_SURFACE], kg_m3
    )
    drop_um = larger(drop_um, _FINEST_UM)  # a dwindling flow would make drops of no size
    run_s = _RUN_SHARE * k[K_PIPE_M3] * kg_m3 / larger(s[S_DRAWN_KG_S], 1e-3)
    # On the way the drops see, on average, half of the cooling and half of the vapour.
    half_k = 0.5 * s[S_DROP_K]
    share = evaporated_share(
        drop_um,
        run_s,
        dry_c - half_k,
        pressure_kpa,
        humidity + half_k * _KG_KG_PER_K * (1.0 - methanol),
        methanol,
    )
    s[S_EVAPORATED] = share
    end_c, water, spirit = charge_after(
        dry_c,
        pressure_kpa,
        share * ratio * (1.0 - methanol),
        share * ratio * methanol,
        humidity,
        liquid_c,
        s[S_END_C],
        s[S_END_WATER],
        s[S_END_METHANOL],
    )
    s[S_END_C] = end_c
    s[S_END_WATER] = water
    s[S_END_METHANOL] = spirit
    return water, spirit, (dry_c - end_c) * (1.0 - _WALLS_PAY * film_share)
