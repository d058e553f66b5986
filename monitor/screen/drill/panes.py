"""A trainee's panes: the top line, what is held back, the list of calls, the answers."""

from math import ceil
from typing import Final

from rich.cells import cell_len, set_cell_size
from rich.segment import Segment
from rich.style import Style

from monitor.attach.drilling import Phase
from monitor.screen.drill.told import DrillPane
from monitor.screen.panes.banner import Banner, age, chip
from monitor.screen.panes.channels import EXTRA, LINE_PRESSURE, SHOWN, Channels, Shown
from monitor.screen.panes.evidence_and_debt import EvidenceAndDebt
from monitor.screen.panes.too_small import LEAST_HEIGHT, LEAST_WIDTH, TooSmall
from monitor.screen.picture import Link
from monitor.screen.view import Page, Row, View, width_of
from monitor.words.literal import figure, or_nan, plain, shortened, wrapped
from monitor.words.palette import UNKNOWN
from simulator.drill.words import Failsafe

LETTERS: Final = "abcdefghijkl"  # a call has one of these
COLUMN_CELLS: Final = 38  # a call's letter and words
ANSWER_S: Final = 8.0  # an answer to a key stands so long
WIDEST: Final = 100  # cells of a page's text
CAUTION: Final = "A simulated car: nothing here reaches an engine."
_HELD: Final = ("events", "evidence", "causes", "advice")
_FAILSAFE: Final = {
    Failsafe.ON: "failsafe on",
    Failsafe.OFF: "no failsafe",
    Failsafe.LATE: "failsafe late",
}


def in_words(word: str) -> str:
    """Return one of our own words as people read it."""
    return plain(word, 40).replace("_", " ")


def _does(action: str) -> Style:
    """Return the style of words on which a click does something."""
    return Style(meta={"@click": f"app.{action}"})


