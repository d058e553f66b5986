"""Reading a running guard's rig again, beside the decision path."""

import asyncio
import sys
from collections.abc import Callable
from typing import Final

from monitor.attach.listeners import Tell
from monitor.attach.protocol import Answer
from simulator.rig import Change, RigFile, find_rig, live_changes, load_rig
from simulator.strict import BadInput

Apply = Callable[[RigFile, tuple[Change, ...]], None]
SWITCH_S: Final = 0.0005  # of threads, while one parses: a sample waits no longer for its turn


class Reloader:
    """Reads and checks a rig on a thread, then has it applied on the loop, between two rows.

    Args:
        current: Returns the rig in force.
        apply: Puts another in force.
    """

    def __init__(self, current: Callable[[], RigFile], apply: Apply) -> None:
        self._current = current
        self._apply = apply
        self._task: asyncio.Task[None] | None = None

    def ask(self, name: str, answer: Tell) -> None:
        """Read a rig (empty: the file the one in force came from); never waits.

        Args:
            name: Rig file or shipped name.
            answer: Told, once, what came of it.
        """
        if self._task is not None and not self._task.done():
            answer(Answer("reload", False, "found a reload under way, expected one at a time"))
            return
        self._task = asyncio.create_task(self._reload(name, answer))

    def stop(self) -> None:
        """Give up what is under way."""
        if self._task is not None:
            self._task.cancel()

    async def _reload(self, name: str, answer: Tell) -> None:
        before = self._current()
        try:
            rig_file, changes = await asyncio.to_thread(_read, name, before)
            if changes:
                self._apply(rig_file, changes)
        except (BadInput, ValueError) as error:
            answer(Answer("reload", False, str(error)))
            return
        words = ", ".join(change.words for change in changes)
        answer(Answer("reload", True, words or "nothing differs"))


def _read(name: str, before: RigFile) -> tuple[RigFile, tuple[Change, ...]]:
    usual_s = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    try:
        rig_file = load_rig(find_rig(name or before.file_name))
        return rig_file, live_changes(before, rig_file)
    finally:
        sys.setswitchinterval(usual_s)
