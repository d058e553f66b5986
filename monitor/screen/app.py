"""The live dashboard: takes a guard's messages, shows them ten times a second."""

import asyncio
from collections.abc import Callable
from typing import ClassVar, Final

from msgspec import structs

from monitor.attach.protocol import Command, Hello, Message, Notice
from monitor.clock import now_s
from monitor.screen.alarm_keys import ALARM_CONTROLS, AlarmKeys
from monitor.screen.base import CHOOSE, COMMON, FREEZE, SPANS_S, tidy
from monitor.screen.bell import Bell
from monitor.screen.controls import Control
from monitor.screen.picture import Link, Picture
from monitor.screen.rejoin import GuardLink, Joinable, LinkFactory, NextGuard, hear_out
from monitor.screen.view import View
from monitor.words.counts import in_words
from monitor.words.literal import plain
from monitor.words.look import USUAL, Look
from rules.alarms.book import LONGEST_TEXT
from simulator.strict import clean

BYE_WITHIN_S: Final = 5.0


JOIN: Final = Control(
    "j", "j", "join", "join", "join the new guard of the same source, once this one is gone", 5
)
BELL: Final = Control(
    "b",
    "b",
    "ring",
    "bell",
    "silence the terminal's bell here, or let it ring; there is no other",
    48,
)


