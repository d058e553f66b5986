"""A comparison in lines, its tables within 80 columns, and as plain JSON types."""

from collections.abc import Iterator, Sequence
from math import isfinite
from typing import Any, Final

import numpy as np

from monitor.dyno.comparing import Comparison, gear_words
from monitor.dyno.groups import Group, band_of, mean_of
from monitor.dyno.runs import BESIDE
from monitor.words.literal import figure
from monitor.words.times import moment
from monitor.words.units import Units
from simulator.dyno.correction import NAMES, Correction
from simulator.dyno.curves import Floats
from simulator.dyno.gain import CONFIDENCE, Gain

CLOSED: Final = (
    "Full throttle belongs on a dyno or a closed course; on a road, local law decides. flowdebt "
    "advises only."
)
# A channel's heading, metric unit and decimals in the table of what else was read.
_BESIDE: Final = {
    "boost_kpa": ("boost", "kPa", 0),
    "intake_c": ("intake", "°C", 0),
    "timing_deg": ("timing", "deg", 1),
    "knock": ("knock", "", 1),
    "delivered_ml_min": ("flow", "mL/min", 0),
}
_MOST_ROWS: Final = 14
_MOST_NAMED: Final = 8
_PCT: Final = 100.0


def in_words(found: Comparison, car: str, units: Units) -> Iterator[str]:
    """Yield a comparison's lines.

    Args:
        found: What came of it.
        car: The rig's name.
        units: In which figures are shown.
    """
    yield title(found, car)
    yield from basis(found, units)
    yield from map(units.sentence, _left_out(found))
    yield from cautions(found, units)
    yield from (f"note: {doubt}" for doubt in notes(found, units))
    yield ""
    yield from _table(found, units)
    yield ""
    yield from result(found, units)
    yield ""
    yield from _beside(found, units)
    yield ""
    yield CLOSED


def title(found: Comparison, car: str) -> str:
    """Return what was compared, in a line."""
    first, second = found.groups
    low, high = found.speed_rpm[0], found.speed_rpm[-1]
    return (
        f"{car}: {len(first.runs)} {first.name} against {len(second.runs)} {second.name}, "
        f"{gear_words(found.gear)}, {low:z.0f} to {high:z.0f} rpm"
    )


def basis(found: Comparison, units: Units) -> Iterator[str]:
    """Yield what torque and power rest on, as lines."""
    yield f"torque: {_how(found, units)}"
    yield f"correction: {_correction(found)}"


def cautions(found: Comparison, units: Units) -> list[str]:
    """Return what such runs do to the engine, a sentence each."""
    return [units.sentence(f"CAUTION: {one}") for one in found.cautions]


def notes(found: Comparison, units: Units) -> list[str]:
    """Return what speaks against it, or limits it, a sentence each."""
    return [units.sentence(doubt) for doubt in found.doubts]


def result(found: Comparison, units: Units) -> Iterator[str]:
    """Yield what came of it over the whole span, as lines."""
    yield from _means(found, units)
    yield from _repeatability(found, units)


def _how(found: Comparison, units: Units) -> str:
    runs = [run for group in found.groups for run in group.runs]
    sweep = runs[0].sweep
    smoothed = f"smoothed by a quadratic through {sweep.window_s:z.2f} s around each moment"
    if runs[0].as_logged:
        return f"as logged, {smoothed}"
    noise = units.told(2.0 * max(run.noise_nm for run in runs), "N m", 0)
    return (
        "from mass, gearing and drag by [vehicle], on the level without wind, in air of "
        f"{_span([run.weather.density_kg_m3 for run in runs], 2)} kg/m3; engine speed "
        f"{smoothed}, whose noise leaves a run's torque off by up to {noise} (2 s.d.); a wrong "
        "[vehicle] shifts all of it alike, and the gain in percent hardly"
    )


def _correction(found: Comparison) -> str:
    method = found.asked.method
    if method is Correction.NONE:
        return NAMES[method]
    told = "; ".join(f"{group.name} times {_span(group.factors, 3)}" for group in found.groups)
    return f"{NAMES[method]}: {told}"


