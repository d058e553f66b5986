"""What the parts of the replay screen need of the whole."""

from typing import Any

from monitor.screen.replay.room import Room


class Part:
    """A part: some keys and what they do. The screen inherits from all of them."""

    room: Room
    open_page: str
    # Textual's and the dashboard's own, of which a part knows no more than that they are there.
    ask: Any
    run_worker: Any
    redraw: Any
    show_page: Any
    work_out_causes: Any
    scroll: Any
    plot_columns: Any
    _clock: Any

    def _moved(self) -> None:
        """Follow the moment again, after it was moved."""
        self.room.chosen = None
        self.room.notice = None
        self.redraw()

    def _nothing(self, why: str) -> None:
        """Say why a key does nothing now."""
        self.room.say(why, self._clock())
        self.redraw()
