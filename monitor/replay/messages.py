"""What a guard would have sent at a row: the messages a screen is built from."""

from monitor.guard.protocol import EventTurn, Frame, Hello
from monitor.replay.decided import Decided


def hello_of(decided: Decided, index: int = 0) -> Hello:
    """Return the greeting of a guard that has come as far as a row, without history.

    Its events are those raised before the row or in it, as they stood then (the newest 50).
    """
    raise NotImplementedError


def frame_at(decided: Decided, index: int) -> Frame:
    """Return the frame of a guard that has just decided a row: status, decision, health, alarms.

    Its one trace row is that of the decision. Causes are empty where not yet worked out.
    """
    raise NotImplementedError


def event_turns(decided: Decided, until: int, after: int = -1) -> list[EventTurn]:
    """Return what happened to events behind row ``after`` and up to row ``until``, in order."""
    raise NotImplementedError
