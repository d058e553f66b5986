"""The top line of a replay: what was done to the engine then, never to be taken for live."""

from monitor.screen.panes.banner import Banner
from monitor.screen.replay.room_pane import RoomPane
from monitor.screen.view import Row, View, width_of
from monitor.words.literal import shortened

LEAST_WHAT_IF = 24


class ReplayBanner(RoomPane, Banner):
    """The live banner behind the word REPLAY, and what is changed where something is."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw two rows."""
        if self._room.shown is None:
            said = f"opening {self._room.log.path.name}"
            head = [view.say(" "), view.say(" REPLAY ", "chosen"), view.say("  ")]
            return [[*head, view.say(shortened(said, width - 12), "strong")], []]
        changed = self._room.what_if.words
        mark: Row = [view.say(" "), view.say(" REPLAY ", "chosen")]
        first, second, *_ = super().draw(view, width - (21 if changed else 9), 2)
        if not changed:
            return [[*mark, *first], second]
        # The action's word goes before how deep it is: the sentence below says that too.
        chip = first[:2]
        room = max(LEAST_WHAT_IF, width - width_of(mark) - width_of(chip) - 4)
        text = shortened(f"WHAT-IF: {changed}", room)
        head = [*mark, *chip, view.say(" "), view.say(f" {text} ", "unknown")]
        would = view.say(" would be ", "unknown")
        return [head, [view.say(" "), would, *second]]
