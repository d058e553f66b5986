"""A trend as files: one page with plots to zoom into, Markdown, a row a session as CSV, JSON."""

import csv
import io
import json
from itertools import pairwise
from typing import Any, Final

import numpy as np

from monitor.pictures.page import Cell, Page
from monitor.pictures.zoomable import (
    BLUE,
    DATES,
    GREEN,
    INK,
    ORANGE,
    PURPLE,
    RED,
    Axis,
    Line,
    Panel,
)
from monitor.review.report_files import ADVISES
from monitor.trend.facts import as_json
from monitor.trend.gathered import Trend
from monitor.trend.words import SHOWN, found_in_words, tolerated
from monitor.words.markdown import literal, table
from monitor.words.spreadsheet import cell
from monitor.words.units import METRIC, Units
from simulator.trend.season import DELAY, FLOW, LAG, LINE, SUPPLY, Season

_HUES: Final = (BLUE, GREEN, ORANGE, PURPLE)


def text_of(trend: Trend, units: Units, ending: str) -> str:
    """Return a trend as a file of a kind: ".html", ".md", ".csv" or ".json" (both metric)."""
    if ending == ".json":
        return json.dumps(as_json(trend), allow_nan=False) + "\n"
    if ending == ".csv":
        return _as_csv(trend)
    return _as_page(trend, units) if ending == ".html" else _as_markdown(trend, units)


def _title(trend: Trend) -> str:
    return f"Trend of {trend.rig_file.rig.name}: {len(trend.rows)} sessions"


def _rows(trend: Trend, units: Units) -> tuple[list[str], list[list[str]]]:
    """Return a table of the sessions: its head, and a row each; "-" where one tells nothing."""
    edges = [f"{units.value(edge, 'kPa'):z.0f}" for edge in trend.edges_kpa]
    bands = list(pairwise(edges))
    of = [f"at {low} to {high} {units.unit('kPa')}" for low, high in bands]
    season = trend.season
    names = [name for name in SHOWN if season is not None and name in season.numbers]
    head = ["session", "sprayed, s"]
    head += [f"{SHOWN[FLOW].name} {band}, %" for band in of]
    head += [f"{SHOWN[name].name}, {SHOWN[name].unit}" for name in names] + ["a guard acts"]
    rows = []
    for number, row in enumerate(trend.rows):
        cells = [row.name, f"{row.session.sprayed_s:z.0f}"]
        cells += ["-" if one is None else f"{100.0 * one.value:z.1f}" for one in row.session.flow]
        for name in names:
            assert season is not None
            value, shown = float(season.numbers[name][number]), SHOWN[name]
            cells.append("-" if np.isnan(value) else f"{shown.per * value:z.{shown.decimals}f}")
        rows.append([*cells, row.worst.word.replace("_", " ")])
    kept = [i for i in range(len(head)) if any(row[i] != "-" for row in rows)]
    return [head[i] for i in kept], [[row[i] for i in kept] for row in rows]


def _as_csv(trend: Trend) -> str:
    """Return the sessions, a row each: metric, shares in %, the unit in each column's name."""
    head, rows = _rows(trend, METRIC)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")  # RFC 4180, section 2.1
    writer.writerow(["day", *head])
    for one, row in zip(trend.rows, rows, strict=True):
        cells = ("" if value == "-" else value for value in row[1:])
        writer.writerow([one.day.day or "", cell(row[0]), *cells])
    return text.getvalue()


def _as_markdown(trend: Trend, units: Units) -> str:
    lines = [f"# {literal(_title(trend))}", "", ADVISES, ""]
    lines += [f"- not judged: {literal(why)}" for why in trend.refused.values()]
    for line in found_in_words(trend):
        lines.append(
            f"{'  ' if line != line.lstrip() else ''}- {literal(line.strip())}" if line else ""
        )
    lines += ["", *table(*_rows(trend, units))]
    return "\n".join(lines)


