"""How long a tank lasts, and how far."""

import pytest

from rules.tank import tank_minutes, tank_range_km


def test_tank_range() -> None:
    """5 L at 300 mL/min, all the time and 12 % of it: by hand, volume / (flow x share)."""
    assert tank_minutes(5000.0, 300.0) == pytest.approx(16.66667, rel=1e-6)
    assert tank_minutes(5000.0, 300.0, 0.12) == pytest.approx(138.88889, rel=1e-6)
    assert tank_range_km(5000.0, 300.0, 0.12, 80.0) == pytest.approx(185.18519, rel=1e-6)
    assert tank_minutes(5000.0, 0.0) == float("inf")
