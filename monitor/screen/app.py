"""The live dashboard: takes a guard's messages, shows them ten times a second."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager
from typing import ClassVar, Final, Protocol

from monitor.clock import now_s
from monitor.guard.protocol import Bye, Command, Message
from monitor.screen.base import CHOOSE, COMMON, FREEZE, SPANS_S, BaseDashboard, tidy
from monitor.screen.bell import Bell
from monitor.screen.controls import Control
from monitor.screen.literal import figure, number, plain
from monitor.screen.look import USUAL, Look
from monitor.screen.picture import Link as Standing
from monitor.screen.picture import Picture
from monitor.screen.view import View
from simulator.strict import BadInput

BYE_WITHIN_S: Final = 5.0


BELL: Final = Control(
    "b",
    "b",
    "ring",
    "bell",
    "silence the terminal's bell here, or let it ring; there is no other",
    48,
)


class Link(Protocol):
    """What the dashboard needs of a link."""

    def messages(self) -> AsyncIterator[Message]:
        """Yield what the guard says, until it ends."""
        ...

    def send(self, command: Command) -> None:
        """Say something to the guard."""
        ...


class Dashboard(BaseDashboard):
    """Shows one guard.

    Args:
        link_factory: Makes the link to it.
        owner: Whether whoever started this also started the guard: then quitting stops it.
        look: What was chosen about units, theme and bell.
        clock: Steady time, s; for ages and silence only.

    The result is a last line to print after the screen is gone.
    """

    CONTROLS: ClassVar[tuple[Control, ...]] = tidy(
        (
            Control(
                "q,ctrl+c,ctrl+q",
                "q, ctrl+c",
                "leave",
                "quit",
                "leave; whoever started the guard from here stops it too",
                10,
            ),
            Control("d", "d", "detach", "detach", "detach: leave, and let the guard go on", 20),
            Control(
                "a",
                "a",
                "acknowledge",
                "acknowledge",
                "acknowledge: the guard may release what it latched",
                30,
            ),
            FREEZE,
            BELL,
            CHOOSE,
            *COMMON,
        )
    )

    def __init__(
        self,
        link_factory: Callable[[], AbstractAsyncContextManager[Link]],
        owner: bool,
        *,
        look: Look = USUAL,
        clock: Callable[[], float] = now_s,
    ) -> None:
        super().__init__(Picture(clock()), look)
        self._link_factory = link_factory
        self._owner = owner
        self._clock = clock
        self._link: Link | None = None
        self._ended = asyncio.Event()
        self._stopping = False
        self._bell = Bell(look.bell)

    def on_mount(self) -> None:
        """Start listening and drawing."""
        super().on_mount()
        self.run_worker(self._listen(), exit_on_error=True)

    def view(self) -> View:
        """Return the present moment."""
        return View(
            picture=self.picture,
            now_s=self._clock(),
            palette=self.palette,
            span_s=SPANS_S[self.span],
            chosen=self.chosen_at(),
            stopping=self._stopping,
            units=self.units,
            frozen=self.frozen,
            footer=tuple(self.offered(footer=True)),
            offered=tuple(self.offered(footer=False)),
        )

    def words(self) -> dict[str, str]:
        """Say what quitting would do now."""
        stops = self._owner and self.picture.link(self._clock()) is not Standing.GONE
        return {
            **super().words(),
            "leave": "stop & quit" if stops else "quit",
            "ring": "bell silent" if self._bell.silent else "bell on",
        }

    def redraw(self) -> None:
        """Show every pane the present moment, and ring where that is due."""
        super().redraw()
        frame, now = self.picture.frame, self._clock()
        speaks = self.picture.link(now) in (Standing.LIVE, Standing.SILENT)
        sounding = frame is not None and frame.sounding and speaks
        if self._bell.rings(self.picture.action, now, sounding=sounding):
            self.bell()

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

    def action_ring(self) -> None:
        """Silence the bell on this screen, or let it ring again."""
        self._bell.switch()
        self.redraw()

    def action_detach(self) -> None:
        """Leave; the guard goes on."""
        self.exit(self._last_line())

    def action_acknowledge(self) -> None:
        """Tell the guard that somebody has seen it."""
        self._send(Command("acknowledge"))

    # --- odds and ends ------------------------------------------------------------------------

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
