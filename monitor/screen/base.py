"""What live dashboard and replay have in common: panes, pages, keys, theme, the line to type in."""

import asyncio
import contextlib
import signal
from abc import abstractmethod
from collections.abc import Callable, Iterable, Sequence
from typing import ClassVar, Final

from textual.app import ComposeResult
from textual.containers import Container
from textual.events import Resize
from textual.filter import LineFilter, NoColor
from textual.geometry import Size
from textual.screen import Screen
from textual.theme import Theme

from monitor.screen.ask_line import AskLine
from monitor.screen.controls import Control, bindings, offers
from monitor.screen.finder import Finder
from monitor.screen.keys_in_order import KeysInOrder
from monitor.screen.panes.banner import Banner
from monitor.screen.panes.boost import BoostTrend
from monitor.screen.panes.channels import Channels
from monitor.screen.panes.detail import EventDetail
from monitor.screen.panes.events import EventList
from monitor.screen.panes.evidence_and_debt import EvidenceAndDebt
from monitor.screen.panes.help_text import LIVE_SIGNS, SIGNS, Help
from monitor.screen.panes.keys import Keys
from monitor.screen.panes.link_line import LinkLine
from monitor.screen.panes.plot import SprayPlot
from monitor.screen.panes.spray_path import SprayPath
from monitor.screen.panes.standing import StandingAlarms
from monitor.screen.panes.statistics import Statistics
from monitor.screen.panes.too_small import LEAST_HEIGHT, LEAST_WIDTH, TooSmall
from monitor.screen.picture import Picture
from monitor.screen.view import Frozen, Page, Pane, View
from monitor.words.look import Look
from monitor.words.palette import PALETTES, Palette, palette_for
from monitor.words.units import ALL_UNITS

TICK_S: Final = 0.1
SPANS_S: Final = (20.0, 60.0, 10.0)
WIDE: Final = (120, 34)
TALL: Final = 46  # from this height on, trends get two rows each
LARGE: Final = (180, 48)
BROAD: Final = 180  # from here the alarms have room beside the events

CHOOSE: Final = Control(
    "",
    "↑↓",
    "",
    "event",
    "choose an event; why, and what to check, stand beside it",
    55,
    asks=False,
)
COMMON: Final = (
    Control(
        "ctrl+p",
        "^p, ctrl+p",
        "find",
        "find",
        "find what can be done by a few letters",
        47,
        asks=False,
    ),
    Control("s", "s", "span", "span", "switch the span of the plots: 10, 20 or 60 seconds", 50),
    Control(
        "t", "t", "theme", "theme", "go round the themes: dark, light, high contrast, no colour", 60
    ),
    Control("u", "u", "units", "units", "switch between metric and US units; debt stays mL", 65),
    Control("c", "c", "page('counts')", "counts", "counts: what came, and what became of it", 80),
    Control(
        "question_mark", "?", "page('help')", "help", "open and close this help; so does escape", 45
    ),
)

FREEZE: Final = Control(
    "f", "f", "freeze", "freeze", "freeze the plots, and let them go on; all else stays live", 40
)
_NO_COLOUR: Final = NoColor()
_UNSAID: Final = (
    Control("up", "", "choose(-1)", "newer", ""),
    Control("down", "", "choose(1)", "older", ""),
    Control("escape", "", "escape", "back", ""),
)


