"""The replay screen: the dashboard's panes over a log, and the person's hand on the time."""

import asyncio
import threading
from collections.abc import Callable
from pathlib import Path
from typing import ClassVar, Final

from monitor.clock import now_s
from monitor.review.decide_log import decide
from monitor.review.log import Log, Stopped
from monitor.review.marks import Marks, read_marks
from monitor.review.row_gaps import pace_of
from monitor.screen.controls import Control, offers
from monitor.screen.panes.channels import Channels
from monitor.screen.panes.evidence_and_debt import EvidenceAndDebt
from monitor.screen.panes.help_text import Help
from monitor.screen.panes.keys import Keys
from monitor.screen.panes.spray_path import SprayPath
from monitor.screen.panes.standing import StandingAlarms
from monitor.screen.replay.banner import ReplayBanner
from monitor.screen.replay.controls import REPLAY_CONTROLS, UNSAID
from monitor.screen.replay.deltas import DeltaPage
from monitor.screen.replay.detail import EntryDetail
from monitor.screen.replay.entries import EntryList, EntryPage, EntryPicked
from monitor.screen.replay.foot import ReplayFoot
from monitor.screen.replay.pages import LogPage, Opening, SmallReplay
from monitor.screen.replay.plot import ReplayBoost, ReplayPlot
from monitor.screen.replay.room import NOTICE_S
from monitor.screen.replay.screen import ReplayScreen
from monitor.screen.replay.time_keys import TimeKeys
from monitor.screen.replay.what_if_keys import WhatIfKeys
from monitor.screen.replay.what_if_page import WhatIfPage
from monitor.screen.replay.writing_keys import WritingKeys
from monitor.screen.view import Page, Pane, View
from monitor.words.literal import figure
from monitor.words.look import USUAL, Look
from simulator.strict import BadInput

TREND_COLUMNS: Final = 400
_SCROLLED: Final = {"help", "counts", "deltas"}
_WHILE_OPENING: Final = {"leave", "theme", "escape"}


