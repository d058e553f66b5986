"""The driver: follows the script with pedal, brake, clutch and gear lever."""

from math import pi
from typing import Final

from rules.step.arithmetic import clamp, larger, smaller
from rules.step.vector import Vector
from simulator.plant.layout import (
    DO_CRUISE,
    DO_IDLE,
    DO_LIFT,
    DO_NOTHING,
    DO_PULL,
    K_FINAL_DRIVE,
    K_GEAR,
    K_GEARS,
    K_N_STEPS,
    K_REDLINE_RPM,
    K_TYRE_M,
    P_AHEAD,
    P_AHEAD_GEAR,
    P_DO,
    P_ENDS_S,
    P_GEAR,
    P_PEDAL,
    S_BRAKE_M_S2,
    S_CLUTCH_OPEN,
    S_ENGAGED,
    S_GEAR,
    S_NEXT_GEAR,
    S_PEDAL,
    S_ROAD_M_S,
    S_SHIFT_DRAW,
    S_SHIFT_LEFT_S,
    S_STEP,
    STEP_WIDTH,
)

RPM_PER_RAD_S: Final = 30.0 / pi
_SHIFT_PEDAL: Final = 0.27  # a quick shift eases the throttle rather than shutting it
_SHIFT_S: Final = 0.2
_SHIFT_SPREAD_S: Final = 0.03
CRUISE_OF_REDLINE: Final = 0.40
_PULL_START_OF_REDLINE: Final = 0.45
_UPSHIFT_OF_REDLINE: Final = 0.955
_EASY_UPSHIFT_OF_REDLINE: Final = 0.62
_BRAKE_M_S2: Final = 4.5


def rpm_per_m_s(k: Vector, gear: float) -> float:
    """Return engine turns a minute for each m/s of road speed in a gear (0 in neutral)."""
    return k[K_GEAR + int(gear)] * k[K_FINAL_DRIVE] / k[K_TYRE_M] * RPM_PER_RAD_S


def drive(k: Vector, s: Vector, steps: Vector, now_s: float, dt_s: float) -> None:
    """Bring pedal (0 to 1), gear, clutch and brake (m/s2) to this moment.

    Args:
        k: Constants.
        s: State.
        steps: The script, ``STEP_WIDTH`` numbers a step.
        now_s: Time since the start, seconds.
        dt_s: Time since the last call, seconds.
    """
    at = int(s[S_STEP])
    while at < int(k[K_N_STEPS]) - 1 and now_s >= steps[at * STEP_WIDTH + P_ENDS_S]:
        at += 1
    s[S_STEP] = float(at)
    if s[S_SHIFT_LEFT_S] > 0.0:
        s[S_SHIFT_LEFT_S] -= dt_s
        if s[S_SHIFT_LEFT_S] > 0.0:
            return
        s[S_GEAR] = s[S_NEXT_GEAR]
        s[S_CLUTCH_OPEN] = 1.0 if s[S_GEAR] == 0.0 else 0.0
    row = at * STEP_WIDTH
    s[S_BRAKE_M_S2] = 0.0
    do = steps[row + P_DO]
    if do == DO_PULL:
        _pull(k, s, steps, row)
    elif do == DO_CRUISE:
        _cruise(k, s, steps, row)
    elif do == DO_LIFT:
        _lift(k, s, steps, row)
    else:
        _want(s, 0.0, 0.0)
        s[S_PEDAL] = 0.0
        s[S_BRAKE_M_S2] = 3.0 if s[S_ROAD_M_S] > 0.0 else 0.0


def _want(s: Vector, gear: float, shift_pedal: float) -> bool:
    """Begin a shift unless the gear is in; return whether one began."""
    if gear == s[S_GEAR]:
        return False
    s[S_NEXT_GEAR] = gear
    s[S_SHIFT_LEFT_S] = clamp(_SHIFT_S + _SHIFT_SPREAD_S * s[S_SHIFT_DRAW], 0.15, 0.25)
    s[S_CLUTCH_OPEN] = 1.0
    s[S_PEDAL] = shift_pedal
    return True


