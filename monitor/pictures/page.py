"""A page in one HTML file, zoomable plots in it: nothing is fetched, and it prints.

Whoever has something to show makes a ``Page``, adds to it from top to bottom, and writes what
``html`` returns to a new file:

    page = Page("Review of 3 logs")
    page.caution("Readings stay as recorded.")
    page.heading("street.csv", anchor="log-1")
    page.table(("pull", "peak boost, kPa"), [(Cell("1", zoom=("plot-1", 12.0, 15.5)), "171")])
    page.plot("plot-1", TIME, [Panel("boost, kPa", [Line("boost", t_s, boost_kpa)])])

What a plot is made of stands in ``zoomable.py``: its panels are zoomed together, over time since
a log's start (``TIME``), dates (``DATES``), or any number (an ``Axis`` of your own, such as engine
speed). Text is shown as it is, wherever it comes from: none is taken for markup. ``shown``,
``table`` and ``STYLE`` serve pages that draw their own figures.

plotly draws; it is loaded, and its JavaScript put into the file (some 5 MB), only where there is
a plot. Long series are thinned before they come here: some thousand points a line.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any, Final, NamedTuple

from monitor.pictures.zoomable import Axis, Panel, along, figure_of
from simulator.strict import clean

_LONGEST: Final = 2000

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
        figure = figure_of(axis, panels, zones, marks)
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
        from_ms, until_ms = along(begin, in_ms=True), along(end, in_ms=True)
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
