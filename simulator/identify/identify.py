"""What some healthy logs say of one car, and what of them can't be used."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from rules.facts import Rig
from rules.step.from_rig import OWN_LAWS
from simulator.identify import charge, delivery, line_pressure
from simulator.identify.command_law import law_of
from simulator.identify.doubts import doubts_of_flow, doubts_of_log
from simulator.identify.estimates import Estimate, Identified, Law, Pull, Series
from simulator.identify.flow import FlowFit, fit_flow
from simulator.identify.flow_numbers import flow_numbers
from simulator.identify.health import LEAST_DELAY_S, LEAST_LAG, as_fitted, found_in, unlike_others
from simulator.identify.intervals import doubt_of
from simulator.identify.readings import rate_of
from simulator.identify.spraying import Spraying, spraying
from simulator.identify.widen import widened

MOST_TOLD: Final = 5
FITS: Final = 3  # each without what the one before found unhealthy
FLOW_KEYS: Final = (
    ("flow_sensor.transport_delay", "s"),
    ("flow_sensor.transport_delay_within", "s"),
    ("flow_sensor.lag", "s"),
    ("flow_sensor.lag_within", "s"),
    ("flow_sensor.gain", "1"),
    ("flow_sensor.gain_within", "%"),
    ("flow_sensor.noise", "%"),
    ("flow_sensor.noise_lasts", "s"),
    ("flow_sensor.refresh", "s"),
    ("flow_sensor.resolution", "mL/min"),
    ("flow_sensor.floor", "mL/min"),
)
NO_SPRAY: Final = "not enough in this log: no spray is ever commanded while boost and flow are read"
NO_FLOW: Final = (
    "not enough in this log: it has no delivered flow, and all of these are told by that"
)
NOT_CALM: Final = (
    "the flow follows its command in a way that no delay and lag explain: a guard of these numbers "
    "may pull timing where nothing is missing"
)
NOT_HEALTHY: Final = "half or more of the pulls don't look healthy: no rig is made of them"


def identify(logs: Sequence[Series], rig: Rig) -> Identified:
    """Return what some logs of one car say of it.

    Args:
        logs: Healthy ones, at least one, each of two rows or more.
        rig: The car's, as far as it is known: hydraulics, command, channels.

    Raises:
        ValueError: The rig's facts are no rig's (see ``rules.step.from_rig.constants_of``).
    """
    numbers = _rates(logs)
    doubts = doubts_of_log(logs, rig)
    law, learnt = _law(logs, rig)
    numbers |= learnt
    if law is not None and not law.rig_holds:
        doubts.append(
            "the rig's [command] doesn't explain this log as well as kind "
            f'"{law.command.kind.name.lower()}" does, which is used here'
        )
        rig = replace(rig, command=law.command)
    spray = spraying(logs, rig)
    pulls, left_out = spray.pulls, []
    if not spray.seen.any():
        flows = any(np.isfinite(log.column("delivered_ml_min")).any() for log in logs)
        numbers |= _none(NO_SPRAY if flows else NO_FLOW)
    else:
        fit, used, pulls = _of_the_healthy(logs, rig, spray)
        doubt = doubt_of(fit)
        doubts += doubts_of_flow(fit, doubt)
        out = [pull for pull in pulls if pull.left_out]
        if out:
            left_out.append(
                f"{len(out)} of {len(pulls)} pulls left out: {_why(out, len(logs) > 1)}"
            )
        if 2 * len(out) >= len(pulls):
            numbers |= _none(NOT_HEALTHY)
        else:
            healthy = [pull for pull in pulls if not pull.left_out]
            numbers |= delivery.delivery_numbers(fit)
            numbers |= line_pressure.line_numbers(logs, rig, healthy)
            numbers |= charge.charge_numbers(logs, rig, healthy)
            told = flow_numbers(fit, doubt, used)
            if told["flow_sensor.lag"].value is not None:
                told, calm = widened(logs, rig, healthy, told)
                if not calm:
                    doubts.append(NOT_CALM)
            numbers |= told
    return Identified(pulls, tuple(left_out), numbers, tuple(doubts), law)


def _law(logs: Sequence[Series], rig: Rig) -> tuple[Law | None, dict[str, Estimate]]:
    """Return the command law where the rig has one of its own, and its numbers."""
    if rig.command.kind not in OWN_LAWS:
        return None, {}
    law = law_of(logs, rig)
    if isinstance(law, str):
        return None, {"command.kind": Estimate("command.kind", "", why_not=law)}
    return law, {number.key: number for number in law.numbers}


def _of_the_healthy(
    logs: Sequence[Series], rig: Rig, spray: Spraying
) -> tuple[FlowFit, Spraying, tuple[Pull, ...]]:
    """Fit what looks healthy; return the fit, what it used, and what became of every pull."""
    n = len(spray.pulls)
    why = [""] * n
    for _ in range(FITS):
        use = np.array([not words for words in why])
        used = spray.only(use)
        if 2 * int(use.sum()) <= n or not used.seen.any():
            break
        fit = fit_flow(used)
        judge = as_fitted(rig, fit, LEAST_DELAY_S, LEAST_LAG * fit.lag_s)
        found = found_in(logs, judge, spray.pulls, fit.gain)
        unlike = unlike_others(fit, n)
        now = [a or b or (c if not b else "") for a, b, c in zip(found, unlike, why, strict=True)]
        if now == why:
            break
        why = now
    pulls = tuple(replace(p, left_out=words) for p, words in zip(spray.pulls, why, strict=True))
    return fit, used, pulls


def _why(out: Sequence[Pull], which_log: bool) -> str:
    told = "; ".join(
        f"{f'log {pull.series + 1} ' if which_log else ''}at {pull.begins_s:z.1f} s {pull.left_out}"
        for pull in out[:MOST_TOLD]
    )
    return told if len(out) <= MOST_TOLD else f"{told} ..."


def _none(why: str) -> dict[str, Estimate]:
    keys = (
        *FLOW_KEYS,
        *line_pressure.KEYS,
        *charge.NEVER,
        *charge.DROP,
        (delivery.KEY, delivery.UNIT),
        ("spray.pump.run_down", "s"),
        ("spray.pump.ripple", "%"),
    )
    return {key: Estimate(key, unit, why_not=why) for key, unit in keys}


def _rates(logs: Sequence[Series]) -> dict[str, Estimate]:
    """Return how far apart rows are, the slowest log's, and how that varies."""
    slowest = max((rate_of(log.t_s) for log in logs), key=lambda rate: rate.period_s)
    rows = sum(len(log.t_s) for log in logs)
    return {
        "time.period": Estimate("time.period", "s", slowest.period_s, from_=f"{rows} rows"),
        "time.jitter": Estimate("time.jitter", "s", slowest.jitter_s, from_=f"{rows} rows"),
    }
