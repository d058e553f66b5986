"""How matplotlib's pictures are begun, laid out and written: of the same, the same bytes."""

import warnings
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Final

from simulator.strict import new_file

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DPI: Final = 120


def save_figure(drawn: Callable[[], "Figure"], path: Path) -> None:
    """Draw a figure by our own settings and write it.

    Args:
        drawn: Draws it.
        path: New file, ``.png`` or ``.svg``.

    Raises:
        BadInput: There is one already, or it can't be written.
    """
    content = rendered(drawn, path.suffix.lower().removeprefix("."))
    with new_file(path) as file:
        file.write(content)


def rendered(drawn: Callable[[], "Figure"], kind: str, *, words: bool = False) -> bytes:
    """Return a figure drawn by our own settings.

    Args:
        drawn: Draws it.
        kind: "png" or "svg".
        words: An SVG's text stays text, in whatever font the reader has.
    """
    import matplotlib as mpl

    # Nothing in the file may depend on the day, on chance or on settings at home: the same run,
    # the same bytes.
    metadata = {"Date": None} if kind == "svg" else {"Software": "flowdebt"}
    with mpl.rc_context(), warnings.catch_warnings():
        mpl.rcdefaults()
        mpl.rcParams["svg.hashsalt"] = "flowdebt"
        mpl.rcParams["svg.fonttype"] = "none" if words else "path"
        warnings.filterwarnings("ignore", "Glyph .* missing")  # of a name in another script
        figure = drawn()
        try:
            figure.savefig(file := BytesIO(), format=kind, dpi=DPI, metadata=metadata)
        finally:
            figure.clear()
    return file.getvalue()


def new_figure(wide_px: float, tall_px: float) -> "Figure":
    """Return an empty figure of a size, at 120 dots an inch."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(wide_px / DPI, tall_px / DPI))
    FigureCanvasAgg(figure)
    return figure


def open_axis(axis: "Axes", size: float = 8.0) -> None:
    """Take an axis's box away at top and right, and set its figures in a size, points."""
    axis.tick_params(labelsize=size)
    for side in ("top", "right"):
        axis.spines[side].set_visible(False)


def plain(text: str) -> str:
    """Return text that matplotlib takes literally (a dollar sign would begin mathematics)."""
    return text.replace("$", r"\$")