class TraineeBanner(DrillPane, Banner):
    """What is done to the engine, and by whom."""

    def said(self, view: View) -> tuple[Row, list[str]]:
        """Say how the drive stands where it isn't driven; else what the failsafe does."""
        told = self._told
        if view.link is Link.GONE:
            why = plain(view.picture.gone_why, 160)
            row = chip(view, "ENDED", "nothing is driven any more; q quits", "chosen")
            return row, [f"{why[:1].upper()}{why[1:]}."]
        if view.link is Link.HUNG:
            slow = f"nothing came for {age(view.picture.silence_s(view.now_s))}"
            return chip(view, f"{UNKNOWN} NO DATA", slow, "unknown"), [_BUSY]
        match told.phase:
            case None:
                notice = view.picture.notice
                why = "Nothing is told yet." if notice is None else plain(notice[0].text, 160)
                return chip(view, "WAITING", "for the drive", "chosen"), [why]
            case Phase.WAITING:
                who = "space begins" if told.may_begin else "the instructor begins"
                return chip(view, "READY", who, "chosen"), [CAUTION]
            case Phase.PAUSED:
                return chip(view, "PAUSED", "by the instructor", "chosen"), [""]
            case Phase.OVER:
                more = "the debrief follows" if told.debrief is None else "tab: debrief or picture"
                return chip(view, "OVER", more, "chosen"), [""]
            case Phase.DRIVING if told.unhelped and view.link in (Link.LIVE, Link.WAITING):
                row = chip(view, "NO FAILSAFE", "nothing acts on the engine but you", "calm")
                return row, [""]
        return super().said(view)

    def right(self, view: View, width: int) -> Row:
        """Return what the trainee does."""
        state = self._told.state
        if state is None or view.link is Link.GONE:
            return []
        what = f"you: {in_words(state.act)} "
        return [view.say(shortened(what, max(8, width // 3)), "strong")]


class HeldEvidence(DrillPane, EvidenceAndDebt):
    """Evidence and debt, where the lesson shows them."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw them, or say that they are held back; then other readings have their place."""
        if self._told.brief is None or self._told.shows("evidence"):
            return super().draw(view, width, height)
        rows = view.lines(["Evidence and debt are held back in this lesson."], "dim")
        hello = view.picture.hello
        if hello is None or height > 2:  # in much room they are among the channels
            return rows
        row: Row = []
        for one in _LATER:
            if one.name in hello.channels:
                value = view.units.figure(view.picture.value(one.name), one.unit, one.decimals)
                row.append(view.say(f" {one.label} ", "dim"))
                row.append(view.say(f"{value} {view.units.unit(one.unit)} ", "ink"))
        return [*rows, row]


class TraineeChannels(Channels):
    """The channels that tell of the spray first: in little room injectors and timing give way."""

    def listed(self, view: View, mapped: set[str]) -> tuple[list[Shown], list[Shown]]:
        """Return what to show of the channels the rig maps, and what else where there is room."""
        del view
        shown, later = ([one for one in part if one.name in mapped] for part in (_FIRST, _LATER))
        return shown, later


class CallList(DrillPane):
    """What can be called, a letter before each; letters act while it is open."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw a heading and the calls in columns, down and then across."""
        told = self._told
        if told.brief is None or told.state is None:
            return []
        calls = told.brief.calls[: len(LETTERS)]
        head = " What can be called: space, then its letter"
        if told.phase is Phase.OVER:
            head = " What could be called"
        elif told.calling:
            head = " Call it: press its letter; space closes"
        rows: list[Row] = [[view.say(head, "strong" if told.calling else "dim")]]
        columns = max(1, width // COLUMN_CELLS)
        columns = min(columns, max(1, ceil(len(calls) / max(1, height - 1))) if width < 120 else 3)
        each, deep = width // columns, ceil(len(calls) / columns)
        for y in range(deep):
            row: Row = []
            for place in range(y, len(calls), deep):
                called = calls[place].word == told.state.call
                role = "strong" if told.calling or called else "dim"
                letter = f"{'>' if called else ' '}{LETTERS[place]}  "
                text = set_cell_size(shortened(plain(calls[place].words), each - 6), each - 4)
                part = [view.say(letter, "strong"), view.say(text, role)]
                does = _does(f"pick('{LETTERS[place]}')")
                row += Segment.apply_style(part, post_style=does)
            rows.append(row)
        return rows


class AnswerBar(DrillPane):
    """Two rows: where the drive is, and what was answered."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw them; before anything is told, nothing."""
        del height
        told = self._told
        brief, state = told.brief, told.state
        if brief is None or state is None:
            return []
        decided_s = or_nan(view.picture.decision.time_s)
        time_s = decided_s if decided_s > state.time_s else state.time_s
        first = [
            view.say(f" {figure(time_s, 1)} of {brief.duration_s:zg} s ", "strong"),
            view.say(f"│ {_FAILSAFE[brief.failsafe]} ", "dim"),
        ]
        called = "called: nothing yet"
        if state.call is not None:
            at = "" if state.called_s is None else f" {figure(state.called_s, 1)} s"
            called = f"called{at}: {told.call_in_words(state.call)}"
        right = [view.say(f"{plain(brief.alias, 24)} ", "dim")]
        room = width - width_of(first) - 3
        first.append(view.say("│ ", "dim"))
        role = "dim" if state.call is None else "strong"
        first.append(view.say(shortened(plain(called), max(0, room)), role))
        second: Row = []
        for number, act in enumerate(brief.acts, start=1):
            role = "chosen" if act.word == state.act else "ink"
            part = [view.say(f" {number} ", "strong"), view.say(in_words(act.word), role)]
            second += Segment.apply_style(part, post_style=_does(f"act({number})"))
        of = f" {brief.lesson_number} of {brief.lessons}" if brief.lesson_number else ""
        ways = [f"lesson{of}: {plain(brief.title, 80)}", f"lesson{of}" if of else ""]
        room = width - width_of(second) - 5
        lesson = next((words for words in ways if cell_len(words) <= room), "")
        second.append(view.say(f"  │ {lesson}", "dim"))
        if said := answer_in_words(view):
            second = [view.say(f" {shortened(said, width - 2)}", "strong")]
        return [view.spread(first, right, width), second]


def answer_in_words(view: View) -> str:
    """Return what the class, or the screen, answered a key; empty after some seconds."""
    notice = view.picture.notice
    if notice is None or view.now_s - notice[1] > ANSWER_S:
        return ""
    return plain(notice[0].text)


class BriefPage(DrillPane, Page):
    """What is told before the drive."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw the brief, as far as there is room."""
        brief = self._told.brief
        if brief is None:
            return [[view.say(" Waiting for the class's first word", "dim")]]
        inner = max(20, min(width - 2, WIDEST))
        number = f"Lesson {brief.lesson_number} of {brief.lessons}: " if brief.lesson_number else ""
        rows = [*view.lines([f"{number}{plain(brief.title, 80)}"], "strong"), []]
        rows += view.lines(wrapped(plain(brief.text, 2000), inner, 6))
        rows += [[], *view.lines(wrapped(self._terms(), inner, 3))]
        rows += [[], *view.lines(wrapped(_HOW, inner, 4))]
        rows += [[], *view.lines(wrapped(_PRIVATE, inner, 2), "dim")]
        return rows[:height]

    def _terms(self) -> str:
        """Say what the failsafe does in this lesson, and what is held back."""
        brief = self._told.brief
        if brief is None:
            return ""
        match brief.failsafe:
            case Failsafe.ON:
                helps = "The failsafe acts on this car, too."
            case Failsafe.OFF:
                helps = "There is no failsafe: only what you do reaches the car."
            case Failsafe.LATE:
                helps = f"The failsafe acts {figure(brief.late_by_s, 1)} s late."
        held = ", ".join(what for what in _HELD if what not in brief.shows)
        return f"{helps} {f'Held back: {held}.' if held else 'Nothing is held back.'}"


_HOW: Final = (
    "Watch what the channels say. Space opens the list of faults: call the one you see by its "
    "letter, and that nothing is wrong where that is so; it may be called anew. What to do about "
    "it: 1 to 4 at the foot, whenever you like, and it acts on the car at once."
)
_BOOST, _INJECTORS, _INTAKE, _KNOCK, _TIMING = SHOWN
_TANK, _ENGINE = EXTRA
_SUPPLY: Final = Shown("supply_v", "supply", "V", 1, "value_supply_v")
_FIRST: Final = (_BOOST, LINE_PRESSURE, _KNOCK, _SUPPLY, _INTAKE, _TANK)
_LATER: Final = (
    Shown("lambda_ratio", "lambda", "", 2, "value_lambda_ratio"),
    *(_INJECTORS, _TIMING, _ENGINE),
    Shown("dry_intake_c", "dry intake", "°C", 0, "value_dry_intake_c"),
    Shown("throttle_pct", "throttle", "%", 0, "value_throttle_pct"),
)
_BUSY: Final = "The class has gone, or this machine is too busy to drive it in real time."
_PRIVATE: Final = "The alias is all that is kept of you."


class SmallDrill(TooSmall):
    """Said where the terminal is too small; the drive goes on meanwhile."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Say what size is there and what is needed."""
        have = self.screen.size
        text = (
            f"This terminal is {have.width}x{have.height}; a drill needs at least "
            f"{LEAST_WIDTH}x{LEAST_HEIGHT}. The drive goes on; q quits."
        )
        return view.lines(wrapped(text, width - 1, height))
