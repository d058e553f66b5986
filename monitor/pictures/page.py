"""A page in one HTML file, zoomable plots in it: nothing is fetched, and it prints.

Whoever has something to show makes a ``Page``, adds to it from top to bottom, and writes what
``html`` returns to a new file:

    page = Page("Review of 3 logs")
    page.caution("Readings stay as recorded.")
    page.heading("street.csv", anchor="log-1")
    page.table(("pull", "peak boost, kPa"), [(Cell("1", zoom=("plot-1", 12.0, 15.5)), "171")])
    page.plot("plot-1", TIME, [Panel("boost, kPa", [Line("boost", t_s, boost_kpa)])])

The panels of one plot stand one below the other on one horizontal axis, so that they are zoomed
together: of time since a log's start (``TIME``), of dates (``DATES``), or of any number (an
``Axis`` of your own, such as engine speed). Text is shown as it is, wherever it comes from: none
is taken for markup. ``shown``, ``table`` and ``STYLE`` serve pages that draw their own figures.

plotly draws; it is loaded, and its JavaScript put into the file (some 5 MB), only where there is
a plot. Long series are thinned before they come here: some thousand points a line.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any, Final, NamedTuple

import numpy as np

from monitor.words.palette import OKABE_ITO
from simulator.strict import clean

_LONGEST: Final = 2000
INK: Final = "#14171A"
BLUE: Final = OKABE_ITO["blue"]
RED: Final = OKABE_ITO["vermillion"]
GREEN: Final = OKABE_ITO["bluish_green"]
ORANGE: Final = OKABE_ITO["orange"]
PURPLE: Final = OKABE_ITO["reddish_purple"]
_GRID: Final = "#E4E6E9"
_ZONE: Final = "#EEF1F4"
_FONT: Final = "system-ui, 'DejaVu Sans', sans-serif"

STYLE: Final = """
body { font: 15px/1.45 system-ui, "DejaVu Sans", sans-serif; color: #14171A; background: #FFF;
  max-width: 1120px; margin: 1.5em auto; padding: 0 1.2em; }
h1 { font-size: 1.6em; margin: 0 0 0.4em; } h2 { font-size: 1.25em; margin: 1.6em 0 0.4em; }
h3 { font-size: 1.05em; margin: 1.6em 0 0.2em; } p { margin: 0.4em 0; }
h1, h2, h3, p { overflow-wrap: anywhere; }
table { border-collapse: collapse; margin: 0.6em 0; font-size: 0.93em; }
th, td { border-bottom: 1px solid #D5D9DE; padding: 0.25em 0.7em 0.25em 0; text-align: left;
  vertical-align: top; overflow-wrap: anywhere; }
