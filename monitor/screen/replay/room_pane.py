"""What every pane of the replay screen has: the room."""

from monitor.screen.replay.room import Room
from monitor.screen.view import Pane


class RoomPane(Pane):
    """A pane that draws what stands in the room; first among the bases of one.

    Args:
        room: The replay.
        id: Its id.
    """

    def __init__(self, room: Room, *, id: str) -> None:  # noqa: A002  # Textual's own word
        super().__init__(id=id)
        self._room = room
