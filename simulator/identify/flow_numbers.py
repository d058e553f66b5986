"""What a fit of the flow means for the rig's ``[flow_sensor]``: its keys, with their intervals."""

from dataclasses import replace
from math import exp, sqrt
from typing import Final

import numpy as np

from rules.step.from_rig import FLOOR_SDS
from rules.step.learning import lasts_s
from simulator.identify.estimates import Estimate
from simulator.identify.flow import FlowFit
from simulator.identify.intervals import NORMAL_95, Doubt
from simulator.identify.readings import HELD, resolution_of
from simulator.identify.spraying import Spraying

MOVES: Final = 0.1  # of the most that is asked for: a command that varies by less stands still
DELAY_KNOWN_S: Final = 0.06  # half of an interval; wider ones tell nothing
LAG_KNOWN: Final = 0.5  # the same of the lag, its logarithm
SLOWEST_ROWS_S: Final = 0.031  # rows farther apart may hide a refresh of 20 a second
LEAST_PULLS: Final = 3  # with slow rows, for the gain's interval
LEAST_NEW: Final = 30  # readings of a sensor that holds them
LEAST_DELAY_S: Final = 0.01  # of tolerance: half of the bank's step
LEAST_LAG: Final = 0.15  # of the lag
DRIFT: Final = 0.02  # of gain from one day to the next; common practice, no source
LEAST_FREE: Final = 60.0  # steady readings that tell anew, for the noise's interval
LEAST_LASTS_S: Final = 0.001  # as little as a rig may say
LEAST_FLOOR: Final = 0.02  # of the most that is expected; common practice, no source
AT_REST: Final = 0.001  # of the most that is expected: less is no flow
NEVER_MOVES: Final = (
    "not enough in this log: the command never moves, so gain and noise can be told, "
    "delay and lag can not"
)


def flow_numbers(fit: FlowFit, doubt: Doubt, spray: Spraying) -> dict[str, Estimate]:
    """Return the numbers of ``[flow_sensor]`` by key, gain and resolution beside them."""
    told = _Told(fit, doubt, spray)
    found = [*told.delay(), *told.lag(), *told.gain(), *told.noise(), *told.reading()]
    return {one.key: one for one in found}


