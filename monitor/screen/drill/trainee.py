"""A trainee's screen: the live dashboard with the truth held back, and the answers' keys."""

import asyncio
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import replace
from io import StringIO
from pathlib import Path, PurePath
from typing import ClassVar, Final

from textual.events import DeliveryComplete, DeliveryFailed

from monitor.attach.drilling import Brief, Debriefing, DrillState, Phase
from monitor.attach.protocol import LONGEST_WORD, Command, Hello, Message
from monitor.clock import now_s
from monitor.screen.alarm_keys import ALARM_CONTROLS, OPEN
from monitor.screen.app import BELL, Dashboard
from monitor.screen.base import CHOOSE, COMMON, FREEZE, tidy
from monitor.screen.controls import Control
from monitor.screen.drill.debrief_page import DebriefPage
from monitor.screen.drill.panes import (
    ANSWER_S,
    LETTERS,
    AnswerBar,
    BriefPage,
    CallList,
    HeldEvidence,
    SmallDrill,
    TraineeBanner,
    TraineeChannels,
)
from monitor.screen.drill.told import Told
from monitor.screen.panes.boost import BoostTrend
from monitor.screen.panes.detail import EventDetail
from monitor.screen.panes.events import EventList
from monitor.screen.panes.help_text import LIVE_SIGNS, SIGNS, Help
from monitor.screen.panes.keys import Keys
from monitor.screen.panes.plot import SprayPlot
from monitor.screen.panes.spray_path import SprayPath
from monitor.screen.panes.standing import StandingAlarms
from monitor.screen.picture import Picture
from monitor.screen.rejoin import GuardLink
from monitor.screen.view import Page, Pane, View
from monitor.words.literal import plain
from monitor.words.look import USUAL, Look
from monitor.words.units import Units
from simulator.strict import fit_for_a_name

BRIEF: Final = "brief"
DEBRIEF: Final = "debrief"
MOST_UNFETCHED: Final = 3  # pages held for a browser that doesn't download them
_ACTS: Final = ("1", "2", "3", "4")
# A key of the list of calls does nothing else while that is open.
_PICKS: Final = tuple(
    Control(letter, "", f"pick('{letter}')", "", "", asks=False) for letter in LETTERS
)
# What those letters do elsewhere.
_LETTERED: Final = frozenset({"acknowledge", "shelve_alarm", "freeze", "ring", "page"})


_SIGNS: Final = (
    "At the foot: how far the drive is, whether the failsafe acts, what was called; below it what "
    "1 to 4 do, the present one marked. At the top on the right: what you do.",
    "In the debrief: ▲ where it began, s the first sign, ! ▼ ▬ the guard, C your call, 1 to 4 your "
    "acts; dashes are the same drive without the fault. Page up and page down turn its words.",
)


def _in_short(files: Sequence[str]) -> str:
    """Return files' names: of those that have the first one's, the ending alone."""
    first = PurePath(files[0])
    names = [one.suffix if one.stem == first.stem else str(one) for one in map(PurePath, files[1:])]
    return ", ".join(plain(name) for name in (str(first), *names))


