"""A comparison as one page: the gain, torque and power by engine speed, single runs, tables."""

from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np

from monitor.dyno.comparing import Comparison
from monitor.dyno.groups import Group, band_of, mean_of
from monitor.dyno.report_files import (
    beside_table,
    left_out_table,
    run_table,
    speed_table,
)
from monitor.dyno.words import CLOSED, basis, cautions, notes, result, shown_beside, title
from monitor.pictures.page import Page
from monitor.pictures.zoomable import BLUE, GREEN, RED, Axis, Line, Panel
from monitor.words.units import Units
from simulator.dyno.gain import CONFIDENCE

_LOOKS: Final = ((RED, "dash"), (BLUE, "solid"))  # of the baseline, and of the other
_LINK: Final = "speed"
_SPEED: Final = Axis("engine speed, rpm")
# How far an axis reaches to either side at least: noise alone must not look like a difference.
_ROOM: Final = {"boost_kpa": 10.0, "intake_c": 5.0, "timing_deg": 2.0}
_MOST_DRAWN: Final = 12  # single runs of each


def as_page(found: Comparison, car: str, units: Units) -> str:
    """Return a comparison as one HTML file.

    Args:
        found: What came of it.
        car: The rig's name.
        units: In which figures are shown.
    """
    page = Page(title(found, car))
    page.caution(CLOSED)
    for line in cautions(found, units):
        page.caution(line)
    for line in (*result(found, units), *basis(found, units)):
        page.text(line)
    for line in notes(found, units):
        page.text(f"note: {line}")
    if found.left_out:
        page.table(*left_out_table(found, units))
    page.heading("By engine speed")
    page.plot(
        "by-speed",
        _SPEED,
        _panels(found, units),
        zones=_zones(found),
        caption=f"Lines are means of runs, bands where {100.0 * CONFIDENCE:z.0f} % of further runs "
        "would lie; about the gain its interval, at each speed by itself"
        f"{'; shaded: boost differs, no gain is told' if found.boost_differs.any() else ''}. Drag "
        "to zoom, double-click to see all again.",
        link=_LINK,
    )
    page.table(*speed_table(found, units))
    beside = _beside(found, units)
    if beside:
        page.heading("Read beside it")
        page.plot("beside", _SPEED, beside, zones=_zones(found), link=_LINK)
        page.table(*beside_table(found, units))
    page.heading("Runs")
    page.plot(
        "runs",
        _SPEED,
        _of_runs(found, units),
        caption="Each run by itself: which of them is not like the others?",
        link=_LINK,
    )
    page.table(*run_table(found, units))
    return page.html()


def _panels(found: Comparison, units: Units) -> list[Panel]:
    looks = [
        (group, band_of(group), look) for group, look in zip(found.groups, _LOOKS, strict=True)
    ]
    torque = [
        _mean(found, group, group.torque_nm, band[0], "N m", look, units)
        for group, band, look in looks
    ]
    power = [
        _mean(found, group, group.power_kw, band[1], "kW", look, units)
        for group, band, look in looks
    ]
    gains = units.factor("kW") * np.array([list(one) for one in found.power_gain]).T
    sure = bool(np.isfinite(gains[1]).any())
    gain = Line(
        "with its interval" if sure else "not sure",
        found.speed_rpm,
        gains[0],
        GREEN,
        width=1.8,
        low=gains[1] if sure else None,
        high=gains[2] if sure else None,
    )
    return [
        Panel(f"power, {units.unit('kW')}", power, height=1.4),
        Panel(f"torque, {units.unit('N m')}", torque, height=1.1),
        Panel(f"gain in power, {units.unit('kW')}", [gain], includes=(0.0,)),
    ]


def _beside(found: Comparison, units: Units) -> list[Panel]:
    panels = []
    for channel, name, metric in shown_beside(found, units):
        lines = [
            Line(
                group.name,
                found.speed_rpm,
                _shown(mean_of(group.beside[channel]), metric, units),
                *look,
            )
            for group, look in zip(found.groups, _LOOKS, strict=True)
        ]
        panels.append(Panel(name, lines, height=0.8, includes=_room(lines, channel, metric, units)))
    return panels


def _mean(
    found: Comparison,
    group: Group,
    values: Any,
    band: Any,
    metric: str,
    look: tuple[str, str],
    units: Units,
) -> Line:
    """Return the mean of a group's runs, and where further ones would lie."""
    per = units.factor(metric)
    mean = per * mean_of(values)
    edges = (mean - per * band, mean + per * band) if np.isfinite(band).any() else (None, None)
    name = f"{group.name} ({len(group.runs)})"
    return Line(name, found.speed_rpm, mean, *look, width=1.8, low=edges[0], high=edges[1])


def _of_runs(found: Comparison, units: Units) -> list[Panel]:
    """Draw each run: one that is not like the others is seen."""

    def lines(values: Callable[[Group], Any], metric: str) -> list[Line]:
        return [
            Line(
                group.name,
                found.speed_rpm,
                _shown(row, metric, units),
                *look,
                hover=f"{group.name} {number}, {run.log}",
            )
            for group, look in zip(found.groups, _LOOKS, strict=True)
            for number, (run, row) in enumerate(zip(group.runs, values(group), strict=True), 1)
            if number <= _MOST_DRAWN and np.isfinite(row).any()
        ]

    panels = [
        Panel(f"power, {units.unit('kW')}", lines(lambda group: group.power_kw, "kW"), height=1.6)
    ]
    boost = lines(lambda group: group.beside["boost_kpa"], "kPa")
    return panels + (
        [
            Panel(
                f"boost, {units.unit('kPa')}",
                boost,
                includes=_room(boost, "boost_kpa", "kPa", units),
            )
        ]
        if boost
        else []
    )


def _zones(found: Comparison) -> list[tuple[float, float]]:
    """Return where boost differs, half a step to either side."""
    at = np.flatnonzero(found.boost_differs)
    if not len(at):
        return []
    half = 0.5 * float(found.speed_rpm[1] - found.speed_rpm[0])
    return [
        (float(found.speed_rpm[part[0]]) - half, float(found.speed_rpm[part[-1]]) + half)
        for part in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1)
    ]


def _room(lines: Sequence[Line], channel: str, metric: str, units: Units) -> tuple[float, ...]:
    """Return what the axis of a channel includes beside what is drawn."""
    if channel not in _ROOM:
        return (0.0,)
    values = np.concatenate([line.y for line in lines])
    middle = 0.5 * float(np.nanmin(values) + np.nanmax(values))
    half = units.value(_ROOM[channel], metric) - units.value(0.0, metric)
    return middle - half, middle + half


def _shown(values: Any, metric: str, units: Units) -> Any:
    return np.array([units.value(float(value), metric) for value in values])