def _begins_in(s: Vector, steps: Vector, row: int) -> bool:
    """Engage the step's gear once, when the step begins; return whether a shift began."""
    if s[S_ENGAGED] == s[S_STEP]:
        return False
    s[S_ENGAGED] = s[S_STEP]
    gear = steps[row + P_GEAR]
    if gear == 0.0:
        gear = s[S_GEAR]
    if gear == 0.0:
        gear = 2.0
    return _want(s, gear, 0.0)


def _too_fast(k: Vector, s: Vector, steps: Vector, row: int) -> bool:
    """Brake while the step's gear would turn the engine past its redline; return whether it would.

    ``_lift`` waits likewise, and a gear that is in already is looked after by the shift up.
    """
    gear = steps[row + P_GEAR]
    if s[S_ENGAGED] == s[S_STEP] or gear == 0.0 or gear == s[S_GEAR]:
        return False
    if s[S_ROAD_M_S] * rpm_per_m_s(k, gear) <= _UPSHIFT_OF_REDLINE * k[K_REDLINE_RPM]:
        return False
    s[S_PEDAL] = 0.0
    s[S_BRAKE_M_S2] = _BRAKE_M_S2
    return True


def _pull(k: Vector, s: Vector, steps: Vector, row: int) -> None:
    if _too_fast(k, s, steps, row) or _begins_in(s, steps, row):
        return
    pedal = steps[row + P_PEDAL]
    full = 1.0 if pedal < 0.0 else pedal
    s[S_PEDAL] = full
    limit_rpm = _UPSHIFT_OF_REDLINE * k[K_REDLINE_RPM]
    if s[S_ROAD_M_S] * rpm_per_m_s(k, s[S_GEAR]) > limit_rpm:
        if s[S_GEAR] < k[K_GEARS]:
            _want(s, s[S_GEAR] + 1.0, _SHIFT_PEDAL * full)
        else:
            s[S_PEDAL] = 0.1  # out of gears: hold the speed


def _cruise(k: Vector, s: Vector, steps: Vector, row: int) -> None:
    if _too_fast(k, s, steps, row) or _begins_in(s, steps, row):
        return
    road_m_s = s[S_ROAD_M_S]
    pedal = steps[row + P_PEDAL]
    if pedal >= 0.0:
        s[S_PEDAL] = pedal
        limit_rpm = _EASY_UPSHIFT_OF_REDLINE * k[K_REDLINE_RPM]
        if road_m_s * rpm_per_m_s(k, s[S_GEAR]) > limit_rpm and s[S_GEAR] < k[K_GEARS]:
            _want(s, s[S_GEAR] + 1.0, 0.0)
        return
    wanted_m_s = CRUISE_OF_REDLINE * k[K_REDLINE_RPM] / rpm_per_m_s(k, s[S_GEAR])
    s[S_PEDAL] = larger(0.0, smaller(0.3, 0.1 + 0.08 * (wanted_m_s - road_m_s)))
    if road_m_s > wanted_m_s + 2.0:
        s[S_BRAKE_M_S2] = 2.0


def _lift(k: Vector, s: Vector, steps: Vector, row: int) -> None:
    s[S_PEDAL] = 0.0
    ahead = steps[row + P_AHEAD]
    if ahead == DO_NOTHING:
        return
    gear = steps[row + P_AHEAD_GEAR]
    if gear == 0.0:
        gear = s[S_GEAR]
    if ahead == DO_IDLE or gear == 0.0:
        s[S_BRAKE_M_S2] = 3.0
        return
    share = _PULL_START_OF_REDLINE if ahead == DO_PULL else CRUISE_OF_REDLINE
    wanted_m_s = share * k[K_REDLINE_RPM] / rpm_per_m_s(k, gear)
    if s[S_ROAD_M_S] > wanted_m_s:
        s[S_BRAKE_M_S2] = _BRAKE_M_S2
    if s[S_ROAD_M_S] * rpm_per_m_s(k, gear) < 0.85 * k[K_REDLINE_RPM]:
        _want(s, gear, 0.0)
