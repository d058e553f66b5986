"""How long a tank lasts, in minutes and in km."""

from math import inf


def tank_minutes(tank_ml: float, flow_ml_min: float, spraying_share: float = 1.0) -> float:
    """Return how long a tank lasts, min; infinite where nothing is used.

    Args:
        tank_ml: Usable fluid, mL, >= 0.
        flow_ml_min: Flow while spraying, mL/min, >= 0.
        spraying_share: Share of the time with spray, 0 to 1.
    """
    used_ml_min = flow_ml_min * spraying_share
    return tank_ml / used_ml_min if used_ml_min > 0.0 else inf


def tank_range_km(
    tank_ml: float, flow_ml_min: float, spraying_share: float, speed_km_h: float
) -> float:
    """Return how far a tank lasts, km, at a mean speed (km/h) and a share of the time spraying."""
    return tank_minutes(tank_ml, flow_ml_min, spraying_share) / 60.0 * speed_km_h
