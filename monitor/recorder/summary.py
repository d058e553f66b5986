"""What a session comes to in a few figures, beside it, so that a list need not read it all."""

from math import isfinite
from pathlib import Path
from typing import Any, Final

import msgspec

from monitor.recorder import layout
from monitor.recorder.disk import write_whole
from rules.facts import Action
from simulator.strict import open_file

MOST_BYTES: Final = 65_536
_BY_WORD = {action.word: action for action in Action}


class Summary(msgspec.Struct):
    """A session in figures, as of when it was written.

    Attributes:
        rows: Rows recorded.
        dropped: Rows that could not be recorded.
        from_s: First time.
        to_s: Last time.
        events: Events raised.
        worst_action: The worst action of any.
        ended: Whether the recording was finished.
        why: Why it ended.
        whole_segments: Segments finished; nothing in them will change.
        whole_rows: Rows in those.
        whole_bytes: Their size.
    """

    rows: int = 0
    dropped: int = 0
    from_s: float | None = None
    to_s: float | None = None
    events: int = 0
    worst_action: str = Action.NO_ACTION.word
    ended: bool = False
    why: str = ""
    whole_segments: int = 0
    whole_rows: int = 0
    whole_bytes: int = 0

    def took(self, first_s: float, last_s: float, rows: int) -> None:
        """Count rows from one time to another; times that are no numbers say nothing."""
        self.rows += rows
        if self.from_s is None and isfinite(first_s):
            self.from_s = float(first_s)
        if isfinite(last_s):
            self.to_s = float(last_s)

    def heard(self, note: dict[str, Any]) -> None:
        """Count a line of ``events.jsonl``."""
        if note.get("kind") != "event" or not isinstance(event := note.get("event"), dict):
            return
        self.events += note.get("turn") == "raised"
        action = _BY_WORD.get(str(event.get("action")), Action.NO_ACTION)
        if action > _BY_WORD.get(self.worst_action, Action.NO_ACTION):
            self.worst_action = action.word


def write_summary(session: Path, summary: Summary) -> None:
    """Write a session's summary, whole or not at all.

    Raises:
        OSError: It could not be written; an older one is still there.
    """
    write_whole(session / layout.SUMMARY, msgspec.json.encode(summary) + b"\n")


def read_summary(session: Path) -> Summary | None:
    """Return a session's summary; None where there is none, or what is there is damaged."""
    try:
        with open_file(session / layout.SUMMARY) as file:
            summary = msgspec.json.decode(file.read(MOST_BYTES), type=Summary)
    except (OSError, msgspec.MsgspecError, RecursionError):
        return None
    # Older sessions have another word where nothing was done.
    summary.worst_action = _BY_WORD.get(summary.worst_action, Action.NO_ACTION).word
    return summary