class TraineeDashboard(Dashboard):
    """Shows one ride of a class.

    Args:
        link_for: Makes the link to the ride of an alias.
        alias: Whose ride; empty asks for it on the screen.
        page_of: Makes a debrief's page, for a browser to download; None: the class writes it.
        look: What was chosen about units, theme and bell.
        clock: Steady time, s; for ages and silence only.
    """

    CONTROLS: ClassVar[tuple[Control, ...]] = (
        *tidy(
            (
                Control(
                    "q,ctrl+c,ctrl+q", "q, ctrl+c", "leave", "quit", "leave the drill", rank=10
                ),
                Control(
                    "space",
                    "space",
                    "call",
                    "call",
                    "begin the drive, or another; in it, open and close the list of calls",
                    rank=1,
                ),
                *(Control(key, key, f"act({key})", "", "", asks=False) for key in _ACTS),
                Control(
                    "",
                    "1 2 3 4",
                    "acts",
                    "act",
                    "act on the car: what each number does stands at the foot",
                    asks=False,
                ),
                Control(
                    "tab", "tab", "debrief", "debrief", "the debrief, once it is there", rank=2
                ),
                Control("left", "←→", "channel(-1)", "channel", "another channel's trace", rank=3),
                Control("right", "", "channel(1)", "", "the next channel's trace", asks=False),
                Control("pageup", "", "turn(-1)", "", "the debrief's words before", asks=False),
                Control("pagedown", "", "turn(1)", "", "the debrief's next words", asks=False),
                Control(
                    "w",
                    "w",
                    "write",
                    "write",
                    "write the debrief as page and pictures; a browser gets the page",
                    rank=5,
                ),
                Control("N", "N", "next", "next lesson", "go on to the next lesson", rank=4),
                Control("E", "E", "end_drive", "end", "end the drive and come to the debrief", 36),
                *ALARM_CONTROLS,
                FREEZE,
                BELL,
                CHOOSE,
                *(one for one in COMMON if one.action != "page('counts')"),
            )
        ),
        *_PICKS,
    )
    CSS_PATH = str(Path(__file__).parent.parent / "dashboard.tcss")
    CSS: ClassVar[str] = """
    #calls { height: 7; display: none; }
    .wide #calls { height: 9; margin-top: 1; }
    .calling #calls { display: block; }
    .calling #lower { display: none; }
    .paged #calls, .small #calls { display: none; }
    """

    def __init__(
        self,
        link_for: Callable[[str], AbstractAsyncContextManager[GuardLink]],
        alias: str = "",
        *,
        page_of: Callable[[Debriefing, Units], str] | None = None,
        look: Look = USUAL,
        clock: Callable[[], float] = now_s,
    ) -> None:
        self.told = Told()
        super().__init__(
            lambda: link_for(self._alias), owner=False, operator=alias, look=look, clock=clock
        )
        self._alias = alias
        self._page_of = page_of
        self._unfetched: set[str] = set()  # keys of pages that the browser hasn't got yet
        self._held_s: float | None = None

    # --- what shows ---------------------------------------------------------------------------

    def panes(self) -> list[Pane]:
        """Return the live screen's panes, or those that stand in their place."""
        told = self.told
        return [
            SprayPlot(id="plot"),
            BoostTrend(id="boost"),
            HeldEvidence(told, id="debt"),
            TraineeChannels(id="channels"),
            SprayPath(id="path"),
            EventList(id="events"),
            EventDetail(id="detail"),
            StandingAlarms(id="standing"),
            CallList(told, id="calls"),
            AnswerBar(told, id="links"),
            Keys(id="keys"),
            SmallDrill(id="small"),
            TraineeBanner(told, id="banner"),
            *self.pages(),
        ]

    def pages(self) -> list[Page]:
        """Return the pages; those of counts are the guard's own affair."""
        self._debrief_page = DebriefPage(self.told, id=DEBRIEF)
        others = [page for page in super().pages() if page.id not in ("counts", "help")]
        signs = Help((*SIGNS, LIVE_SIGNS[0], *_SIGNS), id="help")
        return [signs, *others, BriefPage(self.told, id=BRIEF), self._debrief_page]

    def below(self) -> Iterable[Pane]:
        """Return the list of calls: it stands in place of the events while it is open."""
        return (self._panes["calls"],)

    def view(self) -> View:
        """Return the present moment; while nothing is driven, the last that was."""
        held_s = self._held_s
        return super().view() if held_s is None else replace(super().view(), now_s=held_s)

    def words(self) -> dict[str, str]:
        """Say what the keys would do now; what can't be done now is left out."""
        told = self.told
        over, debriefing = told.debrief is not None, self.open_page == DEBRIEF
        words = {**super().words(), "leave": "quit", "join": ""}
        if told.phase is Phase.WAITING:
            words["call"] = "begin" if told.may_begin else ""
            words |= {"acknowledge": "", "freeze": "", CHOOSE.action: ""}
        else:
            words["call"] = "close" if told.calling else "call"
        if told.phase in (None, Phase.OVER):
            words["call"] = "again" if over and told.may_begin else ""
            words |= {"acknowledge": "", OPEN: "", "freeze": ""}
        words["debrief"] = "" if not over else "picture" if debriefing else "debrief"
        if not debriefing:
            words["channel(-1)"] = ""
        else:
            words |= {"span": self._debrief_page.span_words, "freeze": "", "acknowledge": ""}
            words[CHOOSE.action] = "read on"
        if not (over and told.may_begin):
            words["next"] = ""
        if self._page_of is not None:
            words["write"] = "download"
        if told.debrief is None or told.debrief.files:
            words["write"] = ""
        if over or not told.may_begin or told.phase is not Phase.DRIVING:
            words["end_drive"] = ""
        if told.calling:
            words |= {"acknowledge": "", OPEN: "", "freeze": "", "ring": ""}
        if told.unhelped:  # there is no guard to be told
            words |= {"acknowledge": "", OPEN: ""}
        return words

    def redraw(self) -> None:
        """Show every pane the present moment, and the list of calls where it has its place."""
        notice = self.picture.notice
        if self._held_s is not None and notice and self.now_s() - notice[1] > ANSWER_S:
            self.picture.notice = None  # what is held knows no time
        listed = self.told.calling or not self.told.shows("events")
        self.front.set_class(listed and self.told.phase is not None, "calling")
        super().redraw()

    # --- the link -----------------------------------------------------------------------------

    async def _listen(self) -> None:
        """Follow the ride; where nobody said whose, or that place can't be had, ask."""
        while self.picture.hello is None:
            if (why := self.picture.gone_why) is not None:
                self.picture, self._alias = Picture(self.now_s()), ""
                self._notice("", why)
            while not self._alias:
                alias = await self.ask("Your alias (no real name is needed):")
                if alias is None:
                    self.exit("No alias was given, so no drive was joined.")
                    return
                self._operator = self._alias = alias[:LONGEST_WORD]
            await super()._listen()

    def take(self, message: Message) -> None:
        """Take one message, and open the page that it is the time for."""
        if isinstance(message, Hello) and self.picture.hello is not None:
            self.picture = Picture(self.now_s())  # the drive begins anew: nothing of before is left
            self._chosen = self.frozen = None
        was_over = self.told.debrief is not None
        phase = self.told.phase
        self.told.take(message)
        super().take(message)
        match message:
            case Brief():
                self._alarm_page.advises = self.told.shows("advice")
            case DrillState() if message.phase is not phase:
                self._held_s = None if message.phase is Phase.DRIVING else self.now_s()
                self._debrief_page.begin()
                if message.phase is Phase.WAITING:
                    self.show_page(BRIEF)
                elif self.open_page == BRIEF or (was_over and self.open_page == DEBRIEF):
                    self.show_page("")
            case Debriefing():
                self.show_page(DEBRIEF)
                if message.files:
                    self._say(f"wrote {_in_short(message.files)}")

    # --- the keys -----------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """While the list of calls is open its letters call, and do nothing else."""
        if super().check_action(action, parameters) is not True:
            return False
        if action == "pick":
            return self.told.calling
        return not (self.told.calling and action in _LETTERED)

    def action_call(self) -> None:
        """Begin a drive; in it, open the list of calls or close it."""
        told = self.told
        if told.phase is Phase.WAITING or told.debrief is not None:
            if told.may_begin:
                self._tell(Command("begin"))
        elif told.phase in (Phase.DRIVING, Phase.PAUSED):
            told.calling = not told.calling
            self.show_page("")

    def action_pick(self, letter: str) -> None:
        """Call the fault of a letter."""
        calls = [] if self.told.brief is None else self.told.brief.calls
        place = LETTERS.index(letter)
        if place < len(calls):
            self.told.calling = False
            self._tell(Command("call", what=calls[place].word))
            self.redraw()

    def action_act(self, number: int) -> None:
        """Act on the car, by the number that stands at the foot."""
        acts = [] if self.told.brief is None else self.told.brief.acts
        if 1 <= number <= len(acts):
            self._tell(Command("act", what=acts[number - 1].word))

    def action_debrief(self) -> None:
        """Show the debrief, or the picture again."""
        if self.told.debrief is not None:
            self.action_page(DEBRIEF)

    def action_write(self) -> None:
        """Have the debrief written as a page and pictures."""
        debrief = self.told.debrief
        if debrief is None:
            return
        if self._page_of is not None:
            self._say("the page is being made, which takes some seconds")
            self.run_worker(self._hand_out(debrief), group="writing", exclusive=True)
        elif not debrief.files:
            self._say("page and pictures are being written, which takes some seconds")
            self._tell(Command("write"))

    async def _hand_out(self, debrief: Debriefing) -> None:
        """Have the browser download a debrief's page."""
        if self._page_of is None or len(self._unfetched) >= MOST_UNFETCHED:
            self._say("not made: the browser hasn't taken the pages before")
            return
        page = await asyncio.to_thread(self._page_of, debrief, self.units)
        name = f"{fit_for_a_name(debrief.alias)}-{fit_for_a_name(debrief.title)}"
        key = self.deliver_text(StringIO(page), save_filename=f"{name}.html", mime_type="text/html")
        if key is not None:
            self._unfetched.add(key)
            self._say(f"{name}.html is downloaded by your browser")

    def on_delivery_complete(self, event: DeliveryComplete) -> None:
        """Forget a page that the browser has."""
        self._unfetched.discard(event.key)

    def on_delivery_failed(self, event: DeliveryFailed) -> None:
        """Forget a page that the browser didn't take."""
        self._unfetched.discard(event.key)

    def action_next(self) -> None:
        """Go on to the next lesson."""
        if self.told.debrief is not None and self.told.may_begin:
            self._tell(Command("next"))

    def action_end_drive(self) -> None:
        """Come to the debrief before the drive's end, once a typed y confirms that."""
        if self.told.may_begin and self.told.phase is Phase.DRIVING:
            self.run_asking(self._end_drive())

    async def _end_drive(self) -> None:
        typed = await self.ask("End the drive here, and come to the debrief? Type y:")
        if typed is not None and typed.casefold() == "y":
            self._tell(Command("end_drill"))

    def action_choose(self, step: int) -> None:
        """Move through the debrief while it is open; else as on the live screen."""
        if self.open_page == DEBRIEF:
            self._debrief_page.scroll_rows(step)
            self.redraw()
        else:
            super().action_choose(step)

    def action_channel(self, step: int) -> None:
        """Show another channel in the debrief."""
        if self.open_page == DEBRIEF:
            self._debrief_page.next_channel(step)
            self.redraw()

    def action_turn(self, step: int) -> None:
        """Turn the debrief's page."""
        if self.open_page == DEBRIEF:
            self._debrief_page.turn_page(step)
            self.redraw()

    def action_span(self) -> None:
        """Switch the span of the plots, or of the debrief's."""
        if self.open_page == DEBRIEF:
            self._debrief_page.switch_span()
            self.redraw()
        else:
            super().action_span()

    def action_escape(self) -> None:
        """Close the list of calls, or whatever else is open; the brief stays."""
        if self.told.calling:
            self.told.calling = False
            self.redraw()
        elif self.told.phase is not Phase.WAITING or self.open_page != BRIEF:
            super().action_escape()

    def last_line(self) -> str:
        """Return what is printed once the screen is gone."""
        debrief = self.told.debrief
        if debrief is None:
            return "Drill left before its debrief."
        written = "".join(f"\nwrote {plain(name)}" for name in debrief.files)
        score = f"{plain(debrief.title)}: {debrief.score:z.0f} of 100."
        return f"{score} It was: {plain(debrief.truth)}.{written}"
