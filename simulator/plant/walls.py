"""Ports, valves and cylinder walls: how hot they get, and how slowly."""

from typing import Final

WALL_S: Final = 6.0  # common practice, no source


def wall_k(load: float) -> float:
    """Return where the temperature of ports, valves and cylinder settles, kelvin.

    Args:
        load: Manifold pressure over that at full boost, 0 to 1.2.

    Source: common practice, no source: coolant at 90 degC and what full load adds.
    """
    return 385.0 + 40.0 * load
