"""Debt into time and back: what a threshold in millilitres means at a boost."""

from math import inf

from rules.facts import Rig
from rules.step.debt import allowance_ml_min


def seconds_to_debt(
    rig: Rig, expected_ml_min: float, missing_share: float, debt_ml: float
) -> float:
    """Return how long a steady shortfall takes to build up a debt, s; infinite where it never does.

    Args:
        rig: Its allowance counts; its timing part is nil while the command stands still.
        expected_ml_min: Flow the sensor should read, >= 0.
        missing_share: Share of it that does not arrive, 0 to 1.
        debt_ml: The debt, mL.

    Counted from when the sensor shows the shortfall; its transport delay and lag come on top.
    """
    allowance = allowance_ml_min(rig.debt.share, rig.debt.floor_ml_min, 0.0, expected_ml_min)
    net_ml_min = missing_share * expected_ml_min - allowance
    return debt_ml / net_ml_min * 60.0 if net_ml_min > 0.0 else inf


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
