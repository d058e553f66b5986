"""The petrol of a pull, and the injector duty it takes: reckoned from a rig, not measured.

The plant has arithmetic of its own, which checks this.
"""

from math import sqrt
from typing import Final

from rules.facts import Rig

LOWEST_OF_REDLINE: Final = 0.45  # a pull begins about here; common practice, no source
FULL_LOAD_LAMBDA: Final = 0.82  # of the petrol alone; common practice, no source
CHARGE_K: Final = 313.0  # with spray, on a mild day; common practice, no source
_STOICHIOMETRIC: Final = 14.7
_GAS_CONSTANT_J_KG_K: Final = 287.05  # dry air, ICAO standard atmosphere
_PETROL_KG_L: Final = 0.745


def pull_from_rpm(rig: Rig) -> float:
    """Return the engine speed at which a pull begins to have full boost, rpm."""
    stated_rpm = rig.engine.full_boost_from_rpm
    return LOWEST_OF_REDLINE * rig.engine.redline_rpm if stated_rpm is None else stated_rpm


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