class Dashboard(AlarmKeys):
    """Shows one guard.

    Args:
        link_factory: Makes the link to it.
        owner: Whether whoever started this also started the guard: then quitting stops it.
        operator: Who is at the keys; goes with every command. Empty leaves the guard its own word.
        next_guard: Looks for another guard of the same source once this one is gone; None: nobody.
        look: What was chosen about units, theme and bell.
        clock: Steady time, s; for ages and silence only.

    The result is a last line to print after the screen is gone.

    Attributes:
        owner: Whether leaving stops the guard: whoever starts one ends it.
        detached: Whether it was left running on purpose.
    """

    CONTROLS: ClassVar[tuple[Control, ...]] = tidy(
        (
            Control(
                "q,ctrl+c,ctrl+q",
                "q, ctrl+c",
                "leave",
                "quit",
                "quit; a guard that was started from here is stopped first",
                10,
            ),
            Control("d", "d", "detach", "detach", "detach: quit, and let the guard go on", 20),
            *ALARM_CONTROLS,
            JOIN,
            FREEZE,
            BELL,
            CHOOSE,
            *COMMON,
        )
    )

    def __init__(
        self,
        link_factory: LinkFactory,
        owner: bool,
        *,
        operator: str = "",
        next_guard: NextGuard | None = None,
        look: Look = USUAL,
        clock: Callable[[], float] = now_s,
    ) -> None:
        super().__init__(Picture(clock()), look, clock)
        self._link_factory = link_factory
        self.owner = owner
        self.detached = False
        self._operator = clean(operator, LONGEST_TEXT).strip()
        self._next_guard = next_guard
        self._found: Joinable | None = None
        self._join_asked = asyncio.Event()
        self._link: GuardLink | None = None
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
            now_s=self.now_s(),
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
        stops = self.owner and self.picture.link(self.now_s()) is not Link.GONE
        return {
            **super().words(),
            "leave": "stop & quit" if stops else "quit",
            "join": f"join guard {self._found.pid}" if self._found is not None else "",
            "ring": "bell silent" if self._bell.silent else "bell on",
        }

    def redraw(self) -> None:
        """Show every pane the present moment, and ring where that is due."""
        super().redraw()
        frame, now = self.picture.frame, self.now_s()
        speaks = self.picture.link(now) in (Link.LIVE, Link.SILENT)
        sounding = frame is not None and frame.sounding and speaks
        if self._bell.rings(self.picture.action, now, sounding=sounding):
            self.bell()

    # --- the link -----------------------------------------------------------------------------

    async def _listen(self) -> None:
        greeted = await self._follow(self._link_factory)
        # A simulated car that has ended leaves nothing to join: another one is another car.
        while (look := self._next_guard) is not None and not (
            self.picture.simulated and self.picture.ended
        ):
            if greeted and look.by_itself and not self.picture.ended:
                self._notice("guard", "looking for the next one")
            greeted = await self._follow(await self._next_link(look))

    async def _follow(self, link_factory: LinkFactory) -> bool:
        """Take what a guard says until it is gone; return whether it greeted.

        The greeting of a later one begins a new picture.
        """
        greeted = False

        def take(message: Message) -> None:
            nonlocal greeted
            greeted = greeted or isinstance(message, Hello)
            self.take(message)

        self.picture.gone(await hear_out(link_factory, self._linked, take))
        self._ended.set()
        return greeted

    def _linked(self, link: GuardLink | None) -> None:
        self._link = link

    def take(self, message: Message) -> None:
        """Take one message of the guard's."""
        if isinstance(message, Hello) and self.picture.gone_why is not None:
            self._begin_anew(message)
        self.picture.take(message, self.now_s())

    async def _next_link(self, next_guard: NextGuard) -> LinkFactory:
        """Wait for another guard of the same source, and, where it is only offered, for the key.

        A log that is over is looked at in peace: the next guard is then offered, never joined
        unasked.
        """
        self._join_asked.clear()
        found = await next_guard.find(said_bye=self.picture.bye is not None)
        if not next_guard.by_itself or self.picture.ended:
            self._found = found
            self._notice("guard", f"guard {found.pid} reads the same source: j joins it")
            await self._join_asked.wait()
            self._found = None
        return found.link

    def _begin_anew(self, hello: Hello) -> None:
        """Forget the guard that is gone: nothing of it is mixed into what the new one tells."""
        self.picture = Picture(self.now_s())
        self._notice("guard", f"joined guard {hello.pid}")
        self._chosen = None
        self.frozen = None
        self.owner = False  # whoever started this one ends it
        self._stopping = False
        self._ended.clear()

    def _notice(self, topic: str, text: str) -> None:
        self.picture.notice = (Notice(topic, text), self.now_s())

    def tell_guard(self, command: Command) -> bool:
        """Send a command in this person's name; return whether there is a guard to take it."""
        if self._link is None or self.picture.gone_why is not None:
            return False
        self._link.send(structs.replace(command, who=self._operator))
        return True

    # --- the keys -----------------------------------------------------------------------------

    async def action_leave(self) -> None:
        """Quit; the guard's owner stops it first. A second time waits no longer."""
        if not self.owner or self._ended.is_set():
            self.exit(self.last_line())
        elif self._stopping:
            self.exit("Told the guard to stop; did not wait for its goodbye.")
        else:
            self._stopping = True
            self.tell_guard(Command("stop"))
            self.redraw()
            self.run_worker(self._leave_after_bye())

    async def _leave_after_bye(self) -> None:
        try:
            async with asyncio.timeout(BYE_WITHIN_S):
                await self._ended.wait()
        except TimeoutError:
            self.exit(
                f"The guard said no goodbye within {BYE_WITHIN_S:z.0f} s: it may still be running."
            )
        else:
            self.exit(self.last_line())

    def action_ring(self) -> None:
        """Silence the bell on this screen, or let it ring again."""
        self._bell.switch()
        self.redraw()

    def action_detach(self) -> None:
        """Leave; the guard goes on."""
        self.detached = self.picture.gone_why is None
        self.exit(self.last_line())

    def action_join(self) -> None:
        """Join the guard that is offered."""
        if self._found is not None:
            self._join_asked.set()

    # --- odds and ends ------------------------------------------------------------------------

    def last_line(self) -> str:
        """Return what is printed once the screen is gone."""
        hello, why = self.picture.hello, self.picture.gone_why
        if why is None:
            pid = f" (process {hello.pid})" if hello else ""
            return f"Detached; the guard goes on{pid}."
        line = f"Guard gone: {why}."
        if self.picture.ended:
            line = f"{self.picture.what_ended.capitalize()}."
        session = self.picture.session
        if session is not None:
            rows = in_words(self.picture.statistics.recorded)
            line += f" Recorded {rows} rows in {plain(session)}"
        return line
