"""The page of alarms: what stands, in which state, why, and what to do about it."""

from math import isnan
from typing import Final

from rich.cells import set_cell_size

from monitor.attach.message_parts import LikelyCause, StandingAlarm
from monitor.guard.cause_desk import SPRAY_FINDINGS
from monitor.screen.panes.banner import age
from monitor.screen.panes.detail import explanation_in, notice_in_words
from monitor.screen.panes.standing import alarm_sign, none_stand, role
from monitor.screen.picture import Link
from monitor.screen.view import Page, Row, View
from monitor.words.alarms import since_in_words, state_in_words
from monitor.words.events import EventWords
from monitor.words.literal import fitted, plain, shortened, wrapped
from monitor.words.palette import ACTION_SYMBOLS, UNKNOWN
from rules.alarms.alarm import AlarmState, Priority
from rules.findings import FINDINGS
from rules.step.state import FINDING_NAMES

STATE_CELLS: Final = 25
PRIORITY_CELLS: Final = 9
SINCE_CELLS: Final = 10
FIRST_CELLS: Final = 11
MOST_LABEL_CELLS: Final = 36
SILENCED: Final = "Silent by hand or design; what is done to the engine does not change."
STORY_LINES: Final = 13  # left to the chosen alarm's story and the rest, where there is room
_NORMAL: Final = AlarmState.NORMAL
_SPRAY: Final = frozenset(FINDING_NAMES[i] for i in SPRAY_FINDINGS)
_CHECKS: Final = {finding.name: finding.check_first for finding in FINDINGS}


