"""What every pane is shown at a tick, and how a pane draws."""

from abc import abstractmethod
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import ClassVar

from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style
from textual.events import Resize
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from monitor.attach.protocol import outputs_in_words
from monitor.screen.controls import Control
from monitor.screen.picture import Link, Picture
from monitor.screen.trace import Trace
from monitor.words.literal import literal
from monitor.words.palette import Palette
from monitor.words.units import METRIC, Units

Row = list[Segment]


@dataclass(frozen=True, slots=True)
class Frozen:
    """A moment held fast, for the plots alone.

    Attributes:
        trace: A copy of the rows there were; the picture's own goes on and forgets.
        end_s: Data time at the right edge.
        at_s: Steady time when it was frozen.
    """

    trace: Trace
    end_s: float
    at_s: float


@dataclass(frozen=True, slots=True)
class View:
    """One moment's view: the picture, the time, and what the person at the keys chose.

    ``axis_s`` is data time at which the plots end; None: at the newest row, or the frozen one.
    """

    picture: Picture
    now_s: float
    palette: Palette
    span_s: float
    chosen: int = 0
    stopping: bool = False
    footer: tuple[Control, ...] = ()
    offered: tuple[Control, ...] = ()
    units: Units = METRIC
    frozen: Frozen | None = None
    axis_s: float | None = None

    @property
    def link(self) -> Link:
        """How things stand with the guard."""
        return self.picture.link(self.now_s)

    @property
    def old(self) -> bool:
        """Whether what is shown is not the present."""
        return self.link is not Link.LIVE

    @property
    def driven(self) -> str:
        """What is driven, if anything; always shown."""
        frame = self.picture.frame
        said = "" if frame is None else outputs_in_words(frame.outputs)
        if said and self.link in (Link.GONE, Link.HUNG):  # an old picture must not say "held"
            said = "OUTPUT ARMED, UNKNOWN" if self.picture.armed else "output dry run"
        return said or "advises only: no output is driven"

    @property
    def trace(self) -> Trace:
        """The rows that plots and trends draw: the newest, or those of the frozen moment."""
        return self.picture.trace if self.frozen is None else self.frozen.trace

    @property
    def axis_end_s(self) -> float:
        """Data time at the right edge of the plots; runs on while data is missing."""
        if self.axis_s is not None:
            return self.axis_s
        if self.frozen is not None:
            return self.frozen.end_s
        newest_s = self.picture.trace.newest("time_s")
        if self.link is Link.HUNG:
            return newest_s + self.picture.silence_s(self.now_s)
        return newest_s

    def say(self, text: object, role: str = "ink") -> Segment:
        """Return literal text in a role's style."""
        return literal(text, self.palette.text[role])

    def lines(self, lines: Iterable[str], role: str = "ink") -> list[Row]:
        """Return lines of text as rows, one cell in from the left."""
        return [[self.say(" "), self.say(line, role)] for line in lines]

    def ground(self) -> Style:
        """Return the style of empty cells."""
        return self.palette.text["ink"]

    def spread(self, left: Row, right: Row, width: int) -> Row:
        """Return a row with its parts at both ends; the right gives way where both don't fit."""
        space = width - width_of(left) - width_of(right)
        if space < 1:
            return left
        return [*left, Segment(" " * space, self.ground()), *right]


def width_of(row: Row) -> int:
    """Return a row's width in cells."""
    return sum(cell_len(segment.text) for segment in row)


class Pane(Widget):
    """A widget that draws rows of segments, and refreshes only the rows that changed."""

    can_focus: ClassVar[bool] = False  # type: ignore[misc]  # Textual sets it per class too
    _lines: Sequence[Strip] = ()
    _view: View | None = None

    @abstractmethod
    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Return the rows to show, at most ``height``; longer ones are cut at ``width`` cells."""

    def show(self, view: View) -> None:
        """Draw a view, where it looks different from the last one."""
        self._view = view
        width, height = self.size
        if not width or not height or not self.display:
            return
        ground = view.ground()
        rows = self.draw(view, width, height)[:height]
        rows += [[]] * (height - len(rows))
        lines = [Strip(row).adjust_cell_length(width, ground) for row in rows]
        before, self._lines = self._lines, lines
        if len(before) != len(lines):
            self.refresh()
            return
        changed = [Region(0, y, width, 1) for y, line in enumerate(lines) if line != before[y]]
        if changed:
            self.refresh(*changed)

    def on_resize(self, event: Resize) -> None:
        """Draw anew at another size."""
        del event
        if self._view is not None:
            self._lines = ()
            self.show(self._view)

    def render_line(self, y: int) -> Strip:
        """Return one row; Textual's own hook."""
        if y < len(self._lines):
            return self._lines[y]
        # A strip without a style crashes Textual's filter for NO_COLOR.
        style = self.rich_style if self._view is None else self._view.ground()
        return Strip.blank(self.size.width, style)


class Page(Pane):
    """A pane that takes the middle of the screen while it is open."""

    DEFAULT_CLASSES = "page"
