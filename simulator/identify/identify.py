"""What some healthy logs say of one car, and what of them can't be used."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from rules.channels import INTAKE, LINE
from rules.facts import Rig
from rules.step.from_rig import OWN_LAWS, witness_column
from simulator.identify import charge, delivery, line_pressure
from simulator.identify.command_law import law_of
from simulator.identify.doubts import doubts_of_flow, doubts_of_line, doubts_of_log, other_command
from simulator.identify.estimates import Estimate, Identified, Law, Pull, Series
from simulator.identify.flow import FlowFit, fit_flow
from simulator.identify.flow_numbers import flow_numbers
from simulator.identify.health import (
    LEAST_DELAY_S,
    LEAST_LAG,
    as_fitted,
    found_in,
    gains_of,
    line_as_fitted,
    unlike_others,
)
from simulator.identify.intervals import doubt_of
from simulator.identify.law_rows import KEYS
from simulator.identify.line_pressure import LineFit, fit_line, line_parts
from simulator.identify.readings import rate_of
from simulator.identify.run_down import KEY as RUN_DOWN
from simulator.identify.run_down import run_down
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
NO_SPRAY: Final = "not enough in this log: no spray is ever commanded while boost is read"
NO_FLOW: Final = (
    "not enough in this log: it has no delivered flow, and all of these are told by that"
)
BY_LINE: Final = "not told on a car without a flow sensor, which is judged by its line's pressure"
BY_CHARGE: Final = (
    "not told on a car that is judged by its intake temperature alone: how far spray cools the "
    "charge can be, where a dry intake temperature is logged beside it; no more than that"
)
NOT_CALM: Final = (
    "what is read follows the command in a way that these numbers don't explain (are all logs of "
    "one car?): a guard of them may pull timing where nothing is missing"
)
NOT_HEALTHY: Final = "half or more of the pulls don't look healthy: no rig is made of them"


def identify(logs: Sequence[Series], rig: Rig, *, guessed: bool = False) -> Identified:
    """Return what some logs of one car say of it.

    Args:
        logs: Healthy ones, at least one, each of two rows or more.
        rig: The car's, as far as it is known: hydraulics, command, channels.
        guessed: Whether nobody set the rig's command law: one that the logs tell better is used.

    Raises:
        ValueError: The rig's facts are no rig's (see ``rules.step.from_rig.constants_of``).
    """
    numbers = _rates(logs)
    doubts = doubts_of_log(logs, rig)
    law, learnt = _law(logs, rig, guessed=guessed)
    numbers |= learnt
    if law is not None and not law.rig_holds:
        doubts.append(
            f"the rig's [command] doesn't explain this log as well as {_better(law, rig)}"
        )
        rig = replace(rig, command=law.command)
    spray = spraying(logs, rig)
    pulls: tuple[Pull, ...] = spray.pulls
    told: dict[str, Estimate] = {}
    found: list[str] = []
    if not pulls:
        told = _none(NO_SPRAY)
    elif spray.seen.any():
        told, pulls, found = _by_flow(logs, rig, spray, other_command(law, rig))
    elif (witness := witness_column(rig)) == LINE:
        told, pulls, found = _by_line(logs, rig, pulls)
    elif witness == INTAKE:
        told, pulls, found = _by_charge(logs, rig, pulls)
    else:
        told = _none(NO_FLOW)
    doubts += found
    out = [pull for pull in pulls if pull.left_out]
    left_out = []
    if out:
        left_out.append(f"{len(out)} of {len(pulls)} pulls left out: {_why(out, len(logs) > 1)}")
    if out and 2 * len(out) >= len(pulls):
        told = _none(NOT_HEALTHY)
    return Identified(pulls, tuple(left_out), numbers | told, tuple(doubts), law)


_Told = tuple[dict[str, Estimate], tuple[Pull, ...], list[str]]  # numbers, pulls, doubts


def _by_flow(logs: Sequence[Series], rig: Rig, spray: Spraying, other: str) -> _Told:
    """Return what a flow sensor's readings tell; ``other``: what the log says of the command."""
    fit, used, pulls = _of_the_healthy(logs, rig, spray)
    doubt = doubt_of(fit, used)
    doubts = doubts_of_flow(fit, doubt, other)
    healthy = [pull for pull in pulls if not pull.left_out]
    if 2 * len(healthy) <= len(pulls):
        return {}, pulls, doubts
    numbers = delivery.delivery_numbers(fit)
    numbers |= line_pressure.line_numbers(fit_line(line_parts(logs, rig, healthy)), rig)
    otherwise = line_pressure.carried_out_otherwise(logs, rig, healthy)
    if otherwise:
        numbers |= _none_of(line_pressure.KEYS, otherwise)
        doubts.append(otherwise)
    numbers |= charge.charge_numbers(logs, rig, healthy)
    numbers[RUN_DOWN] = run_down(logs, rig, pulls, fit.lag_s)
    numbers |= flow_numbers(fit, doubt, used)
    if numbers["flow_sensor.lag"].value is not None:
        numbers, calm = widened(logs, rig, pulls, numbers)
        doubts += [NOT_CALM] * (not calm)
    return numbers, pulls, doubts


