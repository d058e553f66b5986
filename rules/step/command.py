"""How much spray is commanded, for every usual kind of spray control."""

from rules.step.arithmetic import clamp, interpolate_map, smaller
from rules.step.constants import (
    BOOST_SPAN_KPA,
    COMMAND_KIND,
    DUTY_SPAN_PCT,
    MAP_BOOST,
    MAP_CELLS,
    MAP_DUTY,
    N_MAP_BOOST,
    N_MAP_DUTY,
    ONSET_KPA,
    RATE_ML_MIN,
    START_DUTY_PCT,
)
from rules.step.hydraulics import full_flow_ml_min
from rules.step.vector import Vector


def commanded_flow_ml_min(
    k: Vector, boost_kpa: float, duty_pct: float, logged_ml_min: float, logged_pct: float
) -> float:
    """Return the flow commanded now, mL/min.

    Args:
        k: The rig's constants.
        boost_kpa: Boost, gauge.
        duty_pct: Injector duty; used by kinds INJECTOR_DUTY and MAP.
        logged_ml_min: The log's commanded flow; used by LOG_FLOW.
        logged_pct: The log's command in percent of full flow; used by LOG_PERCENT.

    A command can't ask for more than the hydraulics give at this boost, so every kind is capped
    there: what the pump cannot do is a matter of sizing, not a shortfall.
    """
    full_ml_min = full_flow_ml_min(k, boost_kpa)
    if k[COMMAND_KIND] == 0.0:
        return smaller(full_ml_min, logged_ml_min)
    if k[COMMAND_KIND] == 1.0:
        return full_ml_min * logged_pct * 0.01
    if boost_kpa < k[ONSET_KPA]:
        return 0.0
    if k[COMMAND_KIND] == 2.0:
        return smaller(full_ml_min, k[RATE_ML_MIN])
    if k[COMMAND_KIND] == 3.0:
        return full_ml_min * clamp((boost_kpa - k[ONSET_KPA]) / k[BOOST_SPAN_KPA], 0.0, 1.0)
    if k[COMMAND_KIND] == 4.0:
        return full_ml_min * clamp((duty_pct - k[START_DUTY_PCT]) / k[DUTY_SPAN_PCT], 0.0, 1.0)
    percent = interpolate_map(
        boost_kpa,
        duty_pct,
        k,
        MAP_BOOST,
        int(k[N_MAP_BOOST]),
        MAP_DUTY,
        int(k[N_MAP_DUTY]),
        MAP_CELLS,
    )
    return full_ml_min * percent * 0.01
