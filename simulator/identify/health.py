"""Which pulls look healthy: the guard finds nothing in them, and they read as the others do."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import sqrt
from typing import Any, Final

import numpy as np

from rules import channels as ch
from rules.facts import FlowSensor, Rig
from rules.findings import label_of
from rules.guard import Guard
from rules.step.from_rig import essential_columns, witness_column
from rules.step.state import (
    FINDING_NAMES,
    OVER_DELIVERY,
    SIGNAL_LOST,
    UNASKED_FLOW,
    UNDER_DELIVERY,
    Decision,
)
from simulator.identify.estimates import Pull, Series
from simulator.identify.flow import FlowFit
from simulator.identify.line_pressure import LineFit
from simulator.identify.spraying import AFTER_S, QUIET_S

OF_THE_SPRAY: Final = (UNDER_DELIVERY, OVER_DELIVERY, UNASKED_FLOW, SIGNAL_LOST)
LEAST_DELAY_S: Final = 0.03  # of tolerance: pulls differ a little from each other
LEAST_LAG: Final = 0.35  # the same, of the lag
MOST_NOISE, MOST_LASTS_S = 0.1, 0.25  # of a healthy sensor; common practice, no source
RESTED_S: Final = QUIET_S - AFTER_S  # ahead of a pull nothing flows of the one before
SDS: Final = 4.0
OFF_SHARE: Final = (
    0.05  # a pull reads so much more or less than the others, and it isn't one of them
)
SETTLED_SHARE: Final = 0.15  # of the most that is asked for


def as_fitted(rig: Rig, fit: FlowFit, delay_within_s: float, lag_within_s: float) -> Rig:
    """Return the rig of a flow sensor as fitted, gain left as it is."""
    delay_s = max(fit.delay_s, 0.0)
    sensor = FlowSensor(
        delay_s=delay_s,
        delay_within_s=min(delay_within_s, delay_s),
        lag_s=fit.lag_s,
        lag_within_s=min(lag_within_s, fit.lag_s),
        gain_within=rig.flow_sensor.gain_within,
        noise=min(max(fit.noise, 0.001), MOST_NOISE),
        noise_lasts_s=min(max(fit.lasts_s, rig.flow_sensor.noise_lasts_s), MOST_LASTS_S),
        floor_ml_min=rig.flow_sensor.floor_ml_min,
        refresh_s=fit.refresh_s,
    )
    return replace(rig, flow_sensor=sensor)


def line_as_fitted(rig: Rig, fit: LineFit) -> Rig:
    """Return the rig of a line's sensor as fitted, gain and lag left as they are."""
    sensor = replace(
        rig.line_sensor,
        noise=min(max(float(fit.noise.max()), 0.001), MOST_NOISE),
        noise_lasts_s=min(max(fit.lasts_s, rig.line_sensor.noise_lasts_s), MOST_LASTS_S),
    )
    return replace(rig, line_sensor=sensor)


def judged(
    logs: Sequence[Series], rig: Rig, pulls: Sequence[Pull], gain: float = 1.0
) -> Iterator[Any]:
    """Yield what a guard decides in each pull, (n,) by name.

    Each pull has a guard of its own, so that nothing latched or learned goes on to the next.

    Args:
        logs: The logs.
        rig: To judge by; channels that aren't essential are left aside.
        pulls: Of these logs.
        gain: Of what tells whether spray arrives, whose reading is divided by it.
    """
    needs = {ch.CHANNEL_NAMES[column - 1] for column in essential_columns(rig)}
    rig = replace(rig, channels=tuple(terms for terms in rig.channels if terms.name in needs))
    for pull in pulls:
        log = logs[pull.series]
        begin, end = np.searchsorted(log.t_s, [pull.begins_s - RESTED_S, pull.ends_s + AFTER_S])
        rows = log.between(int(begin), int(end)).rows()
        rows[:, witness_column(rig)] /= gain  # not sent stays so
        yield Decision.named(np.ascontiguousarray(Guard(rig).run_rows(rows)))


def judged_through(logs: Sequence[Series], rig: Rig, pulls: Sequence[Pull]) -> Iterator[Any]:
    """Yield what one guard decides all through each log, (n,) by name; no pull that's left out."""
    for i, log in enumerate(logs):
        rows = log.rows()
        kept = np.ones(len(rows), bool)
        for pull in pulls:
            if pull.series == i and pull.left_out:
                kept &= (log.t_s < pull.begins_s - RESTED_S) | (log.t_s > pull.ends_s + AFTER_S)
        if kept.any():
            yield Decision.named(np.ascontiguousarray(Guard(rig).run_rows(rows[kept])))


def found_in(logs: Sequence[Series], rig: Rig, pulls: Sequence[Pull], gain: float) -> list[str]:
    """Return what a guard finds wrong with the spray of each pull, in words; empty: nothing."""
    found = []
    for decided in judged(logs, rig, pulls, gain):
        worst = [f for f in OF_THE_SPRAY if (decided["level"][:, f] > 0.0).any()]
        found.append(label_of(FINDING_NAMES[worst[0]]) if worst else "")
    return found


def gains_of(fit: FlowFit, n_pulls: int) -> tuple[Any, Any]:
    """Return each pull's gain to that of all, and its standard error, (n_pulls,); NaN: not seen."""
    settled = fit.expected > SETTLED_SHARE * float(fit.expected.max())
    gains, errors = np.full(n_pulls, np.nan), np.full(n_pulls, np.nan)
    for i in range(n_pulls):
        rows = settled & (fit.seen.pull == i)
        if rows.any():
            apart_s = max(fit.period_s, fit.refresh_s)
            alike = 1.0 + 2.0 * fit.lasts_s / apart_s  # rows that say the same
            gains[i] = 1.0 + float(np.median(fit.off[rows] / fit.expected[rows]))
            errors[i] = fit.noise * sqrt(alike / rows.sum()) * 1.25  # of a median
    return gains, errors


def unlike_others(what: str, gains: Any, errors: Any, least: float = OFF_SHARE) -> list[str]:
    """Return for each pull how it differs from the others, in words; empty: it doesn't.

    Args:
        what: Of the reading.
        gains: Each pull's, (n,); NaN: not seen.
        errors: Their standard errors, (n,).
        least: No smaller share counts.
    """
    middle = float(np.nanmedian(gains))
    off = gains / (middle if middle > 0.0 else np.nan) - 1.0
    odd = np.abs(off) > np.maximum(least, SDS * errors)
    return [
        f"its {what} is {100.0 * (1.0 + x):z.0f} % of the other pulls'" if differs else ""
        for x, differs in zip(off, odd, strict=True)
    ]
