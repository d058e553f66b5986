"""The spray controller: what it asks of the valve, and how long that takes to be done."""

from rules.step.arithmetic import clamp, smaller
from rules.step.vector import Vector
from simulator.plant.hydraulics import full_flow_ml_min, opening_for
from simulator.plant.interpolation import interpolate_map
from simulator.plant.layout import (
    K_COMMAND,
    K_FULL_DUTY,
    K_FULL_KPA,
    K_MAP_BOOST,
    K_MAP_DUTY,
    K_MAP_PCT,
    K_N_MAP_BOOST,
    K_N_MAP_DUTY,
    K_RATE,
    K_START_DUTY,
    K_START_KPA,
    S_ASKED_SHARE,
    S_BOOST_ERROR,
    S_BOOST_KPA,
    S_COMMANDED,
    S_DUTY_PCT,
    S_PRIMED,
    S_SENSED_BOOST,
    X_SILENT,
    X_STUCK_SHUT,
)

# As in rules.facts.CommandKind; a command that a log would bring comes from a controller here too.
_FIXED = 2.0
_DUTY = 4.0
_MAP = 5.0
_PRIME_KPA = 40.0  # the pump starts that far below onset; common practice, no source


def command_share(k: Vector, boost_kpa: float, duty_pct: float) -> float:
    """Return what the spray controller asks for, as a share of full flow, 0 to 1.

    FIXED gives 1; its rate is applied where full flow is known.

    Args:
        k: Constants.
        boost_kpa: Boost it measures, kPa gauge.
        duty_pct: Injector duty it measures, percent.
    """
    if boost_kpa <= k[K_START_KPA]:
        return 0.0
    kind = k[K_COMMAND]
    if kind == _FIXED:
        return 1.0
    if kind == _DUTY:
        return clamp((duty_pct - k[K_START_DUTY]) / (k[K_FULL_DUTY] - k[K_START_DUTY]), 0.0, 1.0)
    if kind == _MAP:
        rows = int(k[K_N_MAP_BOOST])
        columns = int(k[K_N_MAP_DUTY])
        return 0.01 * interpolate_map(
            boost_kpa, duty_pct, k, K_MAP_BOOST, rows, K_MAP_DUTY, columns, K_MAP_PCT
        )
    return smaller(1.0, (boost_kpa - k[K_START_KPA]) / (k[K_FULL_KPA] - k[K_START_KPA]))


def ask(k: Vector, s: Vector) -> tuple[float, float]:
    """Set what is commanded, and return the valve opening and what healthy flow follows.

    Args:
        k: Constants.
        s: State; command and asked share are put into it.

    Returns:
        Opening, 0 to 1, and the flow in mL/min at the true boost, were nothing wrong.
    """
    seen_kpa = s[S_SENSED_BOOST] + s[S_BOOST_ERROR]
    share = command_share(k, seen_kpa, s[S_DUTY_PCT])
    ready = share > 0.0 or seen_kpa > k[K_START_KPA] - _PRIME_KPA
    s[S_PRIMED] = 1.0 if ready and s[X_SILENT] == 0.0 else 0.0
    if share <= 0.0:
        s[S_ASKED_SHARE] = 0.0
        s[S_COMMANDED] = 0.0
        return 0.0, 0.0
    assumed_ml_min = full_flow_ml_min(k, seen_kpa)
    if k[K_COMMAND] == _FIXED and assumed_ml_min > 0.0:
        share = smaller(1.0, k[K_RATE] / assumed_ml_min)
    due_ml_min = share * full_flow_ml_min(k, s[S_BOOST_KPA])
    if s[X_SILENT] != 0.0:
        s[S_ASKED_SHARE] = 0.0
        s[S_COMMANDED] = 0.0
        return 0.0, due_ml_min
    s[S_ASKED_SHARE] = share
    s[S_COMMANDED] = share * assumed_ml_min
    opening = opening_for(k, share * assumed_ml_min, seen_kpa)
    return opening * (1.0 - s[X_STUCK_SHUT]), due_ml_min
