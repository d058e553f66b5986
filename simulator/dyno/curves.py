"""A run smoothed, and what it did at each engine speed."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import nan, pi, sqrt
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

LEAST_POINTS: Final = 5  # in a window: a quadratic through three would follow their noise
_KW_PER_NM_RPM: Final = pi / 30_000.0


class TooFewReadings(Exception):
    """A run can't be smoothed; says what was found and expected."""


@dataclass(frozen=True, slots=True)
class Sweep:
    """A run as it was smoothed, in steps of time that are all alike.

    Attributes:
        t_s: Times, (n,).
        speed_rpm: Engine speed, smoothed, (n,).
        rise_rpm_s: How fast that rises, (n,).
        rise_noise_rpm_s: Standard deviation of what the readings' noise leaves in it.
        window_s: What it was smoothed over.
        points: Readings in that.
    """

    t_s: Floats
    speed_rpm: Floats
    rise_rpm_s: Floats
    rise_noise_rpm_s: float
    window_s: float
    points: int

    def along(self, t_s: Any, values: Any) -> Floats:
        """Return what else was read, smoothed alike, (n,); NaN where nothing was.

        Args:
            t_s: Times, (m,).
            values: Readings, (m,); NaN where there is none.
        """
        from scipy.signal import savgol_filter

        known = np.isfinite(values)
        if not known.any():
            return np.full(len(self.t_s), nan)
        half = self.points // 2
        step_s = float(self.t_s[1] - self.t_s[0])
        at_s = self.t_s[0] + step_s * np.arange(-half, len(self.t_s) + half)
        even = np.interp(at_s, t_s[known], values[known])
        smooth: Floats = savgol_filter(even, self.points, 2)[half:-half]
        return smooth

    def by_speed(self, columns: Mapping[str, Floats], at_rpm: Any) -> dict[str, Floats]:
        """Return columns at engine speeds, each (k,); NaN where the run didn't go.

        Args:
            columns: Each (n,), as ``along`` gives them.
            at_rpm: Engine speeds, rising, (k,).
        """
        highest = np.maximum.accumulate(self.speed_rpm)
        new = np.diff(highest, prepend=-np.inf) > 0.0  # an engine that slows says nothing new
        return {
            name: np.interp(at_rpm, self.speed_rpm[new], values[new], left=nan, right=nan)
            for name, values in columns.items()
        }


def sweep(t_s: Any, speed_rpm: Any, window_s: float) -> Sweep:
    """Smooth a run's engine speed: at each moment a quadratic through the window around it.

    The first and last half of a window are left out, since nothing lies on their other side.

    Args:
        t_s: Times, s, (n,).
        speed_rpm: Readings, (n,); NaN where there is none.
        window_s: Window, 0.1 to 5 s.

    Raises:
        TooFewReadings: The window holds fewer than ``LEAST_POINTS``, or the run is no longer.

    Source: Savitzky and Golay, Analytical Chemistry 36 (1964); noise by the filter's own weights.
    """
    from scipy.signal import savgol_coeffs, savgol_filter

    known = np.isfinite(t_s) & np.isfinite(speed_rpm)
    times_s, first = np.unique(t_s[known], return_index=True)
    readings = speed_rpm[known][first]
    if len(times_s) < LEAST_POINTS:
        raise TooFewReadings(f"{len(times_s)} readings of engine speed")
    step_s = float(np.median(np.diff(times_s)))
    points = 2 * round(0.5 * window_s / step_s) + 1
    if points < LEAST_POINTS:
        raise TooFewReadings(
            f"readings {step_s:z.2g} s apart, expected {LEAST_POINTS} or more in the {window_s:zg} "
            "s that are smoothed over"
        )
    at_s = times_s[0] + step_s * np.arange(int((times_s[-1] - times_s[0]) / step_s + 1e-6) + 1)
    half = points // 2
    if len(at_s) <= 2 * points:
        length_s = at_s[-1] - at_s[0]
        raise TooFewReadings(
            f"a run of {length_s:z.2f} s, expected twice the {window_s:zg} s that are smoothed over"
        )
    even = np.interp(at_s, times_s, readings)
    inner = slice(half, -half)
    smooth = savgol_filter(even, points, 2)[inner]
    rise = savgol_filter(even, points, 2, deriv=1, delta=step_s)[inner]
    own, slope = (savgol_coeffs(points, 2, deriv=d, delta=step_s) for d in (0, 1))
    noise_rpm = float(np.std(even[inner] - smooth)) / sqrt(1.0 - own[half])
    noise = noise_rpm * sqrt(float(np.sum(slope * slope)))
    return Sweep(at_s[inner], smooth, rise, noise, points * step_s, points)


def power_kw(torque_nm: Any, speed_rpm: Any) -> Any:
    """Return power: torque times angular speed."""
    return torque_nm * speed_rpm * _KW_PER_NM_RPM


def torque_of_power_nm(kw: Any, speed_rpm: Any) -> Any:
    """Return the torque that gives a power, at engine speeds above nought."""
    return kw / (speed_rpm * _KW_PER_NM_RPM)
