"""The dashboard application: takes a guard's messages, shows them ten times a second."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager
from typing import ClassVar, Final, Protocol

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container
from textual.events import Resize
from textual.geometry import Size
from textual.theme import Theme

from monitor.clock import now_s
from monitor.guard.protocol import Bye, Command, Message
from monitor.screen.literal import figure, number, plain
from monitor.screen.palette import DARK, PALETTES, Palette
from monitor.screen.panes.banner import Banner
from monitor.screen.panes.channels import Channels
from monitor.screen.panes.debt import DebtBar
from monitor.screen.panes.detail import EventDetail
from monitor.screen.panes.events import EventList
from monitor.screen.panes.help_text import Help
from monitor.screen.panes.keys import Keys
from monitor.screen.panes.link_line import LinkLine
from monitor.screen.panes.plot import FlowPlot
from monitor.screen.panes.statistics import Statistics
from monitor.screen.panes.too_small import LEAST_HEIGHT, LEAST_WIDTH, TooSmall
from monitor.screen.picture import Picture
from monitor.screen.view import Pane, View
from simulator.strict import BadInput

TICK_S: Final = 0.1
BYE_WITHIN_S: Final = 5.0
SPANS_S: Final = (20.0, 60.0, 10.0)
WIDE: Final = (120, 34)


class Link(Protocol):
    """What the dashboard needs of a link."""

    def messages(self) -> AsyncIterator[Message]:
        """Yield what the guard says, until it ends."""
        ...

    def send(self, command: Command) -> None:
        """Say something to the guard."""
        ...


class Dashboard(App[str | None]):
    """Shows one guard.

    Args:
        link_factory: Makes the link to it.
        owner: Whether whoever started this also started the guard: then quitting stops it.
        clock: Steady time, s; for ages and silence only.

    The result is a last line to print after the screen is gone.
    """

    CSS_PATH = "dashboard.tcss"
    ENABLE_COMMAND_PALETTE = False
    ALLOW_SELECT: ClassVar[bool] = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("q,ctrl+c,ctrl+q", "leave", priority=True),
        Binding("d", "detach", priority=True),
        Binding("a", "acknowledge", priority=True),
        Binding("t", "theme", priority=True),
        Binding("s", "span", priority=True),
        Binding("up", "choose(-1)", priority=True),
        Binding("down", "choose(1)", priority=True),
        Binding("question_mark", "help", priority=True),
        Binding("c", "counts", priority=True),
        Binding("escape", "close_help", priority=True),
    ]

    def __init__(
        self,
        link_factory: Callable[[], AbstractAsyncContextManager[Link]],
        owner: bool,
        *,
        clock: Callable[[], float] = now_s,
    ) -> None:
        super().__init__()
        self._link_factory = link_factory
        self._owner = owner
        self._clock = clock
        self._link: Link | None = None
        self._ended = asyncio.Event()
        self._stopping = False
        self._palette: Palette = DARK
        self._span = 0
        # The chosen event is kept by what it is, so that a newer one doesn't move the choice.
        self._chosen: tuple[float, str] | None = None
        self.picture = Picture(clock())
        self._panes: list[Pane] = [
            FlowPlot(id="plot"),
            DebtBar(id="debt"),
            Channels(id="channels"),
            EventList(id="events"),
            EventDetail(id="detail"),
            Help(id="help"),
            Statistics(id="counts"),
            TooSmall(id="small"),
            LinkLine(id="links"),
            Keys(id="keys"),
            Banner(id="banner"),
        ]

    def compose(self) -> ComposeResult:
        """Lay out the panes; the style sheet has two arrangements, by size."""
        plot, debt, channels, events, detail, *middle, links, keys, banner = self._panes
        yield banner
        with Container(id="upper"):
            yield plot
            with Container(id="side"):
                yield debt
                yield channels
        with Container(id="lower"):
            yield events
            yield detail
        yield from middle
        yield links
        yield keys

    def on_mount(self) -> None:
        """Start listening and drawing."""
        for palette in PALETTES:
            self.register_theme(_theme(palette))
        self.theme = self._palette.name
        self._arrange(self.size)
        self.run_worker(self._listen(), exit_on_error=True)
        self.set_interval(TICK_S, self.redraw)
        self.call_after_refresh(self.redraw)

    def on_resize(self, event: Resize) -> None:
        """Choose the arrangement for a new size."""
        self._arrange(event.size)

    def redraw(self) -> None:
        """Show every pane the present moment."""
        view = View(
            picture=self.picture,
            now_s=self._clock(),
            palette=self._palette,
            span_s=SPANS_S[self._span],
            chosen=self._chosen_at(),
            owner=self._owner,
            stopping=self._stopping,
        )
        for pane in self._panes:
            pane.show(view)

    # --- the link -----------------------------------------------------------------------------

    async def _listen(self) -> None:
        why = "The connection was lost without a goodbye"
        try:
            async with self._link_factory() as link:
                self._link = link
                async for message in link.messages():
                    self.picture.take(message, self._clock())
                    if isinstance(message, Bye):
                        break
        except (OSError, EOFError, ValueError, BadInput) as error:
            why = plain(f"The connection broke: {error}")
        finally:
            self._link = None
            self.picture.gone(why)
            self._ended.set()

    def _send(self, command: Command) -> None:
        if self._link is not None:
            self._link.send(command)

    # --- the keys -----------------------------------------------------------------------------

    async def action_leave(self) -> None:
        """Quit; the guard's owner stops it first. A second time waits no longer."""
        if not self._owner or self._ended.is_set():
            self.exit(self._last_line())
        elif self._stopping:
            self.exit("Told the guard to stop; did not wait for its goodbye.")
        else:
            self._stopping = True
            self._send(Command("stop"))
            self.redraw()
            self.run_worker(self._leave_after_bye())

    async def _leave_after_bye(self) -> None:
        try:
            async with asyncio.timeout(BYE_WITHIN_S):
                await self._ended.wait()
        except TimeoutError:
            self.exit(
                f"The guard said no goodbye within {BYE_WITHIN_S:.0f} s: it may still be running."
            )
        else:
            self.exit(self._last_line())

    def action_detach(self) -> None:
        """Leave; the guard goes on."""
        self.exit(self._last_line())

    def action_acknowledge(self) -> None:
        """Tell the guard that somebody has seen it."""
        self._send(Command("acknowledge"))

    def action_theme(self) -> None:
        """Switch between dark and light."""
        self._palette = PALETTES[(PALETTES.index(self._palette) + 1) % len(PALETTES)]
        self.theme = self._palette.name
        self.redraw()

    def action_span(self) -> None:
        """Switch the span of the plots."""
        self._span = (self._span + 1) % len(SPANS_S)
        self.redraw()

    def action_choose(self, step: int) -> None:
        """Choose an older (1) or newer (-1) event; the newest one is chosen on its own."""
        known = self.picture.happenings.newest_first
        if known:
            at = min(len(known) - 1, max(0, self._chosen_at() + step))
            self._chosen = known[at].key if at else None
        self.redraw()

    def action_help(self) -> None:
        """Open or close the help."""
        self.screen.remove_class("counting")
        self.screen.toggle_class("helping")
        self.call_after_refresh(self.redraw)

    def action_counts(self) -> None:
        """Open or close the statistics."""
        self.screen.remove_class("helping")
        self.screen.toggle_class("counting")
        self.call_after_refresh(self.redraw)

    def action_close_help(self) -> None:
        """Close the help, or the statistics."""
        self.screen.remove_class("helping", "counting")
        self.call_after_refresh(self.redraw)

    # --- odds and ends ------------------------------------------------------------------------

    def _arrange(self, size: Size) -> None:
        width, height = size
        self.screen.set_class(width >= WIDE[0] and height >= WIDE[1], "wide")
        self.screen.set_class(width < LEAST_WIDTH or height < LEAST_HEIGHT, "small")
        self.call_after_refresh(self.redraw)

    def _chosen_at(self) -> int:
        for i, known in enumerate(self.picture.happenings.newest_first):
            if known.key == self._chosen:
                return i
        return 0

    def _last_line(self) -> str:
        hello, why = self.picture.hello, self.picture.gone_why
        if why is None:
            pid = f" (process {hello.pid})" if hello else ""
            return f"Detached; the guard goes on{pid}."
        line = f"Guard gone: {why}."
        if self.picture.ended:
            line = f"{self.picture.what_ended.capitalize()}."
        if hello is not None and hello.session is not None:
            rows = figure(number(self.picture.statistics, "recorded"), 0)
            line += f" Recorded {rows} rows in {plain(hello.session)}"
        return line


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
