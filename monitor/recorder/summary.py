"""What a session comes to in a few figures, beside it, so that a list need not read it all."""

from pathlib import Path
from typing import Any, Final

import msgspec

from monitor.recorder import layout
from monitor.recorder.disk import write_whole
from monitor.recorder.notes import Note
from monitor.recorder.span import Span
from rules.facts import Action
from rules.learned import Learned
from simulator.strict import open_file

MOST_BYTES: Final = 65_536
_BY_WORD: Final[dict[str, Action]] = {action.word: action for action in Action}


class Summary(Span):
    """A session in figures, as of when it was written.

    Attributes:
        rows: Rows recorded, ticks included.
        dropped: Rows that could not be recorded.
        events: Events raised.
        worst_action: The worst action of any.
        ended: Whether the recording was finished.
        why: Why it ended.
        whole_segments: Segments finished; nothing in them will change.
        whole_rows: Rows in those.
        whole_bytes: Their size.
        whole: What they hold.
        learned: What the guard has learned of the car; None where that isn't known.
    """

    rows: int = 0
    dropped: int = 0
    events: int = 0
    worst_action: str = Action.NO_ACTION.word
    ended: bool = False
    why: str = ""
    whole_segments: int = 0
    whole_rows: int = 0
    whole_bytes: int = 0
    whole: Span | None = None
    learned: Learned | None = None

    def take(self, rows: Any) -> None:
        """Count rows, (n, ROW_WIDTH)."""
        self.rows += len(rows)
        super().take(rows)

    def segment_finished(self, segments: int, rows: int, size: int) -> None:
        """Note how many segments, of how many rows and bytes, are finished by now."""
        if segments != self.whole_segments:
            self.whole = Span(**{name: getattr(self, name) for name in Span.__struct_fields__})
        self.whole_segments, self.whole_rows, self.whole_bytes = segments, rows, size

    def as_of_whole_segments(self) -> "Summary":
        """Return what it was when the newest of those segments was finished, without events."""
        whole = self.whole or Span()
        then = {name: getattr(whole, name) for name in Span.__struct_fields__}
        return msgspec.structs.replace(self, rows=self.whole_rows, events=0, **then)

    def count(self, note: Note) -> None:
        """Count a line of ``events.jsonl``."""
        if note.event is None:
            return
        self.events += note.turn == "raised"
        action = _BY_WORD.get(note.event.action, Action.NO_ACTION)
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
    if summary.rows and summary.readings is None:
        return None  # of before readings were counted: the rows have to be read
    # Older sessions have another word where nothing was done.
    summary.worst_action = _BY_WORD.get(summary.worst_action, Action.NO_ACTION).word
    return summary
