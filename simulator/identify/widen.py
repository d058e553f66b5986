"""Tolerances that cover what the guard will see: tried on the very pulls that were fitted.

A real flow follows its command as one delay and one lag only nearly: a valve opens late, a line
fills, a wheel starts to turn. So the tolerances that the intervals ask for are widened until a
guard that has them stays calm in every pull.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from rules.facts import FlowSensor, Rig
from rules.step.from_rig import limit_nats
from simulator.identify.estimates import Estimate, Pull, Series
from simulator.identify.health import OF_THE_SPRAY, judged

CALM: Final = 0.35  # of the evidence that pulls timing: honest noise alone reaches a quarter
TRIES: Final = 12
DELAY_STEP_S: Final = 0.005
LAG_STEP: Final = 0.05  # of the lag
DELAY, LAG = ("flow_sensor.transport_delay_within", "flow_sensor.lag_within")
MOST_SHARE: Final = 0.95  # of delay and of lag: no rig may say more
WIDENED: Final = "; widened until a guard stays calm in all of them"


def rig_with(rig: Rig, numbers: Mapping[str, Estimate]) -> Rig:
    """Return a rig with the flow sensor that was identified; what wasn't stays as it is."""

    def of(key: str, otherwise: float, per: float = 1.0) -> float:
        value = numbers[f"flow_sensor.{key}"].value
        return otherwise if value is None else value / per

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
    return replace(rig, flow_sensor=sensor)


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
        numbers: Of the flow sensor, delay and lag among them.
    """
    now = dict(numbers)
    for tried in range(TRIES):
        if _calm(logs, as_written(rig, now), pulls):
            return now, True
        lag_s = now["flow_sensor.lag"].value or 0.0
        for key, step in ((DELAY, DELAY_STEP_S), (LAG, LAG_STEP * lag_s)):
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
