"""What if: the keys that change thresholds, decide the log again behind, and show what differs."""

import asyncio
import threading
from pathlib import Path
from typing import Final

from monitor.review.compare import compare
from monitor.review.decide_log import decide
from monitor.review.edit import Value, edit, save_as, values_of, without_place
from monitor.review.log import Stopped
from monitor.screen.replay.screen import ReplayKeys
from monitor.screen.replay.what_if import Change
from simulator.rig import RigFile
from simulator.strict import BadInput, called, for_shell

MOST_TRIED: Final = ("debt.false_pull_every", "debt.cut", "flow_sensor.gain_within")
THRESHOLDS: Final = ("debt", "flow_sensor", "ladder", "limits", "watch", "paid")


class WhatIfKeys(ReplayKeys):
    """Thresholds changed, changed back and kept."""

    _tried: RigFile | None = None

    def own_rig(self) -> RigFile:
        """Return the rig that changes start from: the log's own, or the one asked for."""
        base = self.room.base
        return self.room.log.rig_file if base is None else base.rig_file

    def own_values(self) -> list[Value]:
        """Return its keys and values."""
        return thresholds_first(values_of(self.own_rig()))

    def enter(self) -> None:
        """Change the chosen threshold, or go to the chosen difference."""
        what_if = self.room.what_if
        if what_if.among_differences and what_if.differences:
            at = min(what_if.at, len(what_if.differences) - 1)
            self.room.open[1].seek(what_if.differences[at].time_s, self.screen.now_s())
            self.screen.show_page("")
            self.screen.moved()
            self.room.chosen = ("difference", -1, at)  # others may stand at the same moment
            return
        value = what_if.chosen_value
        key, proposed = ("", "") if value is None else (f"{value.key} = ", value.value)
        self.screen.run_asking(self._ask_change(key, proposed))

    def action_switch(self) -> None:
        """Go from the thresholds to the differences, or back."""
        if self.screen.open_page != "what_if":
            self.screen.say("tab goes from thresholds to what they make different; w shows them")
        elif not self.room.what_if.differences:
            self.screen.say("nothing differs, so there is nowhere to go")
        self.room.what_if.switch()
        self.screen.redraw()

    async def _ask_change(self, kept: str, proposed: str) -> None:
        room = self.room
        async for answer in self.screen.answers("What if:", proposed, kept=kept):
            try:
                own = {value.key: value.value for value in self.own_values()}
                changes = room.what_if.with_typed(answer, own)
                rig_file = await asyncio.to_thread(self._edited, changes)
            except BadInput as error:
                self.screen.say(without_place(str(error), self.own_rig()), odd=True)
                continue
            if await self._try(rig_file, changed=bool(changes)):
                room.what_if.take(changes)
                self._settle()
            return

    def action_undo(self) -> None:
        """Take the last change back."""
        if self.room.what_if.undone() is not None:
            self.screen.run_asking(self._undo())
        else:
            self.screen.say("nothing to undo: no threshold was changed; w changes one")

    async def _undo(self) -> None:
        before = self.room.what_if.undone() or {}
        rig_file = await asyncio.to_thread(self._edited, before)
        if await self._try(rig_file, changed=bool(before)):
            self.room.what_if.undo()
            self._settle()

    def _edited(self, changes: dict[str, Change]) -> RigFile:
        rig = self.own_rig()
        return edit(rig, *(change.edit for change in changes.values())) if changes else rig

    async def _try(self, rig_file: RigFile, *, changed: bool) -> bool:
        """Decide the log by a rig in the background and show it; return whether that is done.

        What is being worked out when another try begins is given up.
        """
        room = self.room
        base = room.base
        if base is None:
            return False
        stop = threading.Event()
        room.busy = "deciding again"
        self.screen.redraw()
        decided, differences = base, []
        try:
            if changed:
                decided = await asyncio.to_thread(decide, room.log, rig_file, stop=stop.is_set)
                differences = await asyncio.to_thread(compare, base, decided)
            values = thresholds_first(await asyncio.to_thread(values_of, rig_file))
        except Stopped:
            return False
        finally:
            stop.set()
            room.busy = ""
        self._tried = rig_file
        room.what_if.values = values
        room.show(decided, differences)
        return True

    def _settle(self) -> None:
        self.room.what_if.stay_within()
        self.room.notice = None
        self.screen.work_out_causes()
        self.screen.redraw()

    def action_keep(self) -> None:
        """Ask for a file, and keep the changed thresholds as a new rig."""
        if self.room.what_if.changes and self._tried is not None:
            self.screen.run_asking(self._ask_keep(self._tried))
        else:
            self.screen.say("nothing to keep: no threshold is changed; w changes one")

    async def _ask_keep(self, rig_file: RigFile) -> None:
        room = self.room
        stem = Path(rig_file.file_name).stem or "rig"
        question, proposed = "Keep as a new rig file:", f"{stem}-tried.toml"
        async for answer in self.screen.answers(question, proposed):
            try:
                await asyncio.to_thread(save_as, rig_file.text, path_of(answer))
            except BadInput as error:
                self.screen.say(str(error), odd=True)
                continue
            room.what_if.saved = True
            check = f"flowdebt check {for_shell(answer)}"
            self.screen.say(f"kept as {answer}; {check} tells what follows")
            return


def thresholds_first(values: list[Value]) -> list[Value]:
    """Return a rig's keys: how sure to be and how much may be missing, then what else decides."""
    order = {name: place for place, name in enumerate((*MOST_TRIED, *THRESHOLDS))}
    most = len(order)

    def place(value: Value) -> int:
        table = value.key.partition(".")[0]
        return order.get(value.key, order.get(table, most))

    return sorted(values, key=place)


def path_of(typed: str) -> Path:
    """Return the file a person named; ~ is their own folder.

    Raises:
        BadInput: Nobody has that folder.
    """
    try:
        return Path(typed).expanduser()
    except RuntimeError:
        raise BadInput(f"{called(typed)}: found no such home, expected a file to write") from None
