"""Tolerances that cover what the guard will see: tried on the very pulls that were fitted.

A real flow follows its command as one delay and one lag only nearly: a valve opens late, a line
fills, a wheel starts to turn. So the tolerances that the intervals ask for are widened until a
guard that has them stays calm in every pull, and all through each log with what it learns on the
way: of delay and lag, or, on a car without a flow sensor, of the line's gain. What no tolerance
cures, a pull's noise for one, widens none.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import inf, log
from typing import Final

from rules.channels import LINE
from rules.facts import FlowSensor, LineSensor, Rig
from rules.step.from_rig import limit_nats, witness_column
from simulator.identify.estimates import Estimate, Pull, Series
from simulator.identify.health import OF_THE_SPRAY, judged, judged_through

CALM: Final = 0.35  # of the evidence that pulls timing: honest noise alone reaches a quarter
NOTHING_NATS: Final = 1.0  # less evidence by so little is worth no wider tolerance
STEPS: Final = 12
DELAY_STEP_S: Final = 0.005
LAG_STEP: Final = 0.05  # of the lag
LINE_STEP_PCT: Final = 1.0
DELAY, LAG = ("flow_sensor.transport_delay_within", "flow_sensor.lag_within")
LINE_GAIN: Final = "line_sensor.gain_within"
MOST_SHARE: Final = 0.95  # of delay and of lag: no rig may say more
WIDENED: Final = "; widened until a guard stays calm in all of them"


def rig_with(rig: Rig, numbers: Mapping[str, Estimate]) -> Rig:
    """Return a rig with the sensors that were identified; what wasn't stays as it is."""

    def of(key: str, otherwise: float, per: float = 1.0, table: str = "flow_sensor") -> float:
        value = numbers[f"{table}.{key}"].value
        return otherwise if value is None else value / per

    def of_line(key: str, otherwise: float, per: float = 1.0) -> float:
        return of(key, otherwise, per, "line_sensor")

    line = rig.line_sensor
    line = LineSensor(
        lag_s=min(of_line("lag", line.lag_s), line.lag_s),
        gain_within=min(max(of_line("gain_within", line.gain_within, 100.0), 0.005), 0.5),
        noise=min(max(of_line("noise", line.noise, 100.0), 0.001), 0.5),
        noise_lasts_s=of_line("noise_lasts", line.noise_lasts_s),
    )
    old = rig.flow_sensor
    delay_s, lag_s = max(of("transport_delay", old.delay_s), 0.0), of("lag", old.lag_s)
    sensor = FlowSensor(
        delay_s=delay_s,
        delay_within_s=min(of("transport_delay_within", old.delay_within_s), MOST_SHARE * delay_s),
        lag_s=lag_s,
        lag_within_s=min(of("lag_within", old.lag_within_s), MOST_SHARE * lag_s),
        gain_within=min(max(of("gain_within", old.gain_within, 100.0), 0.005), 0.3),
        noise=min(max(of("noise", old.noise, 100.0), 0.001), 0.5),
        noise_lasts_s=of("noise_lasts", old.noise_lasts_s),
        floor_ml_min=of("floor", old.floor_ml_min),
        refresh_s=of("refresh", old.refresh_s),
    )
    return replace(rig, flow_sensor=sensor, line_sensor=line)


def as_written(rig: Rig, numbers: Mapping[str, Estimate]) -> Rig:
    """Return the same as a fit writes it: one log doesn't bound the floor, which is only raised."""
    fitted = rig_with(rig, numbers)
    floor_ml_min = max(fitted.flow_sensor.floor_ml_min, rig.flow_sensor.floor_ml_min)
    return replace(fitted, flow_sensor=replace(fitted.flow_sensor, floor_ml_min=floor_ml_min))


def widened(
    logs: Sequence[Series], rig: Rig, pulls: Sequence[Pull], numbers: Mapping[str, Estimate]
) -> tuple[dict[str, Estimate], bool]:
    """Return the numbers with tolerances that keep a guard calm, and whether any do.

    Evidence that the widest tolerances leave isn't for them to cure. Chance alone may bring it: a
    guard reckons with its limit once in the hours between two false pulls, and by its own bound
    (``limit_nats``) with the less, the shorter a log is.

    Args:
        logs: The logs.
        rig: With the command that explains them.
        pulls: All of them; those that were left out aren't judged.
        numbers: Of all sensors, those of what tells whether spray arrives among them.
    """
    lag_s = numbers["flow_sensor.lag"].value or 0.0
    steps: tuple[tuple[str, float], ...] = ((DELAY, DELAY_STEP_S), (LAG, LAG_STEP * lag_s))
    if witness_column(rig) == LINE:
        steps = ((LINE_GAIN, LINE_STEP_PCT),)

    def after(tried: int) -> dict[str, Estimate]:
        wider = {key: _wider(numbers[key], tried * step) for key, step in steps}
        return dict(numbers) | (wider if tried else {})

    def worst(tried: int) -> float:
        return _worst_nats(logs, as_written(rig, after(tried)), pulls)

    limit = limit_nats(rig)
    enough = CALM * limit
    if worst(0) <= enough:
        return after(0), True
    least = worst(STEPS)
    sprayed_h = sum(p.ends_s - p.begins_s for p in pulls if not p.left_out) / 3600.0
    by_chance = limit + log(sprayed_h / rig.debt.false_pull_every_h)
    calm = least <= max(enough, by_chance)
    enough = max(enough, least + NOTHING_NATS)
    return next(after(tried) for tried in range(STEPS + 1) if worst(tried) <= enough), calm


def _wider(one: Estimate, by: float) -> Estimate:
    return replace(one, value=(one.value or 0.0) + by, from_=one.from_ + WIDENED)


def _worst_nats(logs: Sequence[Series], rig: Rig, pulls: Sequence[Pull]) -> float:
    """Return the most evidence in any pull or log; infinite where a guard finds fault in a pull."""
    healthy = [pull for pull in pulls if not pull.left_out]
    through = max(float(one["evidence"].max()) for one in judged_through(logs, rig, pulls))
    return max(
        through,
        *(
            inf if (one["level"][:, OF_THE_SPRAY] > 0.0).any() else float(one["evidence"].max())
            for one in judged(logs, rig, healthy)
        ),
    )
