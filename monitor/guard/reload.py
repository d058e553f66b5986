"""Reading a running guard's rig again, beside the decision path."""

import asyncio
import sys
from typing import Final

from monitor.attach.listeners import Tell
from monitor.attach.protocol import Answer
from monitor.guard.loop import GuardLoop
from simulator.rig import Change, RigFile, find_rig, live_changes, load_rig
from simulator.strict import BadInput

SWITCH_S: Final = 0.0005  # of threads, while one parses: a sample waits no longer for its turn


async def reload_rig(guard: GuardLoop, name: str, answer: Tell) -> None:
    """Read and check a rig on a thread, then put it in force on the loop, between two rows.

    Args:
        guard: Whose rig it is.
        name: Rig file or shipped name; empty: the file the one in force came from.
        answer: Told, once, what came of it.
    """
    try:
        rig_file, changes = await asyncio.to_thread(_read, name, guard.rig_file)
        if changes:
            guard.change(rig_file, changes)
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