class _Told:
    def __init__(self, fit: FlowFit, doubt: Doubt, spray: Spraying) -> None:
        self._fit, self._doubt, self._spray = fit, doubt, spray
        pulls = self._pulls = len(np.unique(fit.seen.pull))
        asked = spray.command[spray.seen]
        spraying_s = float((asked > 0.0).sum()) * fit.period_s
        self._from = f"{pulls} pull{'s' * (pulls > 1)}, {spraying_s:z.0f} s of spray"
        self._moves = np.ptp(asked) > MOVES * asked.max()

    def _why_untimed(self) -> str:
        """Return why delay and lag can't be trusted to their interval; empty: they can."""
        fit = self._fit
        if not self._moves:
            return NEVER_MOVES
        if fit.refresh_s > 0.0 and len(fit.seen.reading) < LEAST_NEW:
            return (
                f"not enough in this log: only {len(fit.seen.reading)} new readings of the sensor"
            )
        if fit.period_s > SLOWEST_ROWS_S:
            held_s = fit.refresh_s or HELD * fit.period_s
            return (
                f"rows come only {1.0 / fit.period_s:z.0f} times a second, hardly faster than the "
                f"sensor may give new readings: delay and lag may be off by {1e3 * held_s:z.0f} ms"
            )
        return ""

    def delay(self) -> list[Estimate]:
        """Return the transport delay, and what it may be off by."""
        key, fit = "flow_sensor.transport_delay", self._fit
        half_s = self._doubt.delay_s
        why = self._why_untimed()
        if not self._moves:
            return [_not_told(key, "s", why), _not_told(f"{key}_within", "s", why)]
        if not why and half_s > DELAY_KNOWN_S:
            why = f"not enough in this log: the delay is known to +-{1e3 * half_s:z.0f} ms only"
        within_s = max(half_s, LEAST_DELAY_S)
        if why:
            within_s += max(fit.period_s, fit.refresh_s)
        return self._with_within(key, "s", fit.delay_s, half_s, within_s, why)

    def lag(self) -> list[Estimate]:
        """Return the lag, and what it may be off by."""
        key, fit = "flow_sensor.lag", self._fit
        half = self._doubt.log_lag
        why = self._why_untimed()
        if not self._moves:
            return [_not_told(key, "s", why), _not_told(f"{key}_within", "s", why)]
        if not why and half > LAG_KNOWN:
            why = f"not enough in this log: the lag is known to +-{100.0 * half:z.0f} % only"
        within = max(half, LEAST_LAG) if not why else max(2.0 * half, LAG_KNOWN)
        within_s = min(within, 0.9) * fit.lag_s
        return self._with_within(key, "s", fit.lag_s, half * fit.lag_s, within_s, why)

    def _with_within(
        self, key: str, unit: str, value: float, half: float, within: float, why: str
    ) -> list[Estimate]:
        low, high = (None, None) if why else (value - half, value + half)
        return [
            Estimate(key, unit, value, low, high, self._from, why),
            Estimate(f"{key}_within", unit, within, from_=self._from, why_not=why),
        ]

    def gain(self) -> list[Estimate]:
        """Return the gain, which no rig has, and the tolerance that covers it."""
        gain, half = self._fit.gain, self._doubt.gain
        within = abs(gain - 1.0) + half + DRIFT
        told = Estimate("flow_sensor.gain", "1", gain, gain - half, gain + half, self._from)
        if self._pulls < LEAST_PULLS and self._fit.period_s > SLOWEST_ROWS_S:
            why = f"not enough in this log: {self._from}, at rows as slow as these"
            told = replace(told, low=None, high=None, why_not=why)
        return [told, Estimate("flow_sensor.gain_within", "%", 100.0 * within, from_=self._from)]

    def noise(self) -> list[Estimate]:
        """Return the noise of a steady reading, and how long it lasts, as the guard reckons it."""
        fit = self._fit
        apart_s = max(fit.period_s, fit.refresh_s)
        kept = exp(-apart_s / fit.lasts_s) if fit.lasts_s > 0.0 else 0.0
        steady = float((fit.expected > 0.5 * fit.expected.max()).sum())
        free = max(steady * (1.0 - kept**2) / (1.0 + kept**2), 3.0)
        half = NORMAL_95 * fit.noise * sqrt(0.9 / free)
        lasts = max(lasts_s(kept, 1.0, apart_s), LEAST_LASTS_S)
        noise, low, high = (100.0 * x for x in (fit.noise, fit.noise - half, fit.noise + half))
        told = Estimate("flow_sensor.noise", "%", noise, max(low, 0.0), high, self._from)
        if free < LEAST_FREE:
            why = f"not enough in this log: only some {free:z.0f} steady readings that differ"
            told = replace(told, low=None, high=None, why_not=why)
        return [told, Estimate("flow_sensor.noise_lasts", "s", lasts, from_=self._from)]

    def reading(self) -> list[Estimate]:
        """Return how often the sensor reads anew, in which steps, and which flow is told from none.

        The floor is so many standard deviations of the reading without flow, its rounding among
        them, and no less than the smallest flow that was ever read.
        """
        fit, spray = self._fit, self._spray
        read = spray.reading[np.isfinite(spray.reading)]
        step = resolution_of(read)
        rest = fit.seen.reading[fit.expected < AT_REST * float(fit.expected.max())]
        at_rest = smallest = 0.0
        if len(rest) > 1:
            at_rest, smallest = float(np.std(rest)), float(np.min(read[read > 0.0]))
        least = LEAST_FLOOR * float(fit.expected.max())
        floor = max(FLOOR_SDS * sqrt(at_rest**2 + step**2 / 12.0), smallest, least, 1.0)
        refresh = Estimate("flow_sensor.refresh", "s", fit.refresh_s, from_=self._from)
        return [
            refresh,
            Estimate("flow_sensor.resolution", "mL/min", step, from_=self._from),
            Estimate("flow_sensor.floor", "mL/min", floor, from_=self._from),
        ]


def _not_told(key: str, unit: str, why: str) -> Estimate:
    return Estimate(key, unit, why_not=why)
