"""What seems wrong with a log, or the rig that reads it: units, columns, times; a sentence each.

Nothing here is sure: a log alone seldom tells which of two columns is wrong. Factors and bounds are
common practice, no source, where none is named.
"""

from collections.abc import Sequence
from math import log
from typing import Any, Final

import numpy as np

from rules.causes.rig_mistakes import wrong_unit
from rules.facts import Rig
from rules.step.from_rig import constants_of
from simulator.identify.command_law import FACTS
from simulator.identify.estimates import Law, Series
from simulator.identify.flow import FlowFit
from simulator.identify.flow_numbers import SLOWEST_ROWS_S
from simulator.identify.intervals import Doubt
from simulator.identify.law_rows import KEYS
from simulator.identify.line_pressure import LineFit

GAIN_TOLD: Final = 0.05
LEAST_EXPLAINED: Final = 0.5  # of the reading's variance
QUICKEST_S, SLOWEST_S = 0.005, 0.2  # delays of flow sensors lie between
SHIFTED_S: Final = 0.15  # engine's columns against each other
MOST_SHIFT_S: Final = 0.6
SHIFT_STEP_S: Final = 0.02
MOVES_S: Final = 0.2
LEAST_KNOWN: Final = 200
ALIKE: Final = 0.25  # correlation of moves from which on two columns are of one engine
NEVER_REST_KPA: Final = 20.0  # gauge: an engine that idles, or stands, reads less
BELOW_VACUUM_KPA: Final = -105.0
TOP_NEAR: Final = 0.35
PSI_KPA: Final = 6.895
# Channel, how its largest reading must be for it, and what it is taken for.
TOPS: Final = (
    ("injector_duty_pct", 1.6, "a share of one for percent"),
    ("command_pct", 1.6, "a share of one for percent"),
    ("throttle_pct", 1.6, "a share of one for percent"),
    ("engine_speed_rpm", 20.0, "thousands for rpm"),
)
HOTTEST_REST_C: Final = 60.0
# What a wrong unit is called, and by which factor the reading would be right.
LINE_UNITS: Final = (
    ("psi read as kPa", PSI_KPA),
    ("bar read as kPa", 100.0),
    ("kPa read as psi", 1.0 / PSI_KPA),
    ("kPa read as bar", 0.01),
)
LINE_UNIT_NEAR: Final = 0.18  # of its logarithm
UNTOLD: Final = "nozzles, sensor or health, no log can say which"
LAW_OFF: Final = 3.0  # kPa or %: less is no other law
AIR_KPA: Final = (70.0, 115.0)  # absolute, of the air outside


def doubts_of_log(logs: Sequence[Series], rig: Rig) -> list[str]:
    """Return what seems wrong with columns other than the flow."""
    found = []
    for name, most, taken in TOPS:
        top = _end(logs, name, 1.0)
        if 0.0 < top <= most:
            found.append(f"{name} is {top:z.3g} at most: is {taken}?")
    for name in ("intake_c", "dry_intake_c"):
        rest = _end(logs, name, 0.05)
        if rest > HOTTEST_REST_C:
            found.append(f"{name} is hardly ever below {rest:z.0f} degC: is degF read as degC?")
    return [*found, *_boost(logs, rig), *_engine(logs, rig)]


def _end(logs: Sequence[Series], name: str, share: float) -> float:
    """Return the reading of which ``share`` of all are no greater; NaN: none."""
    values = np.concatenate([log.column(name) for log in logs])
    values = values[np.isfinite(values)]
    return float(np.quantile(values, share)) if len(values) else np.nan


def _boost(logs: Sequence[Series], rig: Rig) -> list[str]:
    low, high = _end(logs, "boost_kpa", 0.0), _end(logs, "boost_kpa", 1.0)
    rest = _end(logs, "boost_kpa", 0.01)
    found = []
    if rest > NEVER_REST_KPA:
        found.append(
            f"boost never falls below {low:z.0f} kPa: is absolute pressure read as gauge, "
            "or does the log hold nothing but boost?"
        )
    if low < BELOW_VACUUM_KPA:
        found.append(f"boost falls to {low:z.0f} kPa, below vacuum: is gauge read as absolute?")
    top = max(rig.paid.boost_kpa, default=0.0)
    if top > 0.0 and high > 0.0:
        for words, factor in (
            ("psi read as kPa", PSI_KPA),
            ("kPa read as psi", 1.0 / PSI_KPA),
            ("bar read as kPa", 100.0),
        ):
            if abs(log(high * factor / top)) < TOP_NEAR:
                found.append(
                    f"boost is {high:z.3g} kPa at most, this rig's is {top:z.0f}: is {words}?"
                )
    return found