th, td > b { white-space: nowrap; }
code { font: 0.88em "DejaVu Sans Mono", monospace; overflow-wrap: anywhere; }
code span { white-space: nowrap; }
p.caution { border-left: 4px solid #E69F00; padding: 0.3em 0.8em; margin: 0.8em 0; }
svg { width: 100%; height: auto; }
@page { size: A4; margin: 14mm; }
@media print { body { font-size: 9.5pt; max-width: none; margin: 0; padding: 0; }
  section.row, tr, figure { break-inside: avoid; } h2, h3 { break-after: avoid; }
  a { color: inherit; text-decoration: none; } }
figure { margin: 0.5em 0; }
"""
# Plots are drawn to their own size; a wide table scrolls by itself, on paper it is whole.
_PLOTS_STYLE: Final = """
figure svg { width: initial; height: initial; }
div.wide { overflow-x: auto; } div.wide th { white-space: normal; }
div.wide th, div.wide td { overflow-wrap: break-word; }
p.deep { margin: 0 0 0 2em; font-size: 0.93em; }
td { font-variant-numeric: tabular-nums; }
@media (max-width: 600px) { body { margin: 0.8em auto; padding: 0 0.6em; } }
@media print { div.wide { overflow: visible; } .modebar { display: none !important; }
  figure > div, .plotly-graph-div { height: auto !important; }
  div.wide table { font-size: 7pt; } div.wide th, div.wide td { padding-right: 0.6em; } }
"""
# A link shows its stretch of a plot; linked plots show the same; on paper each plot is as wide as
# the page, whole on one.
_SCRIPT: Final = """
"use strict";
const plots = () => [...document.querySelectorAll(".js-plotly-plot")];
document.addEventListener("click", (event) => {
  const link = event.target.closest("a[data-plot]");
  const plot = link && document.getElementById(link.dataset.plot);
  if (plot) Plotly.relayout(plot, { "xaxis.autorange": false,
    "xaxis.range": [Number(link.dataset.from), Number(link.dataset.until)] });
});
window.addEventListener("load", () => { for (const plot of plots())
  plot.on("plotly_relayout", () => {
    const { range } = plot.layout.xaxis, { link } = plot.closest("figure").dataset;
    for (const other of plots())
      if (link && other.closest("figure").dataset.link === link
          && String(other.layout.xaxis.range) !== String(range))
        Plotly.relayout(other, { "xaxis.autorange": false, "xaxis.range": [...range] });
  }); });
window.addEventListener("beforeprint", () => { for (const plot of plots())
  Plotly.relayout(plot, { autosize: false, width: 680,
    height: Math.min(0.8 * plot.layout.meta, 940) }); });
window.addEventListener("afterprint", () => { for (const plot of plots())
  Plotly.relayout(plot, { autosize: true, width: undefined, height: plot.layout.meta }); });
"""


def head(title: str, style: str = STYLE, *, scripts: bool = False) -> str:
    """Return a page up to its body; what it loads is forbidden to come from anywhere.

    Args:
        title: As text.
        style: CSS.
        scripts: Whether what stands in the page itself may run.
    """
    may_run = " script-src 'unsafe-inline'; img-src data: blob:;" if scripts else ""
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"/>'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        f"base-uri 'none'; form-action 'none';{may_run} style-src 'unsafe-inline'\"/>"
        '<meta name="viewport" content="width=device-width, initial-scale=1"/>'
        f"<title>{shown(title)}</title><style>{style}</style></head><body>"
    )


def shown(text: str) -> str:
    """Return text as HTML that shows it as it is, on one line."""
    return escape(clean(text, _LONGEST))


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[str]:
    """Yield a table, its cells HTML."""
    yield (
        "<table><thead><tr>" + "".join(f"<th>{cell}</th>" for cell in head) + "</tr></thead><tbody>"
    )
    for cells in rows:
        yield "<tr>" + "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>"
    yield "</tbody></table>"


class Cell(NamedTuple):
    """A table's cell that is more than text.

    ``to`` is the anchor it leads to; ``zoom`` a plot's name and a stretch of its axis, which it
    shows; ``strong`` what should be read first; ``code`` a command.
    """

    text: str
    to: str = ""
    zoom: tuple[str, float, float] | None = None
    strong: bool = False
    code: bool = False


class Axis(NamedTuple):
    """The horizontal axis of a plot's panels. ``kind``: "time" (s), "date" or "number"."""

    title: str
    kind: str = "number"


TIME: Final = Axis("since the start", "time")
DATES: Final = Axis("", "date")


@dataclass(frozen=True, slots=True)
class Line:
    """What a panel draws.

    Attributes:
        name: What it is, in a word or two.
        x: Along the axis, (n,): s, dates (ISO text or datetime64) or numbers.
        y: (n,); NaN: nothing is drawn there.
        colour: As #RRGGBB.
        dash: "solid", "dash", "dot" or "dashdot".
        dots: Points alone, not joined.
        width: Of the line, pixels.
        low: Lower edge of a band about it, (n,); None: none.
        high: Its upper edge.
        hover: What it is called where the pointer is: of several lines of one name; "": its name.
    """

    name: str
    x: Any
    y: Any
    colour: str = INK
    dash: str = "solid"
    dots: bool = False
    width: float = 1.2
    low: Any = None
    high: Any = None
    hover: str = ""


@dataclass(frozen=True, slots=True)
class Panel:
    """One of a plot's panels.

    Attributes:
        title: What is drawn, and its unit.
        lines: At least one.
        levels: Horizontal lines: what each is, and where.
        words: Names for values of the vertical axis, such as those of actions.
        height: To the others' 1.
        includes: Values that the vertical axis goes to, or beyond.
    """

    title: str
    lines: Sequence[Line]
    levels: Sequence[tuple[str, float]] = ()
    words: Sequence[tuple[float, str]] = ()
    height: float = 1.0
    includes: Sequence[float] = ()


@dataclass(frozen=True, slots=True)
class Page:
    """A page that grows from top to bottom.

    Attributes:
        title: Also its first heading.
    """

    title: str
    _parts: list[str] = field(default_factory=list)
    _plots: list[str] = field(default_factory=list)  # their names

    def heading(self, text: str, anchor: str = "", level: int = 2) -> None:
        """Add a heading, of level 2 or 3; ``anchor`` is what links lead to."""
        name = f' id="{escape(anchor)}"' if anchor else ""
        self._parts.append(f"<h{level}{name}>{shown(text)}</h{level}>")

    def text(self, text: str, *, deep: bool = False) -> None:
        """Add a paragraph; one that is ``deep`` belongs to that before."""
        self._parts.append(f"<p{' class=deep' if deep else ''}>{shown(text)}</p>")

    def caution(self, text: str) -> None:
        """Add a paragraph that nobody should miss."""
        self._parts.append(f'<p class="caution">{shown(text)}</p>')

    def command(self, text: str) -> None:
        """Add a command, to be copied."""
        self._parts.append(f"<p><code>{shown(text)}</code></p>")

    def table(self, head: Sequence[str], rows: Iterable[Sequence[str | Cell]]) -> None:
        """Add a table, its cells text or more; columns of figures should be named so."""
        cells = [tuple(map(_cell, row)) for row in rows]
        self._parts.extend(('<div class="wide">', *table([*map(shown, head)], cells), "</div>"))

    def plot(
        self,
        name: str,
        axis: Axis,
        panels: Sequence[Panel],
        *,
        zones: Sequence[tuple[float, float]] = (),
        marks: Sequence[tuple[Any, str]] = (),
        caption: str = "",
        link: str = "",
    ) -> None:
        """Add a plot: panels one below the other, zoomed together.

        Args:
            name: Its own in the page, a plain word; cells with ``zoom`` call it so.
            axis: What its panels have in common.
            panels: From top to bottom.
            zones: Stretches of the axis to shade in all panels.
            marks: Places on the axis to mark in all panels, and a word for each.
            caption: Below it.
            link: Plots of one link are zoomed together; a plain word, "": it is by itself.

        Raises:
            ValueError: The name is taken, or no panel is there.
        """
        if name in self._plots or not panels:
            raise ValueError(f"found plot {name!r} a second time or empty, expected its own name")
        from plotly.io import to_html

        self._plots.append(name)
        figure = _figure(axis, panels, zones, marks)
        drawn = to_html(
            figure,
            config=_CONFIG,
            include_plotlyjs=False,
            full_html=False,
            div_id=escape(name),
            default_height=f"{figure.layout.height}px",
        )
        said = f"<figcaption>{shown(caption)}</figcaption>" if caption else ""
        linked = f' data-link="{escape(link)}"' if link else ""
        self._parts.append(f"<figure{linked}>{drawn}{said}</figure>")

    def html(self) -> str:
        """Return the page; the same is the same bytes."""
        scripts: tuple[str, ...] = ()
        if self._plots:
            from plotly.offline import get_plotlyjs

            scripts = (f"<script>{get_plotlyjs()}</script>", f"<script>{_SCRIPT}</script>")
        begin = head(self.title, STYLE + _PLOTS_STYLE, scripts=bool(scripts))
        title = f"<h1>{shown(self.title)}</h1>"
        return "\n".join([begin, *scripts, title, *self._parts, "</body></html>\n"])


def _cell(cell: str | Cell) -> str:
    if isinstance(cell, str):
        return shown(cell)
    text = shown(cell.text)
    if cell.code:  # an option that breaks at its dashes is hard to read
        text = f"<code>{_OPTION.sub(_WHOLE, text)}</code>"
    if cell.strong:
        text = f"<b>{text}</b>"
    if cell.zoom is not None:
        name, begin, end = cell.zoom
        from_ms, until_ms = _along(begin, in_ms=True), _along(end, in_ms=True)
        data = f'data-plot="{escape(name)}" data-from="{from_ms}" data-until="{until_ms}"'
        return f'<a href="#{escape(name)}" {data}>{text}</a>'
    return f'<a href="#{escape(cell.to)}">{text}</a>' if cell.to else text


_OPTION: Final = re.compile(r"(?<!\S)--[\w-]+")
_WHOLE: Final = r"<span>\g<0></span>"
_CONFIG: Final = {
    **{"displaylogo": False, "responsive": True},
    "showSendToCloud": False,  # it would offer to send the data away
    "modeBarButtonsToRemove": ["select2d", "lasso2d"],
}
_DAY_MS: Final = 946_684_800_000.0  # 2000-01-01
_PANEL_PX: Final = 150
_BETWEEN_PX: Final = 34  # room for a panel's title
_BELOW_PX: Final = 44
_WORD_PX, _STEPS = 12, 4  # of the words of marks


def _figure(
    axis: Axis, panels: Sequence[Panel], zones: Sequence[Any], marks: Sequence[tuple[Any, str]]
) -> Any:
    """Return a plot as plotly has it."""
    from plotly.graph_objects import Figure
    from plotly.subplots import make_subplots

    heights = [_PANEL_PX * panel.height for panel in panels]
    drawn_px = sum(heights) + _BETWEEN_PX * (len(panels) - 1)
    height_px = round(drawn_px + _BETWEEN_PX + _BELOW_PX)
    figure: Figure = make_subplots(
        rows=len(panels),
        cols=1,
        shared_xaxes=True,
        row_heights=heights,
        vertical_spacing=_BETWEEN_PX / drawn_px if len(panels) > 1 else 0.0,
    )
    figure.update_layout(
        template="none",
        height=height_px,
        meta=height_px,  # what a printed plot goes back to
        margin={"l": 58, "r": 12, "t": _BETWEEN_PX, "b": _BELOW_PX},
        font={"family": _FONT, "size": 11, "color": INK},
        showlegend=False,
        hovermode="x unified",
        hoversubplots="axis",
        dragmode="zoom",
    )
    in_ms = axis.kind == "time"
    # All at once: plotly takes longer for each that is added to many.
    shapes: list[dict[str, Any]] = []
    notes: list[dict[str, Any]] = []
    for number, panel in enumerate(panels, start=1):
        _draw(figure, number, panel, shapes, notes, in_ms=in_ms)
    axes: dict[str, Any] = {"gridcolor": _GRID, "zeroline": False, "showline": True}
    figure.update_xaxes(**axes, **_ticks(axis, panels))
    figure.update_yaxes(**axes, nticks=5, hoverformat=".4~g", linecolor=INK)
    figure.update_xaxes(row=len(panels), title={"text": _literal(axis.title), "standoff": 4})
    over_all = {"xref": "x", "yref": "paper", "y0": 0.0, "y1": 1.0}
    for begin, end in zones:
        where = {"x0": _along(begin, in_ms=in_ms), "x1": _along(end, in_ms=in_ms)}
        look = {"fillcolor": _ZONE, "line": {"width": 0}, "layer": "below"}
        shapes.append({"type": "rect", **over_all, **where, **look})
    for i, (at, word) in enumerate(marks):
        x = _along(at, in_ms=in_ms)
        line = {"color": RED, "width": 1, "dash": "dot"}
        shapes.append({"type": "line", **over_all, "x0": x, "x1": x, "line": line})
        notes.append(
            {
                **{"x": x, "y": 1.0, "xref": "x", "yref": "paper", "text": _literal(word)},
                **{"showarrow": False, "xanchor": "left", "yanchor": "top"},
                "yshift": -_WORD_PX * (i % _STEPS),  # words of neighbours don't hide one another
                "font": {"color": RED, "size": 10},
            }
        )
    figure.update_layout(shapes=shapes, annotations=notes)
    return figure


def _draw(
    figure: Any,
    number: int,
    panel: Panel,
    shapes: list[dict[str, Any]],
    notes: list[dict[str, Any]],
    *,
    in_ms: bool,
) -> None:
    """Draw a panel, its title above it naming each line in its colour, one of each name."""
    named: list[str] = []
    for line in panel.lines:
        x = _along(line.x, in_ms=in_ms)
        where = {"row": number, "col": 1}
        if line.low is not None:
            band = {"mode": "lines", "line": {"width": 0}, "hoverinfo": "skip"}
            figure.add_scatter(x=x, y=_floats(line.low), **band, **where)
            fill = (
                f"rgba({', '.join(str(int(line.colour[i : i + 2], 16)) for i in (1, 3, 5))}, 0.2)"
            )
            figure.add_scatter(
                x=x, y=_floats(line.high), fill="tonexty", fillcolor=fill, **band, **where
            )
        looks: dict[str, Any] = {"line": {"color": line.colour, "width": line.width}}
        looks["line"]["dash"] = line.dash
        if line.dots:
            looks = {"marker": {"color": line.colour, "size": 6}}
        mode = "markers" if line.dots else "lines"
        figure.add_scatter(
            x=x,
            y=_floats(line.y),
            name=_literal(line.hover or line.name),
            mode=mode,
            **looks,
            **where,
        )
        sign = {"solid": "━", "dash": "╍", "dot": "┈", "dashdot": "┅"}[line.dash]
        sign = "●" if line.dots else sign
        label = f'<span style="color:{line.colour}">{sign} {_literal(line.name)}</span>'
        if label not in named:
            named.append(label)
    own = "" if number == 1 else str(number)
    for name, value in panel.levels:
        line_look = {"color": RED, "width": 1, "dash": "dash"}
        over: dict[str, Any] = {"xref": f"x{own} domain", "yref": f"y{own}", "x0": 0.0, "x1": 1.0}
        shapes.append({"type": "line", **over, "y0": value, "y1": value, "line": line_look})
        named.append(f'<span style="color:{RED}">╌ {_literal(name)}</span>')
    y = figure.layout[f"yaxis{own}"]
    notes.append(
        {
            "text": f"<b>{_literal(panel.title)}</b>  " + "  ".join(named),
            **{"x": 0.0, "xref": "paper", "xanchor": "left", "xshift": -46},
            **{"y": y.domain[1], "yref": "paper", "yanchor": "bottom", "yshift": 2},
            **{"showarrow": False, "align": "left"},
        }
    )
    if panel.words:
        values, words = zip(*panel.words, strict=True)
        y.update(tickvals=list(values), ticktext=[*map(_literal, words)])
    if panel.includes:
        y.update(autorangeoptions={"include": list(panel.includes)})


def _ticks(axis: Axis, panels: Sequence[Panel]) -> dict[str, Any]:
    """Return how places on the axis are written."""
    if axis.kind != "time":
        return {"type": "date"} if axis.kind == "date" else {"type": "linear"}
    ends = [float(np.max(line.x)) for panel in panels for line in panel.lines if len(line.x)]
    minutes = "%-H:%M:%S" if max(ends, default=0.0) >= 3600.0 else "%-M:%S"
    short = {"dtickrange": [None, 999], "value": f"{minutes}.%2f"}
    long = {"dtickrange": [1000, None], "value": minutes}
    return {"type": "date", "tickformatstops": [short, long], "hoverformat": f"{minutes}.%2f"}


def _along(x: Any, *, in_ms: bool) -> Any:
    """Return places on an axis as plotly takes them: times in ms, as of a date.

    They count from some day: plotly takes a number of four digits for a year.
    """
    if not in_ms:
        return x
    since_ms = np.round(1e3 * np.asarray(x, float), 1) + _DAY_MS
    return since_ms if since_ms.ndim else float(since_ms)


def _floats(y: Any) -> Any:
    """Return values in half the room: a screen tells no more apart."""
    return np.asarray(y, np.float32)


def _literal(text: str) -> str:
    """Return text as plotly shows it: it takes some tags and entities for markup."""
    return escape(clean(text, _LONGEST), quote=False)