def _by_line(logs: Sequence[Series], rig: Rig, pulls: tuple[Pull, ...]) -> _Told:
    """Return what the line's pressure tells, where it is what tells whether spray arrives."""
    otherwise = line_pressure.carried_out_otherwise(logs, rig, pulls)
    if otherwise:
        return _none(otherwise), pulls, [otherwise]
    parts = line_parts(logs, rig, pulls)
    why = [""] * len(pulls)
    by_rig = found_in(logs, rig, pulls, 1.0)
    first = fit = fit_line(parts)
    if 2 * by_rig.count("") > len(pulls):
        why = by_rig
        fit = fit_line([part for part, words in zip(parts, why, strict=True) if not words])
    for turn in range(FITS):
        if fit is None or 2 * why.count("") <= len(pulls):
            break
        gain = float(np.median(fit.gains))
        found = found_in(logs, line_as_fitted(rig, fit), pulls, gain)
        unlike = unlike_others("line pressure", *fit.gains_of(parts))
        now = _again(turn, why, found, unlike)
        if now == why:
            break
        why = now
        fit = fit_line([part for part, words in zip(parts, why, strict=True) if not words])
    why = _as_review(why, by_rig)
    pulls = tuple(replace(p, left_out=words) for p, words in zip(pulls, why, strict=True))
    doubts = doubts_of_line(logs, fit)
    healthy = [pull for pull in pulls if not pull.left_out]
    if first is not None and 2 * len(healthy) <= len(pulls):
        doubts += _told_by_another_way(logs, rig, pulls, first)
    numbers = _none(BY_LINE) | line_pressure.line_numbers(fit, rig)
    numbers |= charge.charge_numbers(logs, rig, healthy)
    numbers[RUN_DOWN] = run_down(logs, rig, pulls, None)
    if fit is not None and healthy:
        numbers, calm = widened(logs, rig, pulls, numbers)
        doubts += [NOT_CALM] * (not calm)
    return numbers, pulls, doubts


def _told_by_another_way(
    logs: Sequence[Series], rig: Rig, pulls: Sequence[Pull], fit: LineFit
) -> list[str]:
    """Say where most pulls look healthy if the pump carries its command out the other way."""
    other = line_pressure.otherwise(rig)
    found = found_in(logs, line_as_fitted(other, fit), pulls, 1.0)
    if 2 * found.count("") <= len(pulls):
        return []
    return [f"most pulls look healthy {line_pressure.write(other)}"]


