"""By what law the spray is asked for: fixed above a boost, by boost, or by injector duty."""

from typing import Any, Final, NamedTuple

import numpy as np

from monitor.commission.ties import STEP_S, Readings, full_flow
from rules.facts import FlowSensor

WITHIN: Final = 1.25  # of the best law's error: laws that near to each other can't be told apart
EXACT: Final = 0.03  # mean error, of full flow, by which a law explains a logged command
_SPRAYS: Final = 0.03  # of the most
# By the flow alone, a sensor that is later and a spray that begins later look alike: so it is taken
# for what a rig says of one by default.
_SENSOR: Final = FlowSensor()
_MOST_POINTS: Final = 4000
_FALLS_KPA_S: Final = 10.0
_FEWEST: Final = 20  # rows with spray


class Law(NamedTuple):
    """A law, and how well it explains what was asked for, or what arrived.

    Attributes:
        kind: As the rig's ``command.kind``.
        start: Boost at which spray begins, kPa gauge; for injector duty, its start in percent.
        full: Where it is full; NaN for a fixed rate.
        onset_kpa: The lowest boost that is sprayed at.
        error: Mean error as a share of full flow.
    """

    kind: str
    start: float
    full: float
    onset_kpa: float
    error: float


class Found(NamedTuple):
    """What a log says of the law.

    Attributes:
        laws: Those that explain it about as well as the best, the simplest first.
        onset_kpa: The lowest boost that is sprayed at.
        by_command: Whether a logged command was looked at; else the flow, which says less.
        full_ml_min: The flow in full spray; 0 where no flow is logged.
    """

    laws: tuple[Law, ...]
    onset_kpa: float
    by_command: bool
    full_ml_min: float


def find_law(readings: Readings) -> Found | None:
    """Return what a log says of the law; None where it has no boost, or no spray in it."""
    boost = readings.get("boost_kpa")
    asked = readings.get("commanded_ml_min")
    percent = readings.get("command_pct")
    if asked is None:
        asked = percent
    flow = readings.get("delivered_ml_min")
    seen = asked if asked is not None else flow
    if boost is None or seen is None:
        return None
    if (seen > 0.0).sum() < _FEWEST:
        return None
    most = 100.0 if seen is percent else full_flow(seen)
    share = np.clip(seen / most, 0.0, 1.0)
    duty = readings.get("injector_duty_pct")
    delay_s = lag_s = 0.0
    if asked is None:  # what arrives comes later, and smoother, than what was asked for
        delay_s, lag_s = _SENSOR.delay_s, _SENSOR.lag_s
    laws = _laws(share, boost, duty, round(delay_s / STEP_S), lag_s)
    best = min(law.error for law in laws)
    near = tuple(law for law in laws if law.error <= WITHIN * best + 0.005)
    full = 0.0
    if flow is not None and (flow > 0.0).sum() >= _FEWEST:
        full = full_flow(flow) / full_flow(share)  # of what is all, be it never asked for
    return Found(near, laws[-1].onset_kpa, asked is not None, full)


def _laws(share: Any, boost: Any, duty: Any, shift: int, smooth_s: float) -> list[Law]:
    """Return each law at its best, what it goes by shifted and smoothed as a sensor does it.

    The last one's onset is the lowest boost that is sprayed at.
    """
    unsmoothed, boost = _late(boost, shift, 0.0), _late(boost, shift, smooth_s)
    # What arrives while boost falls is what the line gives back, and nobody's command.
    falls = np.diff(boost, prepend=boost[0]) < (-_FALLS_KPA_S * STEP_S if smooth_s else -np.inf)
    sprays = boost[(share > _SPRAYS) & ~falls]
    onset_kpa = float(np.quantile(sprays, 0.02 if smooth_s else 0.002)) if len(sprays) else 0.0
    busy = np.flatnonzero((boost > max(onset_kpa - 30.0, -60.0)) & ~falls)
    busy = busy[:: max(1, len(busy) // _MOST_POINTS)]
    laws = [_fixed(unsmoothed, share, busy, smooth_s), _ramp(boost[busy], share[busy])]
    if duty is not None:
        duty = _late(duty, shift, smooth_s)
        laws.append(_by_duty(boost[busy], duty[busy], share[busy], onset_kpa))
    return laws


def _late(values: Any, shift: int, smooth_s: float) -> Any:
    """Return values so many steps later, behind a lag of first order."""
    if shift:
        values = np.concatenate((np.full(shift, values[0]), values[:-shift]))
    if smooth_s > 0.0:
        kernel = np.exp(-STEP_S / smooth_s * np.arange(round(5.0 * smooth_s / STEP_S)))
        padded = np.concatenate((np.full(len(kernel) - 1, values[0]), values))
        values = np.convolve(padded, kernel / kernel.sum(), "valid")
    return values


def _fixed(boost: Any, share: Any, busy: Any, smooth_s: float) -> Law:
    starts = np.linspace(float(np.min(boost[busy])), float(np.max(boost[busy])), 25)
    best = (float("inf"), 0.0)
    for _ in range(2):
        for start in starts:
            made = _late((boost > start).astype(float), 0, smooth_s)[busy]
            best = min(best, (float(np.mean(np.abs(share[busy] - made))), float(start)))
        near = int(np.argmin(np.abs(starts - best[1])))
        starts = np.linspace(starts[max(near - 1, 0)], starts[min(near + 1, len(starts) - 1)], 13)
    return Law("fixed", best[1], float("nan"), best[1], best[0])


def _ramp(x: Any, share: Any) -> Law:
    start, full, error = _best_ramp(x, share)
    return Law("boost", start, full, start, error)  # it is its own onset


def _by_duty(boost: Any, duty: Any, share: Any, onset_kpa: float) -> Law:
    above = boost > onset_kpa
    start, full, _ = _best_ramp(duty[above], share[above])
    made = np.where(above, np.clip((duty - start) / (full - start), 0.0, 1.0), 0.0)
    return Law("injector_duty", start, full, onset_kpa, float(np.mean(np.abs(share - made))))


def _best_ramp(x: Any, share: Any) -> tuple[float, float, float]:
    """Return where a ramp begins, where it is full, and its mean error: on a grid, then finer."""
    low, high = float(np.min(x)), float(np.max(x))
    best = (float("inf"), low, high)
    span = high - low
    centres, width = (low + 0.5 * span, low + 0.5 * span), 0.5 * span
    for _ in range(7):
        for start in np.linspace(centres[0] - width, centres[0] + width, 13):
            for full in np.linspace(centres[1] - width, centres[1] + width, 13):
                if full - start < 0.02 * span:
                    continue
                made = np.clip((x - start) / (full - start), 0.0, 1.0)
                error = float(np.mean(np.abs(share - made)))
                best = min(best, (error, float(start), float(full)))
        centres, width = (best[1], best[2]), 0.5 * width
    return best[1], best[2], best[0]
