"""A review of logs as one page: what was worst, each log's pulls, and plots to zoom into."""

from collections.abc import Sequence
from math import isfinite
from typing import Any, Final

import numpy as np

from monitor.pictures.page import Cell, Page
from monitor.pictures.zoomable import BLUE, GREEN, INK, ORANGE, PURPLE, RED, TIME, Line, Panel
from monitor.review.report_files import (
    ADVISES,
    Answers,
    facts_of,
    log_rows,
    moment_rows,
    pull_rows,
)
from monitor.review.review import Review
from monitor.review.several import Moment, worst_first
from monitor.words.times import CLOCK_FROM_S
from monitor.words.units import Units
from rules.channels import INTAKE, LINE
from rules.events import Event
from rules.facts import Action

MOST_DRAWN: Final = 12  # logs, the worst ones: a page of some MB
MOST_REFUSED_FIRST: Final = 3  # more of them would hide what was found in the others
_MOST_SHADED: Final = 200
_OF_AN_EVENT: Final = 10  # blanks before a line that says more of one
_ROUND_S: Final = 3.0  # shown before and behind what a link leads to
_ACTIONS: Final = ((0.0, "none"), (1.0, "warn"), (2.0, "pull"), (3.0, "cut"))
HOW_TO_READ: Final = (
    "A pull is a run at full throttle. Expected is what the flow sensor should have read of what "
    "was commanded, by the rig; the worst shortfall is that of its worst half second of steady "
    "spray. Evidence says how sure it is that spray is missing, debt how much: at 100 % of their "
    "limits timing is pulled, and boost cut. A pull's number shows it in the plot; drag there to "
    "zoom, double-click to see all again."
)


def as_page(answers: Answers) -> str:
    """Return what was found in some logs as one HTML file."""
    page = Page(answers.title)
    page.caution(ADVISES)
    refused = answers.refused
    if len(refused) > MOST_REFUSED_FIRST:
        page.caution(f"{len(refused)} logs could not be judged: the end of this page says why.")
    else:
        for name, why in refused.items():
            page.caution(f"{name} could not be judged: {why}")
    drawn = [id(one) for one in worst_first(answers.reviews)[:MOST_DRAWN] if one.trace is not None]
    plots = {id(log): f"plot-{i}" for i, log in enumerate(answers.reviews, 1) if id(log) in drawn}
    if answers.moments():
        page.heading("Worst moments")
        page.table(*_moments(answers, plots))
    if len(answers.reviews) > 1:
        page.heading("Logs")
        head, rows = log_rows(answers)
        named = [Cell(row[0], to=f"log-{i}") for i, row in enumerate(rows, 1)]
        page.table(head, [[name, *row[1:]] for name, row in zip(named, rows, strict=True)])
    page.text(HOW_TO_READ)
    for number, log in enumerate(answers.reviews, 1):
        _log(page, log, f"log-{number}", plots.get(id(log)), answers.units)
    if len(plots) < len(answers.reviews):
        page.text(f"Drawn are the {len(plots)} worst of {len(answers.reviews)} logs.")
    if len(refused) > MOST_REFUSED_FIRST:
        page.heading("Not judged")
        page.table(("log", "why"), list(refused.items()))
    return page.html()


def _moments(answers: Answers, plots: dict[int, str]) -> tuple[list[str], list[list[str | Cell]]]:
    """Return the worst moments as a table, each with a link to its place in a plot."""
    head, rows = moment_rows(answers)
    of = {log.path: log for log in answers.reviews}
    cells: list[list[str | Cell]] = []
    for row, one in zip(rows, answers.moments(), strict=True):
        number, log, at, *what, command = row
        link = _to_moment(one, of[one.path], plots)
        cells.append([number, log, Cell(at, zoom=link), *what, Cell(command, code=True)])
    return head, cells


def _to_moment(one: Moment, log: Review, plots: dict[int, str]) -> tuple[str, float, float] | None:
    name, at_s = plots.get(id(log)), one.time_s - _begin_s(log)
    return None if name is None else (name, at_s - _ROUND_S, at_s + _ROUND_S)


def _begin_s(log: Review) -> float:
    """Return what times of a log are counted from: its start, where they are a clock's."""
    from_s = log.span.from_s or 0.0
    return from_s if from_s >= CLOCK_FROM_S else 0.0