def _engine(logs: Sequence[Series], rig: Rig) -> list[str]:
    """Say where boost and injector duty, at their engine speed, don't go together in time."""
    k = constants_of(rig)
    reach = round(MOST_SHIFT_S / SHIFT_STEP_S)
    alike = np.zeros((len(logs), 2 * reach + 1))
    for series, one in zip(logs, alike, strict=True):
        on_s = np.arange(series.t_s[0], series.t_s[-1], SHIFT_STEP_S)
        both = (_air_kpa(series, k), series.column("boost_kpa"))
        air, boost = (_moves(series.t_s, column, on_s) for column in both)
        if len(air) > 4 * reach and len(boost) > 4 * reach and np.ptp(air) * np.ptp(boost) > 0.0:
            for i in range(-reach, reach + 1):
                a = air[max(i, 0) : len(air) + min(i, 0)]
                b = boost[max(-i, 0) : len(boost) - max(i, 0)]
                one[i + reach] = float(np.corrcoef(a, b)[0, 1])
    alike = alike[alike.any(axis=1)]
    if not len(alike):
        return []
    mean = alike.mean(axis=0)
    best = int(np.argmax(mean))
    if mean[best] < ALIKE:
        return [
            "boost and injector duty don't go together at their engine speed: is one of the three "
            "another column?"
        ]
    shift_s = (best - reach) * SHIFT_STEP_S
    if abs(shift_s) < SHIFTED_S:
        return []
    late, early = ("injector duty", "boost") if shift_s > 0.0 else ("boost", "injector duty")
    return [
        f"{late} comes {1e3 * abs(shift_s):z.0f} ms behind {early}: one of these columns is late, "
        "this log alone can't tell which; let one device log both, and fit again"
    ]


def _air_kpa(series: Series, k: Any) -> Any:
    """Return the absolute pressure that injector duty speaks for, kPa (see ``from_rig``)."""
    speed = series.column("engine_speed_rpm")
    cycle_ms = 120_000.0 / np.where(speed > 300.0, speed, np.nan)
    open_ms = 0.01 * series.column("injector_duty_pct") * cycle_ms - k.dead_time_ms
    return np.where(open_ms > 0.0, open_ms * k.air_kpa_a_ms, np.nan)


def _moves(t_s: Any, values: Any, on_s: Any) -> Any:
    """Return how far a column moves in ``MOVES_S`` from each of even times; empty: not enough."""
    known = np.isfinite(values)
    if known.sum() < LEAST_KNOWN:
        return np.empty(0)
    even = np.interp(on_s, t_s[known], values[known])
    steps = round(MOVES_S / SHIFT_STEP_S)
    return even[steps:] - even[:-steps]


def other_command(law: Law | None, rig: Rig) -> str:
    """Return the command's number that a log tells most unlike the rig's, a clause; empty: none."""
    if law is None or not law.rig_holds:
        return ""
    off = [
        (abs(number.value - getattr(rig.command, FACTS[key])), key, number)
        for key, number in zip(KEYS.get(rig.command.kind, ()), law.numbers, strict=False)
        if number.value is not None
    ]
    most, key, number = max(off, default=(0.0, "", None))
    if number is None or most < LAW_OFF:
        return ""
    return f"[command] {key}: the log says {number.value:z.3g} {number.unit}"


def doubts_of_flow(fit: FlowFit, doubt: Doubt, other: str = "") -> list[str]:
    """Return what seems wrong with flow and command; ``other``: see ``other_command``."""
    reading, off = fit.seen.reading, fit.off
    moves = float(np.ptp(fit.expected)) > 0.3 * float(fit.expected.max())
    if moves and float((off**2).mean()) > (1.0 - LEAST_EXPLAINED) * float(np.var(reading)):
        return ["the flow doesn't follow the command: is one of them another column?"]
    found = []
    if moves and doubt.delay_s < SHIFTED_S:
        late_ms = 1e3 * abs(fit.delay_s)
        # Between slow rows a sensor may hold its readings, unseen.
        held_s = fit.period_s if fit.period_s > SLOWEST_ROWS_S else 0.0
        if fit.delay_s < QUICKEST_S:
            found.append(
                f"the flow reading moves {late_ms:z.0f} ms ahead of its command: the command, or "
                "what it is reckoned from, comes late; let one device log both, and fit again"
            )
        elif fit.delay_s > SLOWEST_S + held_s:
            found.append(
                f"the flow reading follows {late_ms:z.0f} ms behind its command: its column may be "
                "late, or the pump slow to start; this log alone can't tell, one device that logs "
                "both can"
            )
    return found + _gain(fit.gain, other)


def doubts_of_line(logs: Sequence[Series], fit: LineFit | None) -> list[str]:
    """Return what seems wrong with the line's pressure, where no flow is read."""
    found = []
    least = _end(logs, "line_kpa", 0.0)
    if AIR_KPA[0] < least < AIR_KPA[1]:
        found.append(f"line_kpa is never below {least:z.0f} kPa: is absolute read as gauge?")
    gain = 1.0 if fit is None else float(np.median(fit.gains))
    if abs(gain - 1.0) <= GAIN_TOLD:
        return found
    reads = f"the line reads {100.0 * gain:z.3g} % of what this rig's pump and nozzles give"
    for words, factor in LINE_UNITS:
        if gain > 0.0 and abs(log(gain * factor)) < LINE_UNIT_NEAR:
            return [*found, f"{reads}: is {words}?"]
    return [*found, f"{reads}: {UNTOLD}: put a gauge beside it"]


def _gain(gain: float, other: str) -> list[str]:
    if abs(gain - 1.0) <= GAIN_TOLD:
        return []
    unit = wrong_unit(gain) if gain > 0.0 else None
    if unit is not None:
        return [unit.sentence]
    reads = f"the flow reads {100.0 * gain:z.3g} % of what this rig's pump and nozzles give"
    if other:
        return [f"{reads}: rather {other}; else {UNTOLD}: measure into a jug"]
    return [f"{reads}: {UNTOLD}: measure into a jug"]
