"""The spray in this car's intake, step by step: drops, film on the walls, vapour, a cooler charge.

Mass is conserved: what leaves the nozzles is vapour, liquid that enters the cylinders, or film.
"""

from typing import Final

from rules.step.arithmetic import larger, smaller
from simulator.plant.air import GAS_CONSTANT_J_KG_K, ZERO_C_K
from simulator.plant.charging import LEAST_KPA
from simulator.plant.constants import Constants
from simulator.plant.evaporation import charge_after, droplet_um, evaporated_share
from simulator.plant.state import Rates, State

WALL_S: Final = 6.0  # common practice, no source
WALL_SHARE: Final = 0.15  # of the spray that wets the intake; common practice, no source
FILM_S: Final = 0.3  # until it has left; common practice, no source
DROP_S: Final = 0.02
_RUN_SHARE: Final = 1.2  # of the charge pipe: through its second half and the manifold
_NOTHING_KG_S: Final = 1e-8
_FINEST_UM: Final = 5.0
_WALLS_PAY: Final = 0.7  # of a film's heat; common practice, no source
_KG_KG_PER_K: Final = 1.006 / 1900.0  # of vapour for each kelvin the charge was cooled
_MOST_KG_KG: Final = 0.2


def wall_k(load: float) -> float:
    """Return where the temperature of ports, valves and cylinder settles, kelvin.

    Args:
        load: Manifold pressure over that at full boost, 0 to 1.2.

    Source: common practice, no source: coolant at 90 degC and what full load adds.
    """
    return 385.0 + 40.0 * load


def charge_rates(k: Constants, s: State, d: Rates) -> None:
    """Work out vapour, liquid and cooling, and how fast film, cooling and walls change.

    After ``breathe`` and ``spray_rates``.
    """
    load = s.manifold_kpa / (k.ambient_kpa + larger(k.peak_kpa, 0.0))
    d.wall_c = (wall_k(load) - ZERO_C_K - s.wall_c) / WALL_S
    # Water alone is denser: the share of flow it costs is the root of the densities' ratio.
    lighter = 1.0 - k.water_less * s.wrong_mix
    sprayed = s.nozzle_ml_min * k.density_kg_m3 / (lighter * lighter) * (1e-6 / 60.0)
    film = larger(s.film_kg, 0.0)
    d.film_kg = WALL_SHARE * sprayed - film / FILM_S
    offered = (1.0 - WALL_SHARE) * sprayed + film / FILM_S
    if offered < _NOTHING_KG_S:
        s.vapour_water_kg_s = 0.0
        s.vapour_methanol_kg_s = 0.0
        s.liquid_water_kg_s = 0.0
        s.liquid_methanol_kg_s = 0.0
        s.end_c = s.dry_c
        s.end_water_kg_kg = 0.0
        s.end_methanol_kg_kg = 0.0
        d.drop_k = -s.drop_k / DROP_S
        return
    methanol = k.methanol * (1.0 - s.wrong_mix)
    drawn = larger(s.drawn_kg_s, 1e-3)
    ratio = smaller(offered / drawn, _MOST_KG_KG)
    vapour_water, vapour_methanol, drop_k = steam(
        k,
        s,
        ratio,
        methanol,
        sprayed,
        larger(s.line_kpa, 1.0) - (s.manifold_kpa - k.ambient_kpa) - k.check_kpa,
        film / FILM_S / offered,
    )
    s.vapour_water_kg_s = vapour_water * drawn
    s.vapour_methanol_kg_s = vapour_methanol * drawn
    s.liquid_water_kg_s = larger(offered * (1.0 - methanol) - s.vapour_water_kg_s, 0.0)
    s.liquid_methanol_kg_s = larger(offered * methanol - s.vapour_methanol_kg_s, 0.0)
    d.drop_k = (drop_k - s.drop_k) / DROP_S


def steam(
    k: Constants,
    s: State,
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
    pressure_kpa = larger(s.manifold_kpa, LEAST_KPA)
    dry_c = s.dry_c
    liquid_c = k.ambient_c
    humidity = k.humidity_kg_kg
    kg_m3 = pressure_kpa * 1e3 / (GAS_CONSTANT_J_KG_K * (dry_c + ZERO_C_K))
    drop_um = droplet_um(
        across_kpa, 1e3 * sprayed / k.nozzles, k.viscosity_mpa_s, k.surface_mn_m, kg_m3
    )
    drop_um = larger(drop_um, _FINEST_UM)  # a dwindling flow would make drops of no size
    run_s = _RUN_SHARE * k.pipe_m3 * kg_m3 / larger(s.drawn_kg_s, 1e-3)
    # On the way the drops see, on average, half of the cooling and half of the vapour.
    half_k = 0.5 * s.drop_k
    share = evaporated_share(
        drop_um,
        run_s,
        dry_c - half_k,
        pressure_kpa,
        humidity + half_k * _KG_KG_PER_K * (1.0 - methanol),
        methanol,
    )
    end_c, water, spirit = charge_after(
        dry_c,
        pressure_kpa,
        share * ratio * (1.0 - methanol),
        share * ratio * methanol,
        humidity,
        liquid_c,
        s.end_c,
        s.end_water_kg_kg,
        s.end_methanol_kg_kg,
    )
    s.end_c = end_c
    s.end_water_kg_kg = water
    s.end_methanol_kg_kg = spirit
    return water, spirit, (dry_c - end_c) * (1.0 - _WALLS_PAY * film_share)