def _span(values: Sequence[float], decimals: int) -> str:
    low, high = (f"{end:z.{decimals}f}" for end in (min(values), max(values)))
    return low if low == high else f"{low} to {high}"


def _left_out(found: Comparison) -> Iterator[str]:
    for one in found.left_out[:_MOST_NAMED]:
        yield (
            f"left out: {one.log} {moment(one.start_s, one.from_s)} to "
            f"{moment(one.end_s, one.from_s)}: {one.why}"
        )
    if len(found.left_out) > _MOST_NAMED:
        more = len(found.left_out) - _MOST_NAMED
        yield f"left out: and {more} more (--json and --report name all)"


def rows_told(found: Comparison) -> list[int]:
    """Return which engine speeds stand in a table: whole hundreds or thousands."""
    speeds = found.speed_rpm
    for step in (100.0, 200.0, 500.0, 1000.0):
        rows = [int(k) for k in np.flatnonzero(speeds % step == 0.0)]
        if len(rows) <= _MOST_ROWS:
            break
    return rows


def _table(found: Comparison, units: Units) -> Iterator[str]:
    first, second = found.groups
    torque = [units.factor("N m") * mean_of(group.torque_nm) for group in found.groups]
    power = [units.factor("kW") * mean_of(group.power_kw) for group in found.groups]
    pct = 100.0 * CONFIDENCE
    yield (
        f"{'':12}{'torque, ' + units.unit('N m'):>16}{'power, ' + units.unit('kW'):>16}"
        f"{f'gain in power, {pct:z.0f} % interval':>34}"
    )
    names = f"{first.name:>8}{second.name:>8}"
    yield f"{'rpm':>6}{'runs':>6}{names}{names}"
    for k in rows_told(found):
        counts = f"{first.counts[k]}/{second.counts[k]}"
        told = (
            "boost differs" if found.boost_differs[k] else gain_in_words(found.power_gain[k], units)
        )
        base = power[0][k] / units.factor("kW")
        yield (
            f"{found.speed_rpm[k]:>z6.0f}{counts:>6}"
            + "".join(f"{figure(values[k], 0):>8}" for values in torque)
            + "".join(f"{figure(values[k], 1):>8}" for values in power)
            + f"{told:>26}{_share(found.power_gain[k], base):>8}"
        )


def gain_in_words(one: Gain, units: Units, unit: str = "") -> str:
    """Return a gain in power with its interval; ``unit`` stands behind it."""
    if not isfinite(one.value):
        return "--"
    f = units.factor("kW")
    if not isfinite(one.low):
        return f"{f * one.value:+z.1f}{unit} (not sure)"
    return f"{f * one.value:+z.1f}{unit} ({f * one.low:+z.1f} to {f * one.high:+z.1f})"


def _share(one: Gain, base: float) -> str:
    return f"{_PCT * one.value / base:+z.1f} %" if isfinite(one.value) else ""


def _means(found: Comparison, units: Units) -> Iterator[str]:
    low, high = found.between_rpm
    means = [values[np.isfinite(values)] for values in found.means]
    where = f"mean power {low:z.0f} to {high:z.0f} rpm"
    if not all(map(len, means)):
        short = [g.name for g, own in zip(found.groups, means, strict=True) if not len(own)]
        if isfinite(low):
            yield f"{where}: not told, no {' and no '.join(short)} run spans that"
        return
    told = ", ".join(
        f"{group.name} {units.told(float(values.mean()), 'kW', 1)}"
        for group, values in zip(found.groups, means, strict=True)
    )
    where += " (area under the curve over that span)"
    if found.mean_gain is None:
        yield f"{where}: {told}; boost differs within it, so no gain of the spray is told"
        return
    gained = gain_in_words(found.mean_gain, units, f" {units.unit('kW')}")
    yield f"{where}: {told}: {gained}, {_share(found.mean_gain, float(means[0].mean()))}"


def _repeatability(found: Comparison, units: Units) -> Iterator[str]:
    for group in found.groups:
        _, band = band_of(group)
        known = band[np.isfinite(band)]
        if len(known):
            yield (
                f"repeatability: {_PCT * CONFIDENCE:z.0f} % of further {group.name} runs would lie "
                f"within {units.told(float(np.median(known)), 'kW', 1)} of their mean (median over "
                "speeds)"
            )


