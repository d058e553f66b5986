"""The alarms that stand: a sign for a heading, and a short list where a screen is very wide."""

from rich.cells import cell_len
from rich.segment import Segment

from monitor.attach.message_parts import StandingAlarm
from monitor.screen.picture import Link
from monitor.screen.view import Pane, Row, View
from monitor.words.alarms import count_in_words, state_in_words
from monitor.words.literal import plain, shortened
from monitor.words.palette import ACTION_ROLES, ACTION_SYMBOLS, UNKNOWN


def role(view: View, alarm: StandingAlarm) -> str:
    """Return the style of an alarm's priority: colour only while nobody has seen it."""
    if view.link in (Link.GONE, Link.HUNG) or not (alarm.listed and alarm.unseen):
        return "ink"
    return ACTION_ROLES[alarm.level]


def alarm_sign(view: View) -> Row:
    """Return how many alarms stand and are unseen, in a few words; nothing where there are none."""
    alarms = view.picture.alarms
    words = count_in_words(alarms)
    if not words:
        return []
    if view.link in (Link.GONE, Link.HUNG):
        return [view.say(f"{UNKNOWN} before: {words}  ", "dim")]
    unseen = [alarm for alarm in alarms if alarm.listed and alarm.unseen]
    if not unseen:
        return [view.say(f"{words}  ", "ink")]
    worst = max(unseen, key=lambda alarm: alarm.level)
    sign = f" {ACTION_SYMBOLS[worst.level]} {words} "
    return [view.say(sign, role(view, worst)), view.say("  ")]


def none_stand(view: View) -> Segment:
    """Return the words for an empty list: none, or not known."""
    known = view.link in (Link.LIVE, Link.SILENT)
    return view.say(" none stand" if known else f" {UNKNOWN} unknown", "dim")


class StandingAlarms(Pane):
    """One row an alarm: priority, label, state. The page of alarms says more."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw a heading and the alarms, first out first; the last row says what has no room.

        How many there are stands beside the events already.
        """
        alarms = view.picture.alarms
        if not alarms:
            return [[view.say(" Alarms", "strong"), none_stand(view)]]
        rows: list[Row] = [[view.say(" Alarms", "strong")]]
        room = height - 1
        shown = alarms if len(alarms) <= room else alarms[: room - 1]
        longest = max(cell_len(shortened(state_in_words(alarm), 26)) for alarm in shown)
        label_cells = max(8, width - 7 - longest)
        for alarm in shown:
            label = shortened(plain(alarm.label, 60), label_cells)
            state = shortened(state_in_words(alarm), 26)
            mark = view.say(f" {ACTION_SYMBOLS[alarm.level]} ", role(view, alarm))
            row = [view.say(" "), mark, view.say(f" {label:<{label_cells}} "), view.say(state)]
            rows.append(row)
        if len(shown) < len(alarms):
            rows.append([view.say(f" and {len(alarms) - len(shown)} more", "dim")])
        return rows
