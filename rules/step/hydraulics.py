"""How much a spray system can deliver at a boost."""

from math import sqrt

from rules.step.constants import (
    CHECK_VALVE_KPA,
    CONDUCTANCE_SQ,
    CONDUCTANCE_SQ_SLOPE,
    REGULATED_KPA,
    SHUT_OFF_KPA,
)
from rules.step.vector import Vector


def full_flow_ml_min(k: Vector, boost_kpa: float) -> float:
    """Return the flow at full command against ``boost_kpa`` (gauge), mL/min, never negative.

    Nozzles follow the square-root law on the pressure across them, pump less boost less check
    valve; leaving boost out overstates flow by 7.4 % at 150 psi pump and 20 psi boost. The pump is
    a straight line p = shut_off - slope q, so with K the conductance
    q^2 + K^2 slope q - K^2 (shut_off - back) = 0; a regulator caps the pressure.
    """
    back_kpa = boost_kpa + k[CHECK_VALVE_KPA]
    if k[SHUT_OFF_KPA] <= back_kpa or k[REGULATED_KPA] <= back_kpa:
        return 0.0
    half = 0.5 * k[CONDUCTANCE_SQ_SLOPE]
    on_curve = sqrt(half * half + k[CONDUCTANCE_SQ] * (k[SHUT_OFF_KPA] - back_kpa)) - half
    regulated = sqrt(k[CONDUCTANCE_SQ] * (k[REGULATED_KPA] - back_kpa))
    return regulated if regulated < on_curve else on_curve
