"""A line of a session's ``events.jsonl``, as far as this program reads it again."""

import msgspec


class NotedEvent(msgspec.Struct):
    """The worst action of an event, by name."""

    action: str = ""


class Note(msgspec.Struct):
    """One line. What a line of its kind doesn't have is as it is here.

    Attributes:
        kind: What it tells: ``event``, ``alarm``, ``notice``, ``segment``, ``end`` and so on.
        turn: What happened to an event.
        event: How it stood then; None elsewhere.
        rows: Rows of a segment; in an end record, of the session.
        dropped: In an end record, rows that could not be recorded.
        why: In an end record, why the guard ended.
    """

    kind: str
    turn: str = ""
    event: NotedEvent | None = None
    rows: int = 0
    dropped: int = 0
    why: str = ""

    @property
    def ends(self) -> bool:
        """Whether it is the end record."""
        return self.kind == "end"
