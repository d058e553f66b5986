"""CoolProp, loaded once it is asked: that takes two seconds, of every worker of a whole suite."""

from typing import Any


def PropsSI(*question: Any) -> float:
    """Return a property of a fluid, in SI units; see CoolProp."""
    from CoolProp.CoolProp import PropsSI as ask

    return float(ask(*question))


def HAPropsSI(*question: Any) -> float:
    """Return a property of humid air, in SI units; see CoolProp."""
    from CoolProp.HumidAirProp import HAPropsSI as ask

    return float(ask(*question))
