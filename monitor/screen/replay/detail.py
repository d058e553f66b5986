"""The chosen entry: why, what to check first, and what is likely behind it."""

from monitor.screen.panes.detail import explanation_in
from monitor.screen.picture import likely_in_words
from monitor.screen.replay.room import Entry
from monitor.screen.replay.room_pane import RoomPane
from monitor.screen.view import Row, View
from monitor.words.literal import figure, fitted, plain, wrapped

SHORT = 4  # rows in which all of it has no room
GAP_CHECK = "Check first plug and cable of the logger, its supply, the adapter's port"


class EntryDetail(RoomPane):
    """As much of it as there is room for."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw the chosen entry; nothing where there is none."""
        room, inner = self._room, width - 2
        entry = room.chosen_entry if room.shown is not None else None
        if entry is None:
            return []
        if entry.kind == "mark":
            mark = room.mark_of(entry)
            text = f"{plain(mark.text)} (mark {mark.number}, by {plain(mark.who, 60)})"
            return view.lines(wrapped(text, inner, height))
        if entry.kind == "gap":
            gap = room.pace.silences[entry.number]
            span = f"from {figure(gap.time_s, 2)} to {figure(gap.time_s + gap.lasted_s, 2)} s"
            text = (
                f"No row came {span}: the link, or whatever wrote the log, fell silent."
                if gap.share >= 1.0
                else f"{100.0 * gap.share:z.0f} % of the rows are missing {span}, none of them for "
                "long: the link lost some, or whatever wrote the log skipped them."
            )
            rows = view.lines(wrapped(text, inner, max(1, height - 1)))
            check = wrapped(GAP_CHECK, inner, height - len(rows))
            return [*rows, *view.lines(check, "strong")]
        if entry.kind == "difference":
            one = room.what_if.differences[entry.number]
            rows = view.lines(wrapped(one.words, inner, height), "strong")
            for name, event in (("Was", one.before), ("Would be", one.after)):
                left = height - len(rows)
                said = f"{name}: {event.explanation}" if event else f"{name}: nothing."
                if left > 0:
                    rows += view.lines(explanation_in(view.units.sentence(said), inner, left))
            return rows
        happened, _ = room.event_of(entry)
        check = wrapped(f"Check first {happened.check_first}", inner, 2 if height > 4 else 1)
        likely = [view.units.sentence(words) for words in self._likely(entry)]
        # A few rows hold the reason and the likely causes rather than all of the reason.
        spare = 1 if likely and height <= SHORT else 0
        why = explanation_in(
            view.units.sentence(happened.explanation) or "No explanation.",
            inner,
            max(1, height - len(check) - spare),
        )
        if spare:
            return [*view.lines([*why, *fitted(likely, inner, 1)]), *view.lines(check, "strong")]
        rows = [*view.lines(why), *view.lines(check, "strong")]
        steps = [f"Steps{self._by(entry)}: {happened.steps}."] if happened.steps else []
        for told, role in ((likely, "ink"), (steps, "dim")):
            if told and height > len(rows):
                rows += view.lines(fitted(told, inner, height - len(rows)), role)
        return rows

    def _by(self, entry: Entry) -> str:
        """Say by whose clock an event's steps are told, where that isn't the axis's."""
        decided, _ = self._room.open
        return " by the log's own clock" if decided.shift_s(entry.index) > 0.0 else ""

    def _likely(self, entry: Entry) -> list[str]:
        found = self._room.causes_of(entry)
        if found is None:
            return ["Likely causes are being worked out."]
        causes, time_s = found
        return likely_in_words(causes, f" (at {figure(time_s, 2)} s)")
