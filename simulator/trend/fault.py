"""Which fault moves flow, line pressure, supply and timing as they moved: its causes' names.

A pump that gives less lowers the pressure behind it by up to twice the share by which the flow
falls: a nozzle passes as the root of its pressure, less the boost it sprays against (Torricelli's
law; ISO 5167-1 has it for orifices). A clog does not lower it at all. How much of a change counts:
common practice, no source.
"""

from collections.abc import Mapping
from typing import Final

from simulator.trend.change import Interval
from simulator.trend.season import DELAY, FLOW, LAG, LINE, SUPPLY

WITH_IT: Final = 0.6  # of the flow's share: line pressure that falls by more speaks for the pump
LOW_SUPPLY: Final = 0.02  # share of the voltage: less of a fall explains nothing
RISES: Final = 0.01  # of what is due: line pressure that rises by less proves nothing
SLOW: Final = "slow"


def causes_of(beside: Mapping[str, Interval], main: str, supply_v: float = 12.0) -> tuple[str, ...]:
    """Return what explains the changes, likeliest first: keys of ``rules.causes.known.CAUSES``.

    Or ``SLOW``: a valve or a line that follows later.

    Args:
        beside: By how much each number changed; shares, V and s.
        main: The number by which it was found.
        supply_v: What the supply was before.
    """
    flow, line, supply = (beside.get(name) for name in (FLOW, LINE, SUPPLY))
    if supply is not None and supply.high < 0.0 and supply.value < -LOW_SUPPLY * supply_v:
        return ("supply_low",)
    if main == FLOW and flow is not None:
        return _of_flow(flow, line)
    if main in (DELAY, LAG):
        return (SLOW,)
    if main == SUPPLY or line is None:
        return ("supply_low",)
    if flow is None:
        low = ("pump", "split_before_sensor", "line_sensor")
        return ("clog", "line_sensor") if line.value > 0.0 else low
    return ("line_sensor",)


def _of_flow(flow: Interval, line: Interval | None) -> tuple[str, ...]:
    if flow.value > 0.0:
        return ("split_after_sensor",)
    if line is None:
        return ("clog", "pump", "sensor_drift")
    edge = WITH_IT * flow.value
    if line.high < edge:
        return ("pump", "split_before_sensor")
    if line.low <= edge:
        return ("pump", "clog")
    return ("clog",) if line.value > RISES and line.low > 0.0 else ("clog", "sensor_drift")