class ReplayDashboard(ReplayScreen):
    """Shows one log.

    Args:
        log: What ``open_log`` returned.
        who: Who sets marks.
        start: Where to begin, as typed; empty: the log's start.
        look: Units and theme.
        clock: Steady time, s: what playing goes by.

    Attributes:
        fault: Why the log could not be opened; None where it could.

    The result is a last line to print after the screen is gone.
    """

    CONTROLS: ClassVar[tuple[Control, ...]] = (*REPLAY_CONTROLS, *UNSAID)
    CSS_PATH = str(Path(__file__).parent.parent / "dashboard.tcss")
    CSS: ClassVar[str] = """
    .wide #keys { height: 2; }
    """

    def __init__(
        self,
        log: Log,
        *,
        who: str,
        start: str = "",
        look: Look = USUAL,
        clock: Callable[[], float] = now_s,
    ) -> None:
        super().__init__(log, who=who, look=look, clock=clock)
        self.time_keys = TimeKeys(self)
        self.what_if_keys = WhatIfKeys(self)
        for keys in (self.time_keys, self.what_if_keys, WritingKeys(self)):
            for name in (f"action_{name}" for name in self._names()):
                if does := getattr(keys, name, None):
                    setattr(self, name, does)  # where Textual looks for it
        self.fault: BadInput | None = None
        self._start = start
        self._leaving = threading.Event()

    # --- what shows -----------------------------------------------------------------------------

    def panes(self) -> list[Pane]:
        """Return the live screen's panes, or those that stand in their place."""
        room = self.room
        return [
            ReplayPlot(room, id="plot"),
            ReplayBoost(room, id="boost"),
            EvidenceAndDebt(id="debt"),
            Channels(id="channels"),
            SprayPath(id="path"),
            EntryList(room, id="events"),
            StandingAlarms(id="standing"),
            EntryDetail(room, id="detail"),
            ReplayFoot(room, id="links"),
            Keys(id="keys"),
            SmallReplay(id="small"),
            ReplayBanner(room, id="banner"),
            *self.pages(),
        ]

    def pages(self) -> list[Page]:
        """Return the pages."""
        room = self.room
        return [
            Opening(room, id="opening"),
            Help(id="help"),
            LogPage(room, id="counts"),
            EntryPage(room, id="list"),
            DeltaPage(room, id="deltas"),
            WhatIfPage(room, id="what_if"),
        ]

    def tick(self) -> None:
        """Draw while something may have changed without a key: a replay mostly stands still."""
        room = self.room
        working = room.busy or room.shown is None or self.causes_running
        if working or room.notice is not None or (room.player is not None and room.player.playing):
            self.redraw()
            if room.notice is not None and self.now_s() - room.notice.at_s >= NOTICE_S:
                room.notice = None

    def view(self) -> View:
        """Return the moment, after letting time pass."""
        room, span_s, axis_s = self.room, self.room.span_s, float("nan")
        if room.shown is not None and room.player is not None:
            index = room.player.tick(self.now_s())
            axis_s = room.player.time_s
            span_s = min(span_s, room.length_s)
            self.moment.stand_at(room.shown, index, axis_s - span_s, TREND_COLUMNS)
        return View(
            picture=self.picture,
            now_s=self.now_s(),
            palette=self.palette,
            units=self.units,
            span_s=span_s,
            footer=tuple(self.offered(footer=True)),
            offered=tuple(self.offered(footer=False)),
            axis_s=axis_s,
        )

    def words(self) -> dict[str, str]:
        """Say what the keys would do now; what means nothing now is left out."""
        room = self.room
        words = super().words()
        if room.shown is not None:
            words["span"] = f"span {room.span_words}"
        if room.player is not None:
            words["play"] = "pause" if room.player.playing else "play"
        if not room.what_if.changes:
            words |= {"undo": "", "keep": ""}
        if not room.cursors:
            words |= {"clear": ""}
        if self.open_page != "list":
            words |= {"remove": ""}
        return words

    def offered(self, *, footer: bool) -> list[Control]:
        """Return what can be done now; until the log is open, that is to leave."""
        table = self.CONTROLS
        if self.room.shown is None:
            table = tuple(one for one in table if one.action in _WHILE_OPENING)
        return offers(table, self.words(), footer=footer)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Until the log is open, leaving is all there is to do."""
        if self.room.shown is None and action not in _WHILE_OPENING:
            return action not in self._names()
        return super().check_action(action, parameters)

    # --- opening --------------------------------------------------------------------------------

    def on_mount(self) -> None:
        """Start drawing, and open the log."""
        super().on_mount()
        self.show_page("opening")
        self.run_worker(self._open(), exit_on_error=True)

    def on_unmount(self) -> None:
        """Let whatever works in the background stop."""
        self._leaving.set()
        self.stop_causes()

    async def _open(self) -> None:
        room = self.room

        def note_progress(share: float) -> None:
            room.progress = share

        try:
            decided = await asyncio.to_thread(
                decide, room.log, progress=note_progress, stop=self._leaving.is_set
            )
            room.what_if.values = self.what_if_keys.own_values()
            pace = await asyncio.to_thread(pace_of, decided)
            marks, none = await asyncio.to_thread(self._marks)
        except Stopped:
            return
        except BadInput as error:
            self.fault = error
            self.exit(None)
            return
        room.opened(decided, marks, pace)
        self.show_page("")
        if self._start:
            self.time_keys.go(self._start)
        if marks.faults:
            count = len(marks.faults)
            what = "1 mark can't be read" if count == 1 else f"{count} marks can't be read"
            what = "the marks can't be read" if none else what
            self.say(f"{what}: {marks.faults[0]}", odd=True)
        self.redraw()
        self.do_early()
        self.work_out_causes()

    def _marks(self) -> tuple[Marks, bool]:
        """Return the log's marks, and whether none of the file can be read: told of, no more."""
        try:
            return read_marks(self.room.log), False
        except BadInput as error:
            return Marks(faults=[str(error)]), True

    # --- what is seen ---------------------------------------------------------------------------

    def action_span(self) -> None:
        """Go through the usual spans."""
        self.room.next_span()
        self.redraw()

    def action_zoom(self, steps: int) -> None:
        """Show less or more of the log."""
        self.room.zoom(steps)
        self.redraw()

    def action_choose(self, step: int) -> None:
        """Choose in the list of whatever is open, or scroll."""
        if self.open_page in _SCROLLED:
            self.scroll(step)
        elif self.open_page == "what_if":
            self.room.what_if.move(step)
        elif self.room.shown is not None:
            self.room.choose(step)
        self.redraw()

    def on_entry_picked(self, message: EntryPicked) -> None:
        """Choose the entry that was clicked."""
        self.room.chosen = message.key
        self.redraw()

    def action_enter(self) -> None:
        """Go to the chosen entry; on the page of thresholds, change the chosen one."""
        if self.open_page == "what_if":
            self.what_if_keys.enter()
            return
        if (entry := self.room.chosen_entry) is None:
            self.say("nothing to go to: no event, gap or mark is in the list")
            return
        _, player = self.room.open
        if entry.kind == "event":
            player.seek_row(entry.index, self.now_s())
        else:
            player.seek(entry.time_s, self.now_s())
        if self.open_page == "list":
            self.show_page("")
        self.moved()
        self.room.chosen = entry.key

    def show_page(self, name: str) -> None:
        """Open a page from its top."""
        self.room.scroll = 0
        super().show_page(name)

    def action_escape(self) -> None:
        """Give up what is asked, or close the page; the opening stays until the log is open."""
        if self.room.shown is not None:
            self.room.notice = None
            super().action_escape()

    # --- leaving --------------------------------------------------------------------------------

    def action_leave(self) -> None:
        """Leave."""
        self._leaving.set()
        self.stop_causes()
        if self.room.player is None:
            self.exit(None)
            return
        left = f"Replay left at {figure(self.room.player.time_s, 2)} s."
        if not self.room.what_if.saved:
            left += " The changed thresholds were not kept."
        self.exit(left)
