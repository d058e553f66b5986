"""The spray controller: what it asks of the valve, and how long that takes to be done."""

from rules.facts import CommandKind
from rules.step.arithmetic import clamp, interpolate_map, smaller
from simulator.plant.constants import Constants
from simulator.plant.hydraulics import (
    flow_at_speed,
    full_flow_ml_min,
    opening_for,
    speed_for,
)
from simulator.plant.state import State

_, _, _FIXED, _, _DUTY, _MAP = map(int, CommandKind)
_PRIME_KPA = 40.0  # the pump starts that far below onset; common practice, no source


def command_share(k: Constants, boost_kpa: float, duty_pct: float) -> float:
    """Return what the spray controller asks for, as a share of full flow, 0 to 1.

    FIXED gives 1; its rate is applied where full flow is known. A command that a log would bring
    comes from a controller here too.

    Args:
        k: Constants.
        boost_kpa: Boost it measures, kPa gauge.
        duty_pct: Injector duty it measures, percent.
    """
    if boost_kpa <= k.start_kpa:
        return 0.0
    kind = k.command
    if kind == _FIXED:
        return 1.0
    if kind == _DUTY:
        return clamp((duty_pct - k.start_duty_pct) / (k.full_duty_pct - k.start_duty_pct), 0.0, 1.0)
    if kind == _MAP:
        return 0.01 * interpolate_map(
            boost_kpa, duty_pct, k.map_kpa, k.map_rows, k.map_duty_pct, k.map_columns, k.map_pct
        )
    return smaller(1.0, (boost_kpa - k.start_kpa) / (k.full_kpa - k.start_kpa))


def ask(k: Constants, s: State) -> tuple[float, float]:
    """Set what is commanded, and return the valve opening and what healthy flow follows.

    Returns:
        Opening, 0 to 1, and the flow in mL/min at the true boost, were nothing wrong.
    """
    seen_kpa = s.sensed_boost_kpa + s.boost_error_kpa
    share = command_share(k, seen_kpa, s.duty_pct)
    ready = share > 0.0 or seen_kpa > k.start_kpa - _PRIME_KPA
    s.primed = 1.0 if ready and s.silent == 0.0 else 0.0
    # Without a valve the line empties through its nozzles, until vacuum would draw from it.
    nothing = 1.0 if k.follows_command > 0.0 and s.boost_kpa > 0.0 else 0.0
    s.pump_asked = 0.0
    if share <= 0.0:
        s.asked_share = 0.0
        s.commanded_ml_min = 0.0
        return nothing, 0.0
    if k.follows_command > 0.0:
        return _ask_of_pump(k, s, share, seen_kpa)
    assumed_ml_min = full_flow_ml_min(k, seen_kpa)
    if k.command == _FIXED and assumed_ml_min > 0.0:
        share = smaller(1.0, k.fixed_ml_min / assumed_ml_min)
    due_ml_min = share * full_flow_ml_min(k, s.boost_kpa)
    if s.silent != 0.0:
        s.asked_share = 0.0
        s.commanded_ml_min = 0.0
        return 0.0, due_ml_min
    s.asked_share = share
    s.commanded_ml_min = share * assumed_ml_min
    opening = opening_for(k, share * assumed_ml_min, seen_kpa)
    return opening * (1.0 - s.stuck_shut), due_ml_min


def _ask_of_pump(k: Constants, s: State, share: float, seen_kpa: float) -> tuple[float, float]:
    """Set the speed that is asked of a pump without a valve; return as ``ask`` does."""
    if k.command == _FIXED:
        share = speed_for(k, smaller(k.fixed_ml_min, full_flow_ml_min(k, seen_kpa)), seen_kpa)
    due_ml_min = flow_at_speed(k, share, s.boost_kpa)
    if s.silent != 0.0:
        share = 0.0
    s.pump_asked = s.asked_share = share
    s.commanded_ml_min = flow_at_speed(k, share, seen_kpa)
    return 1.0 - s.stuck_shut, due_ml_min
