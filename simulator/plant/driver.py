"""The driver: follows the script with pedal, brake, clutch and gear lever."""

from math import isnan, pi
from typing import Final

from simulator.plant.noise import Normal
from simulator.plant.script import Do, Step

# A medium car on a manual gearbox; common practice, no source.
GEARS: Final = (0.0, 3.40, 2.05, 1.43, 1.08, 0.86, 0.72)
FINAL_DRIVE: Final = 3.9
WHEEL_M: Final = 0.31
RPM_PER_RAD_S: Final = 30.0 / pi
_SHIFT_PEDAL: Final = 0.27  # a quick shift eases the throttle rather than shutting it
_SHIFT_S: Final = 0.2
_SHIFT_SPREAD_S: Final = 0.03
_CRUISE_OF_REDLINE: Final = 0.40
_PULL_START_OF_REDLINE: Final = 0.45
_UPSHIFT_OF_REDLINE: Final = 0.955
_EASY_UPSHIFT_OF_REDLINE: Final = 0.62
_BRAKE_M_S2: Final = 4.5


def rpm_per_m_s(gear: int) -> float:
    """Return engine turns a minute for each m/s of road speed in this gear (0 in neutral)."""
    return GEARS[gear] * FINAL_DRIVE / WHEEL_M * RPM_PER_RAD_S


class Driver:
    """Turns script and road speed into pedal (0 to 1), gear, clutch and brake (m/s2)."""

    __slots__ = (
        "_ends_s",
        "_engaged",
        "_index",
        "_noise",
        "_pending",
        "_redline_rpm",
        "_script",
        "_shift_left_s",
        "brake_m_s2",
        "clutch_open",
        "gear",
        "pedal",
    )

    def __init__(
        self, script: tuple[Step, ...], redline_rpm: float, seed: int, stream: int
    ) -> None:
        self._script = script
        ends: list[float] = []
        total_s = 0.0
        for step in script:
            total_s += step.for_s
            ends.append(total_s)
        self._ends_s = ends
        self._index = 0
        self._engaged = -1  # the last step whose gear was put in
        self._redline_rpm = redline_rpm
        self._noise = Normal(seed, stream)
        self._shift_left_s = 0.0
        self.gear = 0 if script[0].do is Do.IDLE else (script[0].gear or 2)
        self._pending = self.gear
        self.pedal = 0.0
        self.brake_m_s2 = 0.0
        self.clutch_open = self.gear == 0

    @property
    def start_m_s(self) -> float:
        """Road speed at which the run begins, m/s."""
        if self.gear == 0:
            return 0.0
        return _CRUISE_OF_REDLINE * self._redline_rpm / rpm_per_m_s(self.gear)

    @property
    def next_gear(self) -> int:
        """The gear being engaged (the gear itself, when no shift is under way)."""
        return self._pending

    def update(self, now_s: float, dt_s: float, road_m_s: float) -> None:
        """Bring pedal, gear, clutch and brake to this moment.

        Args:
            now_s: Time since the start, seconds.
            dt_s: Time since the last call, seconds.
            road_m_s: Road speed, m/s.
        """
        while self._index < len(self._script) - 1 and now_s >= self._ends_s[self._index]:
            self._index += 1
        if self._shift_left_s > 0.0:
            self._shift_left_s -= dt_s
            if self._shift_left_s > 0.0:
                return
            self.gear = self._pending
            self.clutch_open = self.gear == 0
        step = self._script[self._index]
        self.brake_m_s2 = 0.0
        if step.do is Do.PULL:
            self._pull(step, road_m_s)
        elif step.do is Do.CRUISE:
            self._cruise(step, road_m_s)
        elif step.do is Do.LIFT:
            self._lift(road_m_s)
        else:
            self._want(0, 0.0)
            self.pedal = 0.0
            self.brake_m_s2 = 3.0 if road_m_s > 0.0 else 0.0

    def _want(self, gear: int, shift_pedal: float) -> bool:
        """Begin a shift unless the gear is in; return whether one began."""
        if gear == self.gear:
            return False
        self._pending = gear
        self._shift_left_s = max(0.15, min(0.25, _SHIFT_S + _SHIFT_SPREAD_S * self._noise.draw()))
        self.clutch_open = True
        self.pedal = shift_pedal
        return True

    def _pull(self, step: Step, road_m_s: float) -> None:
        if self._begins_in(step):
            return
        full = 1.0 if isnan(step.throttle_pct) else 0.01 * step.throttle_pct
        self.pedal = full
        limit_rpm = _UPSHIFT_OF_REDLINE * self._redline_rpm
        if road_m_s * rpm_per_m_s(self.gear) > limit_rpm:
            if self.gear < len(GEARS) - 1:
                self._want(self.gear + 1, _SHIFT_PEDAL * full)
            else:
                self.pedal = 0.1  # out of gears: hold the speed

    def _cruise(self, step: Step, road_m_s: float) -> None:
        if self._begins_in(step):
            return
        if not isnan(step.throttle_pct):
            self.pedal = 0.01 * step.throttle_pct
            limit_rpm = _EASY_UPSHIFT_OF_REDLINE * self._redline_rpm
            if road_m_s * rpm_per_m_s(self.gear) > limit_rpm and self.gear < len(GEARS) - 1:
                self._want(self.gear + 1, 0.0)
            return
        wanted_m_s = _CRUISE_OF_REDLINE * self._redline_rpm / rpm_per_m_s(self.gear)
        self.pedal = max(0.0, min(0.3, 0.1 + 0.08 * (wanted_m_s - road_m_s)))
        if road_m_s > wanted_m_s + 2.0:
            self.brake_m_s2 = 2.0

    def _begins_in(self, step: Step) -> bool:
        """Engage the step's gear once, when the step begins; return whether a shift began."""
        if self._engaged == self._index:
            return False
        self._engaged = self._index
        return self._want(step.gear or self.gear or 2, 0.0)

    def _lift(self, road_m_s: float) -> None:
        self.pedal = 0.0
        ahead = next((s for s in self._script[self._index + 1 :] if s.do is not Do.LIFT), None)
        if ahead is None:
            return
        gear = ahead.gear or self.gear
        if ahead.do is Do.IDLE or gear == 0:
            self.brake_m_s2 = 3.0
            return
        share = _PULL_START_OF_REDLINE if ahead.do is Do.PULL else _CRUISE_OF_REDLINE
        wanted_m_s = share * self._redline_rpm / rpm_per_m_s(gear)
        if road_m_s > wanted_m_s:
            self.brake_m_s2 = _BRAKE_M_S2
        if road_m_s * rpm_per_m_s(gear) < 0.85 * self._redline_rpm:
            self._want(gear, 0.0)