def _by_charge(logs: Sequence[Series], rig: Rig, pulls: tuple[Pull, ...]) -> _Told:
    """Return what the intake temperature tells, where that is all there is."""
    return _none(BY_CHARGE) | charge.charge_numbers(logs, rig, pulls), pulls, []


def _better(law: Law, rig: Rig) -> str:
    """Return what explains a log better than the rig's law: its kind, or numbers of the same."""
    kind = law.command.kind
    if kind is not rig.command.kind:
        return f'kind "{kind.name.lower()}" does, which is used here'
    told = [
        f"{key} = {number.value:z.3g} {number.unit}"
        for key, number in zip(KEYS.get(kind, ()), law.numbers, strict=False)
    ]
    return f"{', '.join(told)} do, which are used here" if told else "another map, used here"


def _law(
    logs: Sequence[Series], rig: Rig, *, guessed: bool
) -> tuple[Law | None, dict[str, Estimate]]:
    """Return the command law where the rig has one of its own, and its numbers."""
    if rig.command.kind not in OWN_LAWS:
        return None, {}
    law = law_of(logs, rig, guessed=guessed)
    if isinstance(law, str):
        return None, {"command.kind": Estimate("command.kind", "", why_not=law)}
    return law, {number.key: number for number in law.numbers}


def _of_the_healthy(
    logs: Sequence[Series], rig: Rig, spray: Spraying
) -> tuple[FlowFit, Spraying, tuple[Pull, ...]]:
    """Fit what looks healthy; return the fit, what it used, and what became of every pull."""
    n = len(spray.pulls)
    why = [""] * n
    by_rig = found_in(logs, rig, spray.pulls, 1.0)
    accused = np.array([words != "" for words in by_rig])
    if 2 * int(accused.sum()) < n and spray.only(~accused).seen.any():
        why = by_rig
    for turn in range(FITS):
        use = np.array([not words for words in why])
        left = spray.only(use)
        if 2 * int(use.sum()) <= n or not left.seen.any():
            break
        used, fit = left, fit_flow(left)
        judge = as_fitted(rig, fit, LEAST_DELAY_S, LEAST_LAG * fit.lag_s)
        found = found_in(logs, judge, spray.pulls, fit.gain)
        unlike = unlike_others("flow", *gains_of(fit, n))
        now = _again(turn, why, found, unlike)
        if now == why:
            break
        why = now
    why = _as_review(why, by_rig)
    pulls = tuple(replace(p, left_out=words) for p, words in zip(spray.pulls, why, strict=True))
    return fit, used, pulls


def _again(turn: int, why: Sequence[str], found: Sequence[str], unlike: Sequence[str]) -> list[str]:
    """Return why pulls are left out now: once told stays, but for what the rig itself found."""
    before = why if turn else [""] * len(why)
    return [a or b or c for a, b, c in zip(found, unlike, before, strict=True)]


def _as_review(why: list[str], by_rig: list[str]) -> list[str]:
    """Return what the rig itself finds, as a review tells it, where either way no rig is made."""
    none = all(2 * words.count("") <= len(words) for words in (why, by_rig))
    return by_rig if none else why


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
        (RUN_DOWN, "s"),
        ("spray.pump.ripple", "%"),
    )
    return _none_of(keys, why)


def _none_of(keys: Sequence[tuple[str, str]], why: str) -> dict[str, Estimate]:
    return {key: Estimate(key, unit, why_not=why) for key, unit in keys}


def _rates(logs: Sequence[Series]) -> dict[str, Estimate]:
    """Return how far apart rows are, the slowest log's, and how that varies."""
    slowest = max((rate_of(log.t_s) for log in logs), key=lambda rate: rate.period_s)
    rows = sum(len(log.t_s) for log in logs)
    return {
        "time.period": Estimate("time.period", "s", slowest.period_s, from_=f"{rows} rows"),
        "time.jitter": Estimate("time.jitter", "s", slowest.jitter_s, from_=f"{rows} rows"),
    }
