"""The chosen event: why, and what to check first."""

from typing import Final

from monitor.screen.picture import likely_in_words
from monitor.screen.view import Pane, Row, View
from monitor.words.literal import fitted, plain, wrapped


def explanation_in(text: str, width: int, most_lines: int) -> list[str]:
    """Break an explanation into lines; in too little room, the reason alone, then less of it.

    No end is ever lost. What is done, behind the last colon, also stands in the event's own row and
    at the top; a limit that was passed, behind the reason's last comma, beside its bar.
    """
    reason, colon, _ = plain(text).rpartition(": ")
    less, comma, _ = reason.rpartition(", ")
    said = [text, *([f"{reason}."] if colon else []), *([f"{less}."] if comma else [])]
    return fitted(said, width, most_lines)


NOTICES_SHOW_S: Final = 60.0


def notice_in_words(view: View) -> str:
    """Return the newest notice as one line; empty where there is none that is new."""
    notice = view.picture.notice
    if notice is None or view.now_s - notice[1] > NOTICES_SHOW_S:
        return ""
    topic, text = plain(notice[0].topic, 20), view.units.sentence(plain(notice[0].text))
    return f"{topic}: {text}" if topic else text


class EventDetail(Pane):
    """Explanation, what to check first, and the steps the action took, as far as there is room."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw the chosen event; where there is none, the newest notice."""
        known = view.picture.events.newest_first
        if not known:
            said = notice_in_words(view)
            return view.lines(wrapped(said, width - 2, height), "dim") if said else []
        event = known[min(view.chosen, len(known) - 1)]
        inner = width - 2
        advice = f"Check first {event.check_first}"
        check = wrapped(advice, inner, 2 if height > 4 else 1) if event.check_first else []
        likely = likely_in_words(view.picture.causes) if event.active else []
        causes: list[str] = []
        if likely:
            told = [view.units.sentence(words) for words in likely]
            causes = fitted(told, inner, 1 if height < 6 else max(2, height // 3))
        said = view.units.sentence(event.explanation) or "No explanation came."
        why = explanation_in(said, inner, max(1, height - len(check) - len(causes)))
        rows = [*view.lines([*why, *causes]), *view.lines(check, "strong")]
        left = height - len(rows)
        if event.steps and left > 0:
            rows += view.lines(wrapped(f"Steps: {event.steps}.", inner, left), "dim")
        return rows