class AlarmPage(Page):
    """The alarms of a guard, one chosen, with what is known of it below.

    Attributes:
        normal_too: Whether alarms that are normal are listed as well.
        advises: Whether it says what to check first of an alarm that no event tells of.
    """

    normal_too = False
    advises = True
    _name = ""
    _at = 0

    # --- the choice ---------------------------------------------------------------------------

    def listed(self, alarms: list[StandingAlarm]) -> list[StandingAlarm]:
        """Return the alarms of the page: those that stand, then, if wanted, the normal ones."""
        if not self.normal_too:
            return alarms
        there = {alarm.name for alarm in alarms}
        return alarms + [
            StandingAlarm(name, _NORMAL, Priority.LOW, None, 0.0, first_out=False)
            for name in FINDING_NAMES
            if name not in there
        ]

    def chosen(self, alarms: list[StandingAlarm]) -> StandingAlarm | None:
        """Return the chosen alarm; it stays chosen by name, whatever comes before it."""
        listed = self.listed(alarms)
        if not listed:
            return None
        found = next((i for i, alarm in enumerate(listed) if alarm.name == self._name), None)
        self._at = min(self._at, len(listed) - 1) if found is None else found
        self._name = listed[self._at].name
        return listed[self._at]

    def choose(self, alarms: list[StandingAlarm], step: int) -> None:
        """Choose the next (1) or the one before (-1)."""
        if self.chosen(alarms) is not None:
            listed = self.listed(alarms)
            self._at = min(len(listed) - 1, max(0, self._at + step))
            self._name = listed[self._at].name

    # --- drawing ------------------------------------------------------------------------------

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw heading, alarms, the chosen one's story, and the newest answer at the foot."""
        alarms = view.picture.alarms
        chosen = self.chosen(alarms)
        listed = self.listed(alarms)
        rows = []
        if chosen is None:
            rows.append(_heading(view, width, ""))
            rows += [[none_stand(view)], []]
            rows.append([view.say(" n lists the normal ones too.", "dim")])
        else:
            room = min(len(listed), max(2, (height - 3) // 2, height - STORY_LINES))
            first = max(0, min(self._at - room // 2, len(listed) - room))
            part = f"{first + 1} to {first + room} of {len(listed)}"
            label_cells = _label_cells(width)
            rows.append(_heading(view, width, part if room < len(listed) else ""))
            rows.append(_columns(view, label_cells))
            rows += [
                _row(view, alarm, label_cells, chosen=alarm.name == chosen.name)
                for alarm in listed[first : first + room]
            ]
            rows.append([])
            check_first = _CHECKS.get(chosen.name, "") if self.advises else ""
            inner = max(20, min(width - 2, 110))
            rows += _story(view, chosen, check_first, inner, height - len(rows) - 1)
        rows = rows[: height - 1]
        rows += [[]] * (height - 1 - len(rows))
        said = shortened(notice_in_words(view), width - 2)
        return [*rows, *view.lines([said], "strong")]


def _heading(view: View, width: int, part: str) -> Row:
    left: Row = [view.say(" Alarms  ", "strong"), *alarm_sign(view)]
    if view.link in (Link.GONE, Link.HUNG):
        old = f"{UNKNOWN} as told {age(view.picture.silence_s(view.now_s))} ago "
        return view.spread(left, [view.say(old, "dim")], width)
    return view.spread(left, [view.say(f"{part} ", "dim")], width)


def _label_cells(width: int) -> int:
    rest = 2 + PRIORITY_CELLS + STATE_CELLS + SINCE_CELLS + FIRST_CELLS
    return max(8, min(MOST_LABEL_CELLS, width - rest - 1))


def _columns(view: View, label_cells: int) -> Row:
    head = f"  {'priority':<{PRIORITY_CELLS}}{'alarm':<{label_cells + 1}}{'state':<{STATE_CELLS}}"
    return [view.say(f"{head}{'since':>{SINCE_CELLS}}", "dim")]


def _row(view: View, alarm: StandingAlarm, label_cells: int, *, chosen: bool) -> Row:
    text = "strong" if chosen else "dim" if alarm.state is _NORMAL else "ink"
    label = set_cell_size(shortened(plain(alarm.label, 60), label_cells), label_cells + 1)
    row = [view.say(">" if chosen else " ", "strong")]
    if alarm.state is _NORMAL:
        row.append(view.say(" " * (PRIORITY_CELLS + 1)))
    else:
        word = f" {ACTION_SYMBOLS[alarm.level]} {alarm.priority} "
        row.append(view.say(word, role(view, alarm)))
        row.append(view.say(" " * (PRIORITY_CELLS + 1 - len(word))))
    row.append(view.say(label, text))
    row.append(view.say(f"{shortened(state_in_words(alarm), STATE_CELLS):<{STATE_CELLS}}", text))
    since = "" if alarm.state is _NORMAL else since_in_words(alarm)
    row.append(view.say(f"{since:>{SINCE_CELLS}}", text))
    if alarm.first_out:
        row.append(view.say("  first out", "strong"))
    return row


def _story(
    view: View, alarm: StandingAlarm, check_first: str, width: int, height: int
) -> list[Row]:
    """Return what is known of an alarm: why, what is likely behind it, what to check first.

    ``check_first`` is said where no event says it.
    """
    known = view.picture.events.newest_first
    name = plain(alarm.name, 60)
    event = next((event for event in known if event.key[1] == name), None)
    check_first = event.check_first if event is not None else check_first
    check = wrapped(f"Check first {check_first}", width, 2) if check_first else []
    rows = view.lines([shortened(plain(alarm.label, 60), width)], "strong")
    if alarm.silenced:
        rows += view.lines([shortened(SILENCED, width)], "dim")
    why = "Not found so far." if alarm.state is _NORMAL else "No event tells of it."
    if event is not None:
        at = "" if isnan(event.time_s) else f"{event.time_s:z.2f} s: "
        why = at + (event.explanation or "No explanation came.")
    why = view.units.sentence(why)
    free = height - len(rows) - len(check)
    told = len(wrapped(why, width, free + 1))
    for most_lines in (4, 2, 1):  # the evidence gives way
        likely = _likely(view, alarm.name, event, width, most_lines)
        if len(likely) + told <= free:
            break
    room = max(1, free - len(likely))
    rows += view.lines(explanation_in(why, width, room))
    keep = max(0, height - len(rows) - len(check))
    rows += likely[:keep]
    rows += view.lines(check, "strong")
    return rows[: max(0, height)]


def _likely(
    view: View, name: str, event: EventWords | None, width: int, most_lines: int
) -> list[Row]:
    """Return the likely causes with their shares and what speaks for them.

    They are kept when the trouble is over, for whoever comes to look at a latched alarm; those
    of an earlier trouble are not shown for a later one.
    """
    at_s, causes = view.picture.ranked
    if name not in _SPRAY or not causes or (event is not None and at_s < event.time_s):
        return []
    rows: list[Row] = []
    for cause in causes[:3]:
        said = [view.units.sentence(words) for words in _ways(cause)]
        head = f" {'likely' if not rows else '':<6} {100.0 * cause.likelihood:>z3.0f} %  "
        for i, part in enumerate(fitted(said, max(8, width - len(head) + 1), most_lines)):
            rows.append([view.say(" " * len(head) if i else head), view.say(part)])
    return rows


def _ways(cause: LikelyCause) -> list[str]:
    """Return ways to tell a cause and what speaks for it, the fullest first, in whole pieces."""
    label, told = plain(cause.label, 60), [plain(text, 120) for text in cause.evidence[:3]]
    return [f"{label}: {'; '.join(told[:n])}" for n in range(len(told), 0, -1)] + [label]
