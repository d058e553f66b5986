"""The instructor's screen: the class, its truth, every trainee's answers; faults at will."""

import re
from collections.abc import Awaitable, Callable
from functools import partial
from pathlib import Path
from typing import ClassVar, Final

from textual.app import ComposeResult

from monitor.attach.drilling import LONGEST_TEXT, ClassState, Mark, Phase
from monitor.attach.protocol import LONGEST_WORD, Command, Message, Notice
from monitor.clock import now_s
from monitor.screen.base import COMMON, BaseDashboard, tidy
from monitor.screen.controls import Control
from monitor.screen.drill.class_panes import (
    ClassBanner,
    ClassFoot,
    Desk,
    Faults,
    KindPage,
    MarksAndNotes,
    Trainees,
)
from monitor.screen.drill.panes import SmallDrill
from monitor.screen.panes.help_text import Help
from monitor.screen.panes.keys import Keys
from monitor.screen.picture import Picture
from monitor.screen.rejoin import GuardLink, LinkFactory, hear_out
from monitor.screen.view import Page, Pane, View
from monitor.words.literal import figure, plain
from monitor.words.look import USUAL, Look

KINDS: Final = "kinds"
_FIGURE: Final = r"[0-9]{1,4}(?:\.[0-9]{1,4})?"
_NUMBER: Final = re.compile(_FIGURE, re.ASCII)
_INJECTED: Final = re.compile(
    rf"(?P<amount>{_FIGURE})(?: +(?P<ramp>{_FIGURE})(?: +(?P<channel>\w+))?)?", re.ASCII
)
_SIGNS: Final = (
    "Amount: as a scenario's magnitude: 1 is all of it. Ramp: over how many seconds it grows. A "
    "sensor's fault may name its channel.",
    "A mark is a moment to rewind to: every trainee's car, guard and answers go back with it.",
    "A trainee in brackets isn't there now; the ride goes on without.",
)


