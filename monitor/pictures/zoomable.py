"""Panels one below the other on one horizontal axis, zoomed together, as plotly has them."""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Final, NamedTuple

import numpy as np

from monitor.words.palette import OKABE_ITO
from simulator.strict import clean

_LONGEST: Final = 2000  # characters of any text
INK: Final = "#14171A"
BLUE: Final = OKABE_ITO["blue"]
RED: Final = OKABE_ITO["vermillion"]
GREEN: Final = OKABE_ITO["bluish_green"]
ORANGE: Final = OKABE_ITO["orange"]
PURPLE: Final = OKABE_ITO["reddish_purple"]
_GRID: Final = "#E4E6E9"
_ZONE: Final = "#EEF1F4"
_FONT: Final = "system-ui, 'DejaVu Sans', sans-serif"
_DAY_MS: Final = 946_684_800_000.0  # 2000-01-01
_PANEL_PX: Final = 150
_BETWEEN_PX: Final = 34  # room for a panel's title
_BELOW_PX: Final = 44
_WORD_PX, _STEPS = 12, 4  # of the words of marks


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


def figure_of(
    axis: Axis, panels: Sequence[Panel], zones: Sequence[Any], marks: Sequence[tuple[Any, str]]
) -> Any:
    """Return a plot as plotly has it; the arguments are those of ``Page.plot``."""
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
        where = {"x0": along(begin, in_ms=in_ms), "x1": along(end, in_ms=in_ms)}
        look = {"fillcolor": _ZONE, "line": {"width": 0}, "layer": "below"}
        shapes.append({"type": "rect", **over_all, **where, **look})
    for i, (at, word) in enumerate(marks):
        x = along(at, in_ms=in_ms)
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
        x = along(line.x, in_ms=in_ms)
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


def along(x: Any, *, in_ms: bool) -> Any:
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