class BaseDashboard(KeysInOrder):
    """The panes in their arrangement. Who inherits says what they show (``view``) and adds keys.

    A *page* is a pane that takes the middle of the screen while it is open; one at a time. The top
    line, which says what is done to the engine, never gives way.
    """

    CSS_PATH = "dashboard.tcss"
    AUTO_FOCUS = None
    ENABLE_COMMAND_PALETTE = False
    ALLOW_SELECT: ClassVar[bool] = False
    CONTROLS: ClassVar[tuple[Control, ...]] = ()  # made by ``tidy``; the keys are bound by it

    def __init_subclass__(cls) -> None:
        """Bind the keys of the class's own table."""
        cls.BINDINGS = bindings((*cls.CONTROLS, *_UNSAID))
        super().__init_subclass__()

    def __init__(self, picture: Picture, look: Look, clock: Callable[[], float]) -> None:
        super().__init__()
        self.picture = picture
        self.now_s = clock
        self.palette: Palette = palette_for(look.theme, no_color=self.no_color)
        self.units = look.figures
        self.span = 0
        self.open_page = ""
        self.frozen: Frozen | None = None
        # The chosen event is kept by what it is, so that a newer one doesn't move the choice.
        self._chosen: tuple[float, str] | None = None
        self._ask_line = AskLine()
        self._panes: dict[str, Pane] = {pane.id or "": pane for pane in self.panes()}

    # --- what shows ---------------------------------------------------------------------------

    def panes(self) -> list[Pane]:
        """Return the panes of the main arrangement, by their ids in the style sheet."""
        return [
            SprayPlot(id="plot"),
            BoostTrend(id="boost"),
            EvidenceAndDebt(id="debt"),
            Channels(id="channels"),
            SprayPath(id="path"),
            EventList(id="events"),
            EventDetail(id="detail"),
            StandingAlarms(id="standing"),
            LinkLine(id="links"),
            Keys(id="keys"),
            TooSmall(id="small"),
            Banner(id="banner"),
            *self.pages(),
        ]

    def pages(self) -> list[Page]:
        """Return the pages; a page's id is the name it is opened by."""
        return [Help((*SIGNS, *LIVE_SIGNS), id="help"), Statistics(id="counts")]

    @abstractmethod
    def view(self) -> View:
        """Return what every pane is shown now."""

    def words(self) -> dict[str, str]:
        """Return words that suit the moment better than the table's, by action; "" hides."""
        return {
            "span": f"span {SPANS_S[self.span]:zg} s",
            "units": f"{self.units.word} units",
            "freeze": "freeze" if self.frozen is None else "go on",
            "theme": f"theme {self.palette.word}",
        }

    def offered(self, *, footer: bool) -> list[Control]:
        """Return what can be done now, for the footer or for the help."""
        return offers(self.CONTROLS, self.words(), footer=footer)

    def compose(self) -> ComposeResult:
        """Lay out the panes; the style sheet has two arrangements, by size."""
        panes = self._panes
        yield panes["banner"]
        with Container(id="upper"):
            with Container(id="main"):
                yield panes["plot"]
                yield panes["boost"]
            with Container(id="side"):
                yield panes["debt"]
                yield panes["channels"]
        yield panes["path"]
        with Container(id="lower"):
            yield panes["events"]
            yield panes["standing"]
            yield panes["detail"]
        yield from self.below()
        yield from (pane for pane in panes.values() if isinstance(pane, Page))
        yield panes["small"]
        yield panes["links"]
        yield panes["keys"]
        yield self._ask_line

    def below(self) -> Iterable[Pane]:
        """Return panes that stand under the events, or in their place."""
        return ()

    @property
    def front(self) -> Screen[None]:
        """The screen with the panes, whatever is open over it."""
        return self.screen_stack[0]

    def on_mount(self) -> None:
        """Start drawing."""
        for palette in PALETTES:
            self.register_theme(_theme(palette))
        self.theme = self.palette.name
        self._arrange(self.size)
        self.set_interval(TICK_S, self.tick)
        self.call_after_refresh(self.redraw)
        with contextlib.suppress(NotImplementedError, RuntimeError, ValueError):  # not everywhere
            asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, self._told_to_end)

    def _told_to_end(self) -> None:
        """Do what the key to leave does: a guard that was started from here must not be left."""
        self.run_worker(self.run_action("leave"))

    def on_resize(self, event: Resize) -> None:
        """Choose the arrangement for a new size."""
        self._arrange(event.size)

    def tick(self) -> None:
        """Time has passed; who inherits may know that nothing has changed."""
        self.redraw()

    def redraw(self) -> None:
        """Show every pane the present moment."""
        view = self.view()
        for pane in self._panes.values():
            pane.show(view)

    def _arrange(self, size: Size) -> None:
        width, height = size
        self.front.set_class(width >= WIDE[0] and height >= WIDE[1], "wide")
        self.front.set_class(height >= TALL, "tall")
        self.front.set_class(width >= LARGE[0] and height >= LARGE[1], "large")
        self.front.set_class(width >= BROAD and height >= WIDE[1], "broad")
        self.front.set_class(width < LEAST_WIDTH or height < LEAST_HEIGHT, "small")
        self.call_after_refresh(self.redraw)

    def get_line_filters(self) -> Sequence[LineFilter]:
        """Return Textual's filters; a theme without colour lets none through to the terminal."""
        filters = super().get_line_filters()
        return (*filters, _NO_COLOUR) if self.palette.colourless else filters

    # --- asking -------------------------------------------------------------------------------

    async def ask(self, question: str, proposed: str = "", *, kept: str = "") -> str | None:
        """Ask for a line of text; None where the person gave up.

        Await it in what ``run_asking`` runs.

        Args:
            question: A few words.
            proposed: Stands there selected: the first letter typed takes its place.
            kept: Stands before it, to be edited.
        """
        self.front.add_class("asking")
        try:
            return await self._ask_line.ask(question, proposed, kept)
        finally:
            if self.screen_stack and not self._ask_line.asking:  # none is left while it closes
                self.front.remove_class("asking")
            self.call_after_refresh(self.redraw)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """While something is typed, keys are letters: only escape and leaving act."""
        del parameters
        if isinstance(self.screen, Finder):
            return action == "leave" or action not in {"escape", *self._names()}
        if self._ask_line.asking and action not in ("escape", "leave"):
            return action not in self._names()
        return True

    def _names(self) -> set[str]:
        return {"choose", *(one.action.partition("(")[0] for one in self.CONTROLS)}

    def found(self) -> list[Control]:
        """Return what the finder lists: also what has no word in the footer."""
        words = self.words()
        return [
            one
            for one in self.CONTROLS
            if one.asks and one.action and words.get(one.action, one.word or one.help)
        ]

    # --- the keys -----------------------------------------------------------------------------

    def action_theme(self) -> None:
        """Switch to the next theme."""
        self.palette = PALETTES[(PALETTES.index(self.palette) + 1) % len(PALETTES)]
        self.theme = self.palette.name
        self.redraw()

    def action_units(self) -> None:
        """Switch to the other units."""
        self.units = ALL_UNITS[(ALL_UNITS.index(self.units) + 1) % len(ALL_UNITS)]
        self.redraw()

    def action_span(self) -> None:
        """Switch the span of the plots."""
        self.span = (self.span + 1) % len(SPANS_S)
        self.redraw()

    async def action_find(self) -> None:
        """Open the finder; the next key is its first letter."""
        if not isinstance(self.screen, Finder):
            await self.push_screen(Finder())

    def action_freeze(self) -> None:
        """Hold plots and trends fast as they are, or let them go on."""
        if self.frozen is None:
            view = self.view()
            trace = view.picture.trace.copy(view.axis_end_s - max(SPANS_S))
            self.frozen = Frozen(trace, view.axis_end_s, view.now_s)
        else:
            self.frozen = None
        self.redraw()

    def action_choose(self, step: int) -> None:
        """Choose an older (1) or newer (-1) event; the leading one is chosen on its own.

        Over the open help, move through that.
        """
        page = self._panes.get(self.open_page)
        if isinstance(page, Help):
            page.scroll_rows(step)
            self.redraw()
            return
        known = self.picture.events.newest_first
        if known:
            at = min(len(known) - 1, max(0, self.chosen_at() + step))
            self._chosen = known[at].key
        self.redraw()

    def on_event_list_picked(self, message: EventList.Picked) -> None:
        """Choose the event that was clicked."""
        self._chosen = message.key
        self.redraw()

    def action_page(self, name: str) -> None:
        """Open a page, or close it where it is open."""
        self.show_page("" if self.open_page == name else name)

    def action_escape(self) -> None:
        """Give up what is being asked, close the page, or choose the leading event again."""
        if self._ask_line.asking:
            self._ask_line.give_up()
            return
        if not self.open_page:
            self._chosen = None
        self.show_page("")

    def show_page(self, name: str) -> None:
        """Open a page by its id; an empty name closes whichever is open."""
        self.open_page = name
        for pane in self._panes.values():
            if isinstance(pane, Page):
                pane.set_class(pane.id == name, "open")
        self.front.set_class(bool(name), "paged")
        self.call_after_refresh(self.redraw)

    def chosen_at(self) -> int:
        """Return the chosen event's place, newest first; the leading one's where none is chosen."""
        for i, known in enumerate(self.picture.events.newest_first):
            if known.key == self._chosen:
                return i
        return self.picture.events.leading


def tidy(controls: Iterable[Control]) -> tuple[Control, ...]:
    """Return a table of controls, checked: no key does two things.

    Raises:
        ValueError: One does.
    """
    table = tuple(controls)
    keys = [key for one in (*table, *_UNSAID) for key in one.keys.split(",") if key]
    twice = {key for key in keys if keys.count(key) > 1}
    if twice:
        raise ValueError(f"keys with two meanings: {', '.join(sorted(twice))}")
    return table


def _theme(palette: Palette) -> Theme:
    return Theme(
        name=palette.name,
        primary=palette.mid,
        foreground=palette.ink,
        background=palette.ground,
        surface=palette.ground,
        panel=palette.ground,
        dark=palette.dark,
    )