def shown_beside(found: Comparison, units: Units) -> list[tuple[str, str, str]]:
    """Return which channels were read: name, heading with its unit, metric unit."""
    shown = []
    for channel in BESIDE:
        if any(np.isfinite(group.beside[channel]).any() for group in found.groups):
            word, metric, _ = _BESIDE[channel]
            unit = f", {units.unit(metric)}" if metric else ""
            shown.append((channel, word + unit, metric))
    return shown


def beside_figures(found: Comparison, units: Units) -> dict[str, list[tuple[str, str]]]:
    """Return what else was read, by channel: of each engine speed told, both groups' means."""
    figures = {}
    for channel, _, metric in shown_beside(found, units):
        means = [mean_of(group.beside[channel]) for group in found.groups]
        decimals = _BESIDE[channel][2]
        first, second = (
            [units.figure(float(values[k]), metric, decimals) for k in rows_told(found)]
            for values in means
        )
        figures[channel] = list(zip(first, second, strict=True))
    return figures


def _beside(found: Comparison, units: Units) -> Iterator[str]:
    told = shown_beside(found, units)
    if not told:
        return
    first, second = found.groups
    heads = f"{'':>6}" + "".join(f"{heading:>14}" for _, heading, _ in told)
    names = f"{'rpm':>6}" + f"{first.name:>7}{second.name:>7}" * len(told)
    yield heads
    yield names
    figures = beside_figures(found, units)
    for row, k in enumerate(rows_told(found)):
        cells = "".join(f"{cell:>7}" for pairs in figures.values() for cell in pairs[row])
        yield f"{found.speed_rpm[k]:>z6.0f}{cells}"


def as_json(found: Comparison, car: str) -> dict[str, Any]:
    """Return plain JSON types, metric; null where something isn't known."""
    low, high = found.between_rpm
    return {
        "rig": car,
        "gear": found.gear,
        "correction": found.asked.method.value,
        "confidence": CONFIDENCE,
        "engine_speed_rpm": found.speed_rpm.tolist(),
        "groups": [_group_json(group) for group in found.groups],
        "torque_gain_nm": [_gain_json(one) for one in found.torque_gain],
        "power_gain_kw": [_gain_json(one) for one in found.power_gain],
        "boost_differs": found.boost_differs.tolist(),
        "mean_power": {
            "between_rpm": [low, high] if isfinite(low) else None,
            "kw": [_known(values) for values in found.means],
            "gain_kw": None if found.mean_gain is None else _gain_json(found.mean_gain),
        },
        "left_out": [one._asdict() for one in found.left_out],
        "notes": list(found.doubts),
        "cautions": list(found.cautions),
    }


def _group_json(group: Group) -> dict[str, Any]:
    torque_band, power_band = band_of(group)
    return {
        "name": group.name,
        "runs": [
            {
                "log": run.log,
                "start_s": run.start_s,
                "end_s": run.end_s,
                "gear": run.gear.number,
                "gear_told_by": run.gear.why,
                "torque_told_by": "log" if run.as_logged else "acceleration",
                "torque_noise_nm": None if run.as_logged else run.noise_nm,
                "smoothed_over_s": run.sweep.window_s,
                "factor": f,
                **{
                    name: value if isfinite(value) else None
                    for name, value in run.weather._asdict().items()
                },
            }
            for run, f in zip(group.runs, group.factors, strict=True)
        ],
        "count": group.counts,
        "torque_nm": _known(mean_of(group.torque_nm)),
        "power_kw": _known(mean_of(group.power_kw)),
        "torque_repeatability_nm": _known(torque_band),
        "power_repeatability_kw": _known(power_band),
        **{channel: _known(mean_of(values)) for channel, values in group.beside.items()},
    }


def _gain_json(one: Gain) -> dict[str, float | None]:
    return {name: value if isfinite(value) else None for name, value in one._asdict().items()}


def _known(values: Floats) -> list[float | None]:
    return [float(value) if isfinite(value) else None for value in values]
