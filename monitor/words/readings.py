"""What the dashboard shows beside the status, on one line: line mode says it every ten seconds."""

from collections.abc import Iterator
from math import isfinite, isnan
from typing import Final

from monitor.attach.message_parts import DecisionHead
from monitor.attach.protocol import Frame, Hello
from monitor.words.alarms import count_in_words
from monitor.words.literal import or_unknown

# Channel, its words, its unit, decimals; boost and flow stand in the status line already.
_SAID: Final = (
    ("injector_duty_pct", "injectors", "%", 0),
    ("intake_c", "intake", "°C", 0),
    ("knock", "knock", "deg", 1),
    ("timing_deg", "timing", "deg", 1),
    ("engine_speed_rpm", "engine", "rpm", 0),
    ("tank_ml", "tank", "mL", 0),
    ("line_kpa", "line", "kPa", 0),
    ("supply_v", "pump supply", "V", 1),
)


def readings_in_words(hello: Hello, frame: Frame, rate_hz: float) -> str:
    """Return readings with their limits, tank, link, recording and alarms as one line.

    Args:
        hello: The guard's greeting: names of the trace's columns, limits, channels.
        frame: The newest frame.
        rate_hz: Samples a second; NaN where not known yet.
    """
    parts = [*_readings(hello, frame), *_link(frame, rate_hz)]
    counts = frame.statistics
    if hello.session is None:
        parts.append("not recording")
    else:
        lost = f", {counts.not_recorded} NOT recorded" if counts.not_recorded else ""
        parts.append(f"recorded {or_unknown(counts.recorded, 0)} rows{lost}")
    parts.append(count_in_words(frame.alarms) or "no alarms")
    return " | ".join(parts)


def learned_in_words(now: DecisionHead) -> str:
    """Return what was learned of this car's flow sensor as one line; empty where nothing was."""
    if not now.learned_s or now.gain is None or now.noise is None:
        return ""
    return (
        f"flow reads {now.gain:z.2f} of the rig's, noise {100.0 * now.noise:z.1f} % lasting "
        f"{1000.0 * (now.noise_lasts_s or 0.0):z.0f} ms, after {now.learned_s:z.0f} s of spraying"
    )


def _readings(hello: Hello, frame: Frame) -> Iterator[str]:
    newest = dict(zip(hello.trace, frame.rows[-1], strict=False)) if frame.rows else {}
    for name, word, unit, decimals in _SAID:
        health = frame.health.get(name)
        if health is None:
            continue
        value = newest.get(f"value_{name}")
        if health != "healthy" or value is None or not isfinite(value):
            yield f"{word} unknown"
            continue
        if name == "tank_ml":  # in the words that tell a volume of the tank's from a debt
            yield f"{value:z.{decimals}f} {unit} left in the tank"
            continue
        limit = hello.limits.get(name)
        most = "" if limit is None or not isfinite(limit) else f" (limit {limit:z.0f} {unit})"
        yield f"{word} {value:z.{decimals}f} {unit}{most}"
    left_s = frame.decision.tank_s
    if left_s is not None and frame.health.get("tank_ml") == "healthy":
        yield f"tank empty in {left_s / 60.0:z.0f} min at this use"


def _link(frame: Frame, rate_hz: float) -> Iterator[str]:
    counts = frame.statistics
    yield f"{or_unknown(None if isnan(rate_hz) else rate_hz, 0)} samples a second"
    yield f"rejected {counts.refused or 0}"
    for name, found in (("lost", counts.lost), ("late", counts.late), ("dropped", counts.dropped)):
        if found:
            yield f"{name} {found}"