def _as_page(trend: Trend, units: Units) -> str:
    page = Page(_title(trend))
    page.caution(ADVISES)
    for why in trend.refused.values():
        page.caution(f"not judged: {why}")
    for line in filter(None, found_in_words(trend)):
        page.text(line.strip(), deep=line != line.lstrip())
    season = trend.season
    if season is not None:
        _plot(page, trend, season, units)
    page.heading("Sessions")
    head, rows = _rows(trend, units)
    if trend.dated:  # a date that breaks at its dashes is hard to read
        names = [Cell(str(row.day.day), strong=True) for row in trend.rows]
        page.table(head, [[name, *row[1:]] for name, row in zip(names, rows, strict=True)])
    else:
        page.table(head, rows)
    return page.html()


def _plot(page: Page, trend: Trend, season: Season, units: Units) -> None:
    days = np.asarray(season.days, float)
    at: Any = days
    if trend.dated:
        at = np.array([str(row.day.day) for row in trend.rows])
    marks = [(at[min(one.at, len(at) - 1)], one.what) for one in trend.services]
    marks += [(at[span.found[span.main].at], "told") for span in season.spans if span.main]
    panels = [_panel(trend, season, at, name, units) for name in SHOWN if name in season.numbers]
    sums = [
        Line(
            SHOWN[name].name,
            at,
            100.0 * np.max([path for (one, _), path in season.paths.items() if one == name], axis=0)
            / season.limit,
            (*_HUES, INK)[place],
        )
        for place, name in enumerate(season.numbers)
    ]  # fmt: skip
    panels.append(
        Panel("what speaks for a change, % of what it takes", sums, [("told from here on", 100.0)])
    )
    page.plot(
        "sessions",
        DATES if trend.dated else Axis("session, in the order given"),
        panels,
        marks=[(str(where) if trend.dated else float(where), what) for where, what in marks],
        caption="A dot is a session; a line with its band what changed, and where it lies at 90 %. "
        "Drag to zoom, double-click to see all again.",
    )


def _panel(trend: Trend, season: Season, at: Any, name: str, units: Units) -> Panel:
    shown, lines = SHOWN[name], []
    if name == FLOW:
        edges = [f"{units.value(edge, 'kPa'):z.0f}" for edge in trend.edges_kpa]
        for band, (low, high) in enumerate(pairwise(edges)):
            said = [row.session.flow[band] for row in trend.rows]
            values = [np.nan if one is None else 100.0 * one.value for one in said]
            if np.isfinite(values).any():
                hue = _HUES[band % len(_HUES)]
                label = f"{low}-{high} {units.unit('kPa')}"
                lines.append(Line(label, at, values, hue, dots=True))
    label = "over all bands" if name in (FLOW, LINE) else "a session"
    lines.append(Line(label, at, shown.per * season.numbers[name], INK, dots=True))
    for span in season.spans:
        found = span.found.get(name)
        if found is None:
            continue
        here = slice(span.first, span.end)
        low, middle, high = shown.per * found.change.along(season.days[here])
        lines.append(Line("changed", at[here], middle, RED, low=low, high=high, width=1.6))
    limit = tolerated(trend.rig_file.rig, name, rises=name in (DELAY, LAG))
    levels = [] if limit is None else [("rig tolerates", shown.per * limit)]
    of = ", % of what is due" if name in (FLOW, LINE) else f", {shown.unit}"
    height = 1.6 if name == FLOW else 1.0
    return Panel(shown.name + of, lines, levels, height=height, includes=_room(name, season))


def _room(name: str, season: Season) -> tuple[float, ...]:
    """Return what an axis reaches to at least: scatter alone must not look like a change."""
    values = SHOWN[name].per * season.numbers[name]
    half = {SUPPLY: 0.5, DELAY: 20.0, LAG: 20.0}.get(name, 5.0)
    if not np.isfinite(values).any():
        return ()
    middle = 0.5 * float(np.nanmin(values) + np.nanmax(values))
    return middle - half, middle + half
