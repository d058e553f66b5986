"""The page of thresholds to change, and of what that would have made different."""

from typing import Final

from rich.cells import set_cell_size

from monitor.review.compare import AS_RECORDED
from monitor.screen.replay.room_pane import RoomPane
from monitor.screen.view import Page, Row, View, width_of
from monitor.words.literal import figure, plain, shortened, wrapped

TYPE_ONE: Final = "type one, as debt.cut = 0.3 s"
SEVERAL: Final = "expected a key and its value; several with ; between"
HINT: Final = "enter changes it   z undo   k keep as a new file   escape closes "
SHORT_HINT: Final = "enter change  z undo  k keep as file "
_SIGNS: Final = {
    "appears": "+",
    "vanishes": "-",
    "earlier": "<",
    "later": ">",
    "deeper": "▼",
    "shallower": "△",
    "longer": "↦",
    "shorter": "↤",
}


class WhatIfPage(RoomPane, Page):
    """Thresholds above, differences below."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw both lists; the one that is gone through gets most of the room."""
        what_if = self._room.what_if
        if self._room.shown is None:
            return []
        rows_left = height - 4
        wanted = len(what_if.differences) if what_if.changes else 0
        keys = rows_left
        if what_if.changes:
            below = min(
                max(wanted, 1), rows_left * 2 // 3 if what_if.among_differences else rows_left // 2
            )
            keys = rows_left - below
        title = " What if the thresholds were others?"
        hint = HINT if len(title) + len(HINT) < width else SHORT_HINT
        rows: list[Row] = [view.spread([view.say(title, "strong")], [view.say(hint, "dim")], width)]
        rows += self._keys(view, width, keys)
        rows.append(self._wants(view, width))
        if what_if.changes:
            rows.append(self._heading(view, width))
            rows.append([view.say(f" {shortened(AS_RECORDED, width - 2)}", "dim")])
            rows += self._differences(view, width, max(0, height - len(rows)))
        return rows

    def _keys(self, view: View, width: int, height: int) -> list[Row]:
        what_if = self._room.what_if
        chosen = -1 if what_if.among_differences else what_if.at
        labels = [("other ...", TYPE_ONE, False)]
        for value in what_if.values:
            changed = what_if.changes.get(value.key)
            text = value.value if changed is None else f"{changed.before} -> {changed.after}"
            labels.append((value.key, text, changed is not None))
        at = max(0, chosen)
        first = max(0, min(at - height // 2, len(labels) - height))
        rows: list[Row] = []
        for place, (key, text, differs) in enumerate(labels[first : first + height], start=first):
            role = "strong" if place == chosen else "ink"
            row = [
                view.say("> " if place == chosen else "  ", "strong"),
                view.say(set_cell_size(plain(key), 34), role),
                view.say(
                    f" {shortened(plain(text), max(8, width - 40))} ",
                    "unknown" if differs else role,
                ),
            ]
            rows.append(row)
        return rows

    def _wants(self, view: View, width: int) -> Row:
        value = self._room.what_if.chosen_value
        if value is None:
            other = "" if self._room.what_if.among_differences else f"  {SEVERAL}"
            return [view.say(other, "dim")]
        given = "" if value.given else "not in the file: the default; "
        return [
            view.say(f"  {shortened(f'{given}expected {plain(value.wants)}', width - 3)}", "dim")
        ]

    def _heading(self, view: View, width: int) -> Row:
        what_if = self._room.what_if
        count = len(what_if.differences)
        if self._room.busy:
            words = f" Working out what would have been … {plain(self._room.busy)}"
        elif not count:
            words = " The same would have been done throughout."
        else:
            words = f" What would have been different: {count}"
        hint = "tab goes up " if what_if.among_differences else "tab goes down, enter goes there "
        right = [view.say(hint, "dim")] if count else []
        return view.spread([view.say(shortened(words, width - 2), "strong")], right, width)

    def _differences(self, view: View, width: int, height: int) -> list[Row]:
        what_if = self._room.what_if
        chosen = what_if.at if what_if.among_differences else -1
        first = max(0, min(max(0, chosen) - height // 2, len(what_if.differences) - height))
        rows: list[Row] = []
        for place, one in enumerate(what_if.differences[first : first + height], start=first):
            role = "strong" if place == chosen else "ink"
            left = [
                view.say("> " if place == chosen else "  ", "strong"),
                view.say(f"{figure(one.time_s, 2):>9} s  ", "strong" if place == chosen else "dim"),
                view.say(set_cell_size(f"{_SIGNS.get(one.kind, '?')} {one.kind}", 13), role),
            ]
            text = wrapped(plain(one.words), max(8, width - width_of(left) - 1), 1)
            rows.append([*left, *(view.say(line, role) for line in text)])
        return rows
