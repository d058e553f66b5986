"""A debrief as one page: truth, moments, plots to zoom into, costs, score, what to check first."""

from typing import Final

import numpy as np

from monitor.attach.drilling import Debriefing, TracePoints
from monitor.pictures.page import Cell, Page
from monitor.pictures.zoomable import BLUE, INK, PURPLE, RED, TIME, Line, Panel
from monitor.words.debriefing import (
    ADVISES,
    COST_HEAD,
    HARM_WORDS,
    By,
    called,
    costs,
    happened,
    traces_shown,
)
from monitor.words.units import METRIC, Units

_PLOT: Final = "drive"
_MOST_TRACES: Final = 7
_MOST_MARKS: Final = 20
_MOST_SIGNS: Final = 6
_ROUND_S: Final = 2.0  # shown around a moment that a link leads to
_ACTS: Final = ("hold", "pull_timing", "cut_boost", "lift")
_ACT_WORDS: Final = ((0.0, "hold"), (1.0, "pull"), (2.0, "cut"), (3.0, "lift"))
_HARM_LINES: Final = {"nobody": (INK, "dot"), "guard": (RED, "dash"), "driven": (BLUE, "solid")}
HOW_TO_READ: Final = (
    "A time leads to its place in the plot below. Blue there is what was driven; the broken line "
    "is the same drive with the same noise and the same doings, without the fault: where they "
    "part, it is the fault's doing. Drag to zoom, double-click to see all again."
)


def as_page(debrief: Debriefing, units: Units = METRIC) -> str:
    """Return a debrief as one HTML file.

    Args:
        debrief: The truth of a drive.
        units: In which figures are shown.
    """
    page = Page(f"{debrief.title}, {debrief.alias}: {debrief.score:z.0f} of 100")
    page.caution(ADVISES)
    page.text(units.sentence(f"Truth: {debrief.truth}."))
    page.text(called(debrief))
    if debrief.text:
        page.text(units.sentence(debrief.text))
    if debrief.goal:
        page.text(units.sentence(f"To be learned: {debrief.goal}"))
    page.text(f"Check first on the car: {'; '.join(debrief.check_first)}.")
    _moments(page, debrief, units)
    page.heading("What it cost")
    page.table(COST_HEAD, list(costs(debrief)))
    page.heading(f"Score: {debrief.score:z.0f} of 100")
    page.table(
        ("part", "points", "of", "why"),
        [
            (part.name, f"{part.points:z.0f}", f"{part.most:z.0f}", part.words)
            for part in debrief.parts
        ],
    )
    page.text(debrief.formula)
    page.heading("What told it")
    if not debrief.signs:
        page.text("Nothing that a reading shows.")
    for sign in debrief.signs[:_MOST_SIGNS]:
        page.text(units.sentence(f"{sign.time_s:z.2f} s: {sign.words}"))
    if debrief.guard_said:
        page.text(units.sentence(f"The guard: {debrief.guard_said}"))
    if debrief.guard_cause:
        page.text(f"It took this for the likeliest cause: {debrief.guard_cause}.")
    for note in debrief.notes:
        page.text(f"Instructor, {note.time_s:z.1f} s: {note.text}")
    _plot(page, debrief, units)
    return page.html()


def _moments(page: Page, debrief: Debriefing, units: Units) -> None:
    """Add what happened as a table, each time with a link to its place in the plot."""
    onset_s = debrief.onset_s
    rows: list[tuple[str | Cell, ...]] = []
    for one in happened(debrief):
        zoom = (_PLOT, one.time_s - _ROUND_S, one.time_s + _ROUND_S)
        since = "" if onset_s is None else f"{one.time_s - onset_s:+z.2f}"
        at = Cell(f"{one.time_s:z.2f}", zoom=zoom if _drawn(debrief) else None)
        rows.append((at, since, units.sentence(one.words)))
    if rows:
        page.heading("What happened")
        page.table(("at, s", "after it began, s", "what"), rows)
        page.text(HOW_TO_READ)


def _drawn(debrief: Debriefing) -> bool:
    return len(debrief.time_s) > 1


def _plot(page: Page, debrief: Debriefing, units: Units) -> None:
    if not _drawn(debrief):
        return
    page.heading("The drive")
    panels = [_panel(debrief, trace, units) for trace in traces_shown(debrief, _MOST_TRACES)]
    # The others are a row of the table each: words so near each other would hide one another.
    marks = [(one.time_s, one.short) for one in happened(debrief) if one.by in (By.FAULT, By.YOU)]
    page.plot(
        _PLOT,
        TIME,
        [_harm(debrief), _acts(debrief), *panels],
        marks=marks[:_MOST_MARKS],
    )


def _harm(debrief: Debriefing) -> Panel:
    lines = [
        Line(HARM_WORDS[who], np.array(debrief.time_s), np.array(debrief.harm[who]), colour, dash)
        for who, (colour, dash) in _HARM_LINES.items()
        if len(debrief.harm.get(who, [])) == len(debrief.time_s)
    ]
    return Panel("knock harm so far", lines, includes=(0.0,))


def _acts(debrief: Debriefing) -> Panel:
    """Draw what the trainee had the car do, over time."""
    times_s, levels = [debrief.time_s[0]], [0.0]
    for did in debrief.did:
        if did.do == "act" and did.what in _ACTS:
            times_s += [did.time_s, did.time_s]
            levels += [levels[-1], float(_ACTS.index(did.what))]
    times_s.append(debrief.time_s[-1])
    levels.append(levels[-1])
    line = Line("act", np.array(times_s), np.array(levels), PURPLE, width=2.0)
    return Panel("what you did", [line], words=_ACT_WORDS, height=0.5, includes=(0.0,))


def _panel(debrief: Debriefing, trace: TracePoints, units: Units) -> Panel:
    metric = "°C" if trace.unit == "degC" else trace.unit
    times_s = np.array(debrief.time_s)
    zero = units.value(0.0, metric)
    factor = units.value(1.0, metric) - zero

    def line(name: str, points: list[float | None], colour: str, dash: str) -> list[Line]:
        values = np.array(points, dtype=float) * factor + zero
        return [Line(name, times_s, values, colour, dash)] if len(values) == len(times_s) else []

    unit = units.unit(metric)
    return Panel(
        f"{trace.label}, {unit}" if unit != "1" else trace.label,
        [
            *line("without the fault", trace.healthy, INK, "dash"),
            *line("as you drove", trace.values, BLUE, "solid"),
        ],
    )