class InstructorDashboard(BaseDashboard):
    """Shows one class, and is its instructor's hand.

    Args:
        link_factory: Makes the link to the instructor's place.
        owner: Whether leaving ends the class.
        look: What was chosen about units and theme.
        clock: Steady time, s; for ages only.

    Attributes:
        detached: Whether the class was left running on purpose.

    The result is a last line to print after the screen is gone.
    """

    CONTROLS: ClassVar[tuple[Control, ...]] = tidy(
        (
            Control("q", "q", "quit_class", "quit", "quit; a class begun from here ends then", 80),
            Control("ctrl+c,ctrl+q", "ctrl+c", "leave", "", "quit at once", asks=False),
            Control("d", "d", "detach", "detach", "detach: quit, and let the class go on", 85),
            Control("space", "space", "run", "begin", "begin a drive; pause it, let it go on", 1),
            Control("i", "i", f"page('{KINDS}')", "inject", "inject a fault, for everybody", 5),
            Control("enter", "enter", "enter", "", "take the chosen kind of fault", asks=False),
            Control("e", "e", "escalate", "escalate", "change the chosen fault's amount", 6),
            Control("x", "x", "clear", "clear", "clear the chosen fault", 7),
            Control("m", "m", "mark", "mark", "mark this moment, to rewind to", 8),
            Control("r", "r", "rewind", "rewind", "rewind everybody to a mark", 9),
            Control("n", "n", "note", "note", "note something; debriefs and results have it", 10),
            Control("N", "N", "next", "next lesson", "go on to the next lesson", 11),
            Control("E", "E", "end_drill", "end", "end the drive: everybody's debrief comes", 12),
            Control("", "↑↓", "", "fault", "choose a fault, or a kind of one", 55, asks=False),
            *(one for one in COMMON if one.action not in ("page('counts')", "span", "units")),
        )
    )
    CSS_PATH = str(Path(__file__).parent.parent / "dashboard.tcss")
    CSS: ClassVar[str] = """
    #banner { height: 3; }
    #trainees { height: 1fr; }
    #faults { height: 5; margin-top: 1; }
    #marks { height: 3; margin-top: 1; }
    .wide #faults { height: 9; }
    .wide #marks { height: 7; }
    .paged #trainees, .paged #faults, .paged #marks { display: none; }
    .small #trainees, .small #faults, .small #marks { display: none; }
    """

    def __init__(
        self,
        link_factory: LinkFactory,
        *,
        owner: bool = False,
        look: Look = USUAL,
        clock: Callable[[], float] = now_s,
    ) -> None:
        self.desk = Desk()
        self.owner = owner
        self.detached = False
        self._link_factory = link_factory
        self._link: GuardLink | None = None
        super().__init__(Picture(clock()), look, clock)

    # --- what shows ---------------------------------------------------------------------------

    def panes(self) -> list[Pane]:
        """Return the panes."""
        desk = self.desk
        return [
            Trainees(desk, id="trainees"),
            Faults(desk, id="faults"),
            MarksAndNotes(desk, id="marks"),
            ClassFoot(desk, id="links"),
            Keys(id="keys"),
            SmallDrill(id="small"),
            ClassBanner(desk, id="banner"),
            *self.pages(),
        ]

    def pages(self) -> list[Page]:
        """Return the pages."""
        return [Help(_SIGNS, id="help"), KindPage(self.desk, id=KINDS)]

    def compose(self) -> ComposeResult:
        """Lay out the panes, from top to bottom."""
        for name in ("banner", "trainees", "faults", "marks", KINDS, "help", "small"):
            yield self._panes[name]
        yield self._panes["links"]
        yield self._panes["keys"]
        yield self._ask_line

    def view(self) -> View:
        """Return the present moment."""
        return View(
            picture=self.picture,
            now_s=self.now_s(),
            palette=self.palette,
            span_s=1.0,
            units=self.units,
            footer=tuple(self.offered(footer=True)),
            offered=tuple(self.offered(footer=False)),
        )

    def words(self) -> dict[str, str]:
        """Say what the keys would do now; what can't be done now is left out."""
        state = self.desk.state
        phase = None if state is None else state.phase
        run = {
            Phase.WAITING: "begin",
            Phase.DRIVING: "pause",
            Phase.PAUSED: "go on",
            Phase.OVER: "again",
        }
        words = {**super().words(), "run": run.get(phase, "") if phase is not None else ""}
        if self.open_page == KINDS:
            words |= {f"page('{KINDS}')": "close", "enter": "inject it"}
        if not self.owner:
            words["detach"] = ""
        if state is None or not state.faults:
            words |= {"escalate": "", "clear": ""}
        if phase not in (Phase.DRIVING, Phase.PAUSED):
            changing = (f"page('{KINDS}')", "escalate", "clear", "mark", "end_drill")
            words |= dict.fromkeys(changing, "")
        if phase is Phase.WAITING:
            words |= {"rewind": "", "note": ""}
        return words

    # --- the link -----------------------------------------------------------------------------

    def on_mount(self) -> None:
        """Start listening and drawing."""
        super().on_mount()
        self.run_worker(self._listen(), exit_on_error=True)

    async def _listen(self) -> None:
        self.picture.gone(await hear_out(self._link_factory, self._linked, self.take))

    def _linked(self, link: GuardLink | None) -> None:
        self._link = link

    def take(self, message: Message) -> None:
        """Take one message of the class's."""
        if isinstance(message, ClassState):
            self.desk.state = message
        else:
            self.picture.take(message, self.now_s())

    def _tell(self, command: Command) -> None:
        if self._link is None:
            self._say("nothing done: the class has ended")
        else:
            self._link.send(command)

    def _say(self, text: str) -> None:
        self.picture.notice = (Notice("", text), self.now_s())
        self.redraw()

    # --- the keys -----------------------------------------------------------------------------

    def action_choose(self, step: int) -> None:
        """Choose a fault; on the page of kinds, one of those."""
        if self.open_page == "help":
            super().action_choose(step)
            return
        self.desk.choose(step, kinds=self.open_page == KINDS)
        self.redraw()

    def action_run(self) -> None:
        """Begin, pause or go on."""
        does = {Phase.DRIVING: "pause", Phase.PAUSED: "go_on"}
        if (state := self.desk.state) is not None:
            self._tell(Command(does.get(state.phase, "begin")))

    def action_enter(self) -> None:
        """Ask how much of the chosen kind, and inject it."""
        if self.open_page == KINDS and self.desk.state is not None and self.desk.state.kinds:
            self._ask(self._inject)

    def action_escalate(self) -> None:
        """Ask for the chosen fault's new amount."""
        if self._chosen_fault() is not None:
            self._ask(self._escalate)

    def action_clear(self) -> None:
        """Clear the chosen fault."""
        if (number := self._chosen_fault()) is not None:
            self._tell(Command("clear", number=number))

    def action_mark(self) -> None:
        """Ask for a name, and mark the moment."""
        self._ask(self._mark)

    def action_rewind(self) -> None:
        """Ask for a mark, and rewind to it."""
        self._ask(self._rewind)

    def action_note(self) -> None:
        """Ask for a note."""
        self._ask(self._note)

    def action_next(self) -> None:
        """Go on to the next lesson, once a typed y confirms that where a drive is on."""
        self._ask(partial(self._sure, "next", "Leave this drive for the next lesson? Type y:"))

    def action_end_drill(self) -> None:
        """End the drive, once a typed y confirms that."""
        self._ask(partial(self._sure, "end_drill", "End the drive for everybody? Type y:"))

    def action_quit_class(self) -> None:
        """Leave, once a typed y confirms that where trainees would lose their class."""
        state = self.desk.state
        there = state is not None and any(ride.attached for ride in state.rides)
        if self.owner and there and self._link is not None:
            self._ask(self._quit)
        else:
            self.action_leave()

    def action_leave(self) -> None:
        """Leave at once."""
        self.exit("The class ended." if self.owner else "Left the class; it goes on.")

    def action_detach(self) -> None:
        """Leave; the class goes on."""
        self.detached = True
        self.exit("Left the class; it goes on.")

    # --- what they ask ------------------------------------------------------------------------

    def _ask(self, asking: Callable[[], Awaitable[None]]) -> None:
        self.run_worker(asking, group="asking", exclusive=True)

    def _chosen_fault(self) -> int | None:
        faults = [] if self.desk.state is None else self.desk.state.faults
        if not faults:
            self._say("nothing done: there is no fault")
            return None
        return faults[min(self.desk.fault, len(faults) - 1)].number

    async def _inject(self) -> None:
        state = self.desk.state
        if state is None:
            return
        kind = state.kinds[min(self.desk.kind, len(state.kinds) - 1)]
        typed = await self.ask(f"{plain(kind.words, 40)}: amount, ramp in s, channel:", "1 0")
        if typed is None:
            return
        found = _INJECTED.fullmatch(typed)
        if found is None or (found["channel"] or "") not in ("", *state.channels):
            channels = ", ".join(plain(name, 40) for name in state.channels)
            self._say(
                f'not injected: found "{plain(typed, 30)}", expected "1 0" or with {channels}'
            )
            return
        amount, ramp_s = float(found["amount"]), float(found["ramp"] or 0.0)
        channel = found["channel"] or ""
        self._tell(Command("inject", what=kind.word, amount=amount, ramp_s=ramp_s, channel=channel))
        self.show_page("")

    async def _escalate(self) -> None:
        number = self._chosen_fault()
        typed = await self.ask("New amount (1 is all of it):", "1")
        if typed is None or number is None:
            return
        if _NUMBER.fullmatch(typed):
            self._tell(Command("escalate", number=number, amount=float(typed)))
        else:
            self._say(f'not escalated: found "{plain(typed, 30)}", expected a number such as 0.5')

    async def _mark(self) -> None:
        marks = self._marks()
        name = await self.ask("Mark this moment as:", f"mark {len(marks)}")
        if name:
            self._tell(Command("mark", what=name[:LONGEST_WORD]))

    async def _rewind(self) -> None:
        marks = self._marks()
        names = [mark.name for mark in marks]
        name = await self.ask("Rewind everybody to the mark:", names[-1] if names else "")
        if name is None:
            return
        if name in names:
            self._tell(Command("rewind", what=name[:LONGEST_WORD]))
        else:
            known = ", ".join(f"{plain(m.name, 24)} ({figure(m.time_s, 1)} s)" for m in marks)
            self._say(f'not rewound: found "{plain(name, 30)}", expected one of: {known}')

    def _marks(self) -> list[Mark]:
        return [] if self.desk.state is None else self.desk.state.marks

    async def _note(self) -> None:
        text = await self.ask("Note, for debriefs and results:")
        if text:
            self._tell(Command("note", text=text[:LONGEST_TEXT]))

    async def _sure(self, do: str, question: str) -> None:
        state = self.desk.state
        on = state is not None and state.phase in (Phase.DRIVING, Phase.PAUSED)
        typed = await self.ask(question) if on else "y"
        if typed is not None and typed.casefold() == "y":
            self._tell(Command(do))

    async def _quit(self) -> None:
        typed = await self.ask("End the class for everybody (d lets it go on)? Type y:")
        if typed is not None and typed.casefold() == "y":
            self.action_leave()
