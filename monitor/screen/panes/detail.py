"""The chosen event: why, and what to check first."""

from monitor.screen.literal import wrapped
from monitor.screen.view import Pane, Row, View


class EventDetail(Pane):
    """Explanation, what to check first, and the steps the action took, as far as there is room."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw the chosen event; nothing where there is none."""
        known = view.picture.happenings.newest_first
        if not known:
            return []
        event = known[min(view.chosen, len(known) - 1)]
        inner = width - 1
        check = wrapped(f"Check first {event.check_first}", inner, 2 if height > 3 else 1)
        why = wrapped(event.explanation or "No explanation came.", inner, height - len(check))
        rows: list[Row] = [[view.say(" "), view.say(line)] for line in why]
        rows += [[view.say(" "), view.say(line, "strong")] for line in check]
        left = height - len(rows)
        if event.steps and left > 0:
            steps = wrapped(f"Steps: {event.steps}.", inner, left)
            rows += [[view.say(" "), view.say(line, "dim")] for line in steps]
        return rows