def _log(page: Page, log: Review, anchor: str, plot: str | None, units: Units) -> None:
    page.heading(log.source, anchor=anchor)
    for line in facts_of(log, units):
        page.text(line.strip(), deep=len(line) - len(line.lstrip()) > _OF_AN_EVENT)
    begin_s = _begin_s(log)
    if log.pulls:
        head, rows = pull_rows(log, units)
        spans = [(one.pull.start_s - begin_s, one.pull.end_s - begin_s) for one in log.pulls]
        cells: list[list[str | Cell]] = []
        for number, (row, (start_s, end_s)) in enumerate(zip(rows, spans, strict=True), 1):
            zoom = None if plot is None else (plot, start_s - _ROUND_S, end_s + _ROUND_S)
            cells.append([Cell(str(number), zoom=zoom), *row])
        page.table(("pull", *head), cells)
    if plot is None:
        return
    page.plot(
        plot,
        TIME,
        _panels(log, units),
        zones=[
            (one.pull.start_s - begin_s, one.pull.end_s - begin_s)
            for one in log.pulls[:_MOST_SHADED]
        ],
        caption=f"{log.source}, judged by {log.rig}. Shaded: pulls. Each line shows the lowest and "
        "the highest of what was read.",
    )


def _panels(log: Review, units: Units) -> list[Panel]:
    def line(name: str, key: str, metric: str, colour: str, dash: str = "solid") -> Line | None:
        assert log.trace is not None
        time_s, values = log.trace.line(key)
        if not len(time_s):
            return None
        values = np.asarray([units.value(1.0, metric) - units.value(0.0, metric)]) * values
        values = values + units.value(0.0, metric)
        return Line(name, time_s - _begin_s(log), values, colour, dash)

    def panel(
        title: str, metric: str, lines: Sequence[Line | None], limit: str = "", **more: Any
    ) -> Panel | None:
        found = [one for one in lines if one is not None]
        if not found:
            return None
        level = log.limits.get(limit, np.inf)
        levels = [("limit", units.value(level, metric))] if isfinite(level) else []
        unit = units.unit(metric)
        return Panel(f"{title}, {unit}" if unit else title, found, levels, **more)

    flow = [
        line("commanded", "commanded_ml_min", "mL/min", BLUE),
        line("expected", "expected_ml_min", "mL/min", INK, "dash"),
        line("delivered", "delivered_ml_min", "mL/min", GREEN),
    ]
    pressure = None
    if log.spray.witness == LINE:
        due = line("due", "line_due_kpa", "kPa", INK, "dash")
        pressure = panel("line pressure", "kPa", [due, line("read", "line_kpa", "kPa", GREEN)])
    if log.spray.witness in {LINE, INTAKE}:
        flow = flow[:2]
    shares = [
        line("evidence (at 100 timing is pulled)", "evidence_pct", "%", PURPLE),
        line("debt (at 100 boost is cut)", "debt_pct", "%", RED, "dash"),
    ]
    shares_panel = panel("of their limits", "%", shares, includes=(0.0,))
    panels = [
        _done(log),
        panel("boost", "kPa", [line("boost", "boost_kpa", "kPa", INK)], "boost_kpa"),
        panel("flow", "mL/min", flow, includes=(0.0,)),
        pressure,
        shares_panel,
        panel("intake", "°C", [line("intake", "intake_c", "°C", ORANGE)], "intake_c"),
        panel("knock", "", [line("knock", "knock", "", INK)], "knock", includes=(0.0,)),
        panel(
            "injector duty",
            "%",
            [line("duty", "injector_duty_pct", "%", INK)],
            "injector_duty_pct",
        ),
    ]
    return [one for one in panels if one is not None]


def _done(log: Review) -> Panel | None:
    """Draw what was done, over time."""
    assert log.trace is not None
    if not log.events or not len(log.trace.time_s):
        return None
    begin_s, last_s = float(log.trace.time_s[0]), float(log.trace.time_s[-1])
    turns = {begin_s, last_s}
    for event in log.events:
        turns |= {step.time_s for step in event.steps}
        turns.add(last_s if event.until_s is None else event.until_s)
    time_s, level = [], []
    before = 0.0
    for at_s in sorted(turns):
        now = max((_level(event, at_s) for event in log.events), default=0.0)
        time_s += [at_s, at_s]
        level += [before, now]
        before = now
    shown_s = np.array(time_s) - _begin_s(log)
    line = Line("action", shown_s, np.array(level), RED, width=2.0)
    return Panel("what is done", [line], words=_ACTIONS, height=0.6, includes=(3.0,))


def _level(event: Event, at_s: float) -> float:
    if event.until_s is not None and at_s >= event.until_s:
        return 0.0
    return float(max((Action.named(s.action) for s in event.steps if s.time_s <= at_s), default=0))
