"""The keys that write something: a mark, or what the plot spans as a file."""

import asyncio
from typing import Final

from monitor.recorder.span import counted
from monitor.review.marks import add_mark, read_marks, remove_mark
from monitor.review.ranges import export_range
from monitor.screen.replay.screen import ReplayKeys
from monitor.screen.replay.what_if_keys import path_of
from monitor.words.literal import figure
from simulator.strict import BadInput

BARE_NOTE: Final = "no note"


class WritingKeys(ReplayKeys):
    """Marks and exports."""

    def action_mark(self) -> None:
        """Ask for a note, and set a mark where the moment was when the key was pressed."""
        at_s = self.room.open[1].time_s
        self.screen.run_asking(self._ask_mark(at_s))

    def action_mark_now(self) -> None:
        """Set a mark here without a note: while playing there is no time to type one."""
        at_s = self.room.open[1].time_s
        self.screen.run_worker(self._mark(at_s, BARE_NOTE), group="marks")

    async def _mark(self, at_s: float, text: str) -> bool:
        room = self.room
        try:
            mark = await asyncio.to_thread(add_mark, room.log, at_s, text, room.who)
            room.marks = await asyncio.to_thread(read_marks, room.log)
        except BadInput as error:
            self.screen.say(str(error), odd=True)
            return False
        room.list_anew()
        self.screen.say(f"mark {mark.number} set at {figure(at_s, 2)} s")
        return True

    async def _ask_mark(self, at_s: float) -> None:
        async for answer in self.screen.answers(f"Mark at {figure(at_s, 2)} s:"):
            if await self._mark(at_s, answer):
                return

    def action_remove(self) -> None:
        """Take the chosen mark away."""
        entry = self.room.chosen_entry
        if self.screen.open_page == "list" and entry is not None and entry.kind == "mark":
            self.screen.run_worker(self._remove(entry.number), group="marks")
        else:
            self.screen.say("delete takes away a mark that is chosen in the list; l opens it")

    async def _remove(self, number: int) -> None:
        room = self.room
        try:
            await asyncio.to_thread(remove_mark, room.log, number, room.who)
            room.marks = await asyncio.to_thread(read_marks, room.log)
        except BadInput as error:
            self.screen.say(str(error), odd=True)
        else:
            room.list_anew()
            self.screen.say(f"mark {number} taken away")

    def action_export(self) -> None:
        """Ask for a file, and write what the plot spans."""
        self.screen.run_asking(self._ask_export())

    async def _ask_export(self) -> None:
        room = self.room
        decided, _ = room.open
        from_s, to_s = room.stretch(self.screen.plot_columns())
        span = f"{figure(from_s, 2)} to {figure(to_s, 2)} s"
        kept, proposed = "", f"{room.log.path.stem}-{from_s:z.0f}-{to_s:z.0f}s.csv"
        question = f"Write {span} to:"
        while (answer := await self.screen.ask(question, proposed, kept=kept)) is not None:
            kept, proposed = answer, ""
            room.busy = "writing"
            try:
                to = path_of(answer)
                done = await asyncio.to_thread(export_range, decided, from_s, to_s, to)
            except BadInput as error:
                self.screen.say(str(error), odd=True)
                continue
            finally:
                room.busy = ""
            self.screen.say(f"wrote {counted(done.rows, 'row')}, {span}, to {answer}")
            return
