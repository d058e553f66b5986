"""Tolerances that cover what the guard will see: tried on the very pulls that were fitted.

A real flow follows its command as one delay and one lag only nearly: a valve opens late, a line
fills, a wheel starts to turn. So the tolerances that the intervals ask for are widened until a
guard that has them stays calm in every pull: of delay and lag, or, on a car without a flow sensor,
of the line's gain.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from rules.channels import LINE
from rules.facts import FlowSensor, LineSensor, Rig
from rules.step.from_rig import limit_nats, witness_column
from simulator.identify.estimates import Estimate, Pull, Series
from simulator.identify.health import OF_THE_SPRAY, judged

CALM: Final = 0.35  # of the evidence that pulls timing: honest noise alone reaches a quarter
TRIES: Final = 12
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

    Args:
        logs: The logs.
        rig: With the command that explains them.
        pulls: Those that were fitted.
        numbers: Of all sensors, those of what tells whether spray arrives among them.
    """
    now = dict(numbers)
    lag_s = now["flow_sensor.lag"].value or 0.0
    steps: tuple[tuple[str, float], ...] = ((DELAY, DELAY_STEP_S), (LAG, LAG_STEP * lag_s))
    if witness_column(rig) == LINE:
        steps = ((LINE_GAIN, LINE_STEP_PCT),)
    for tried in range(TRIES):
        if _calm(logs, as_written(rig, now), pulls):
            return now, True
        for key, step in steps:
            one = now[key]
            said = one.from_ if tried else one.from_ + WIDENED
            now[key] = replace(one, value=(one.value or 0.0) + step, from_=said)
    return now, False


def _calm(logs: Sequence[Series], rig: Rig, pulls: Sequence[Pull]) -> bool:
    most = CALM * limit_nats(rig)
    return not any(
        (decided["evidence"] > most).any() or (decided["level"][:, OF_THE_SPRAY] > 0.0).any()
        for decided in judged(logs, rig, pulls)
    )
