"""The driver: follows the script with pedal, brake, clutch and gear lever."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import pi
from typing import Final

from rules.record import Record
from rules.step.arithmetic import clamp, larger, smaller
from simulator.plant.constants import Constants
from simulator.plant.state import State

RPM_PER_RAD_S: Final = 30.0 / pi
_SHIFT_PEDAL: Final = 0.27  # a quick shift eases the throttle rather than shutting it
_SHIFT_S: Final = 0.2
_SHIFT_SPREAD_S: Final = 0.03
CRUISE_OF_REDLINE: Final = 0.40
_PULL_START_OF_REDLINE: Final = 0.45
_UPSHIFT_OF_REDLINE: Final = 0.955
_EASY_UPSHIFT_OF_REDLINE: Final = 0.62
_BRAKE_M_S2: Final = 4.5
DO_IDLE, DO_CRUISE, DO_PULL, DO_LIFT = range(4)  # as ``script.Do``
DO_NOTHING: Final = -1


@dataclass(slots=True)
class DriverStep(Record):
    """One step of the script."""

    do: int = DO_IDLE
    ends_s: float = 0.0  # since the start
    gear: int = 0  # 0 keeps the gear
    pedal: float = -1.0  # 0 to 1; below 0: full in a pull, the speed held in a cruise
    ahead: int = DO_NOTHING  # what the next step but a lift does
    ahead_gear: int = 0  # and its gear


def rpm_per_m_s(k: Constants, gear: int) -> float:
    """Return engine turns a minute for each m/s of road speed in a gear (0 in neutral)."""
    return k.gear_ratio[gear] * k.final_drive / k.tyre_m * RPM_PER_RAD_S


def drive(k: Constants, s: State, steps: Sequence[DriverStep], now_s: float, dt_s: float) -> None:
    """Bring pedal (0 to 1), gear, clutch and brake (m/s2) to this moment.

    Args:
        k: Constants.
        s: State.
        steps: The script.
        now_s: Time since the start, seconds.
        dt_s: Time since the last call, seconds.
    """
    while s.step < k.drive_steps - 1 and now_s >= steps[s.step].ends_s:
        s.step += 1
    if s.lifted > 0.0:
        s.pedal = 0.0
    if s.shift_left_s > 0.0:
        s.shift_left_s -= dt_s
        if s.shift_left_s > 0.0:
            return
        s.gear = s.next_gear
        s.clutch_open = 1.0 if s.gear == 0 else 0.0
    step = steps[s.step]
    s.brake_m_s2 = 0.0
    if s.lifted > 0.0:
        return
    if step.do == DO_PULL:
        _pull(k, s, step)
    elif step.do == DO_CRUISE:
        _cruise(k, s, step)
    elif step.do == DO_LIFT:
        _lift(k, s, step)
    else:
        _want(s, 0, 0.0)
        s.pedal = 0.0
        s.brake_m_s2 = 3.0 if s.road_m_s > 0.0 else 0.0


def _want(s: State, gear: int, shift_pedal: float) -> bool:
    """Begin a shift unless the gear is in; return whether one began."""
    if gear == s.gear:
        return False
    s.next_gear = gear
    s.shift_left_s = clamp(_SHIFT_S + _SHIFT_SPREAD_S * s.shift_draw, 0.15, 0.25)
    s.clutch_open = 1.0
    s.pedal = shift_pedal
    return True


def _begins_in(s: State, step: DriverStep) -> bool:
    """Engage the step's gear once, when the step begins; return whether a shift began."""
    if s.engaged == s.step:
        return False
    s.engaged = s.step
    return _want(s, _gear_of(s, step), 0.0)


def _gear_of(s: State, step: DriverStep) -> int:
    """Return the step's gear; where it names none the one that is in, or second out of neutral."""
    gear = step.gear
    if gear == 0:
        gear = s.gear
    if gear == 0:
        gear = 2
    return gear


def _too_fast(k: Constants, s: State, step: DriverStep) -> bool:
    """Brake while the step's gear would turn the engine past its redline; return whether it would.

    ``_lift`` waits likewise, and a gear that is in already is looked after by the shift up.
    """
    gear = _gear_of(s, step)
    if s.engaged == s.step or gear == s.gear:
        return False
    if s.road_m_s * rpm_per_m_s(k, gear) <= _UPSHIFT_OF_REDLINE * k.redline_rpm:
        return False
    s.pedal = 0.0
    s.brake_m_s2 = _BRAKE_M_S2
    return True


def _pull(k: Constants, s: State, step: DriverStep) -> None:
    if _too_fast(k, s, step) or _begins_in(s, step):
        return
    pedal = step.pedal
    full = 1.0 if pedal < 0.0 else pedal
    s.pedal = full
    limit_rpm = _UPSHIFT_OF_REDLINE * k.redline_rpm
    if s.road_m_s * rpm_per_m_s(k, s.gear) > limit_rpm:
        if s.gear < k.gears:
            _want(s, s.gear + 1, _SHIFT_PEDAL * full)
        else:
            s.pedal = 0.1  # out of gears: hold the speed


def _cruise(k: Constants, s: State, step: DriverStep) -> None:
    if _too_fast(k, s, step) or _begins_in(s, step):
        return
    road_m_s = s.road_m_s
    pedal = step.pedal
    if pedal >= 0.0:
        s.pedal = pedal
        limit_rpm = _EASY_UPSHIFT_OF_REDLINE * k.redline_rpm
        if road_m_s * rpm_per_m_s(k, s.gear) > limit_rpm and s.gear < k.gears:
            _want(s, s.gear + 1, 0.0)
        return
    wanted_m_s = CRUISE_OF_REDLINE * k.redline_rpm / rpm_per_m_s(k, s.gear)
    s.pedal = larger(0.0, smaller(0.3, 0.1 + 0.08 * (wanted_m_s - road_m_s)))
    if road_m_s > wanted_m_s + 2.0:
        s.brake_m_s2 = 2.0


def _lift(k: Constants, s: State, step: DriverStep) -> None:
    s.pedal = 0.0
    ahead = step.ahead
    if ahead == DO_NOTHING:
        return
    gear = step.ahead_gear
    if gear == 0:
        gear = s.gear
    if ahead == DO_IDLE or gear == 0:
        s.brake_m_s2 = 3.0
        return
    share = _PULL_START_OF_REDLINE if ahead == DO_PULL else CRUISE_OF_REDLINE
    wanted_m_s = share * k.redline_rpm / rpm_per_m_s(k, gear)
    if s.road_m_s > wanted_m_s:
        s.brake_m_s2 = _BRAKE_M_S2
    if s.road_m_s * rpm_per_m_s(k, gear) < 0.85 * k.redline_rpm:
        _want(s, gear, 0.0)
