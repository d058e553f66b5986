"""The instructor's panes: how the class stands, its trainees, its faults, its marks."""

from math import ceil
from typing import Final

from rich.cells import set_cell_size

from monitor.attach.drilling import ClassState, Phase, RideState
from monitor.screen.drill.panes import answer_in_words, in_words
from monitor.screen.view import Page, Pane, Row, View
from monitor.words.literal import figure, plain, shortened, wrapped

KIND_CELLS: Final = 26
ALIAS_CELLS: Final = 13
ACT_CELLS: Final = 20
GUARD_CELLS: Final = 13
ROOMY_CELLS: Final = 44  # a call is told in its own words from here on
_CHANGES: Final = "i injects, e escalates, x clears the chosen "
_UNDER_WAY: Final = (Phase.DRIVING, Phase.PAUSED)


class Desk:
    """What the instructor's viewer was told, and what is chosen there.

    Attributes:
        state: The class; None before its first word.
        fault: Place of the chosen fault in the list.
        kind: Place of the chosen kind of fault.
    """

    def __init__(self) -> None:
        self.state: ClassState | None = None
        self.fault = 0
        self.kind = 0

    def choose(self, step: int, *, kinds: bool) -> None:
        """Choose another fault, or another kind of one."""
        if self.state is None:
            return
        if kinds:
            self.kind = min(max(0, self.kind + step), max(0, len(self.state.kinds) - 1))
        else:
            self.fault = min(max(0, self.fault + step), max(0, len(self.state.faults) - 1))


class DeskPane(Pane):
    """A pane of the instructor's; first among the bases of one.

    Args:
        desk: What was told.
        id: Its id.
    """

    def __init__(self, desk: Desk, *, id: str) -> None:  # noqa: A002  # Textual's own word
        super().__init__(id=id)
        self._desk = desk


class ClassBanner(DeskPane):
    """How far the drive is, and its truth."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw them; where the class is gone, that."""
        state, gone = self._desk.state, view.picture.gone_why
        if gone is not None:
            why = shortened(plain(gone), max(8, width - 26))
            return [[view.say(" "), view.say(" CLASS ENDED ", "chosen"), view.say(f"  {why}")]]
        if state is None:
            return [[view.say(" "), view.say(" WAITING ", "chosen")]]
        at = f"  {figure(state.time_s, 1)} of {state.duration_s:zg} s"
        speed = "" if state.speed == 1.0 else f", {state.speed:zg} times real"
        number = f" {state.lesson_number} of {state.lessons}" if state.lesson_number else ""
        top = [
            view.say(" "),
            view.say(f" {state.phase.value.upper()} ", "chosen"),
            view.say(f"{at}{speed}", "strong"),
        ]
        lesson = shortened(f"lesson{number}: {plain(state.title, 80)} ", max(12, width - 32))
        truth = wrapped(f"Truth: {plain(state.truth)}", width - 2, max(1, height - 1))
        return [view.spread(top, [view.say(lesson, "dim")], width), *view.lines(truth, "strong")]


class Trainees(DeskPane):
    """A row a trainee: called, done, its guard, harm, score."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw a heading and the trainees, as many as fit."""
        state = self._desk.state
        if state is None:
            return []
        here = sum(ride.attached for ride in state.rides)
        call_cells = max(12, width - ALIAS_CELLS - ACT_CELLS - GUARD_CELLS - 17)
        head = (
            f" {f'Trainees {here}':<{ALIAS_CELLS}}{'called':<{call_cells}}{'does':<{ACT_CELLS}}"
            f"{'guard':<{GUARD_CELLS}}{'harm':>7}{'score':>7}"
        )
        rows: list[Row] = [[view.say(head, "strong")]]
        if not state.rides:
            return [*rows, [view.say(" nobody yet: flowdebt drill --join", "dim")]]
        room = height - 1
        shown = state.rides if len(state.rides) <= room else state.rides[: room - 1]
        rows += [self._row(view, state, ride, call_cells) for ride in shown]
        if len(shown) < len(state.rides):
            rows.append([view.say(f" and {len(state.rides) - len(shown)} more", "dim")])
        return rows

    def _row(self, view: View, state: ClassState, ride: RideState, call_cells: int) -> Row:
        called = "--" if ride.call is None else in_words(ride.call)
        if call_cells >= ROOMY_CELLS:
            called = next((one.words for one in state.calls if one.word == ride.call), called)
        if ride.called_s is not None:
            called = f"{figure(ride.called_s, 1)} s {plain(called)}"
        act = in_words(ride.act)
        if ride.acted_s is not None:
            act = f"{figure(ride.acted_s, 1)} s {act}"
        alias = plain(ride.alias, 24) if ride.attached else f"({plain(ride.alias, 24)})"
        score = "--" if ride.score is None else f"{ride.score:z.0f}"
        return [
            view.say(f" {_cell(alias, ALIAS_CELLS)}", "ink" if ride.attached else "dim"),
            view.say(_cell(called, call_cells), "ink" if ride.call else "dim"),
            view.say(_cell(act, ACT_CELLS)),
            view.say(_cell(in_words(ride.guard_action), GUARD_CELLS), "dim"),
            view.say(f"{figure(ride.harm, 1):>7}{score:>7}"),
        ]


class Faults(DeskPane):
    """The faults there are, one chosen."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw a heading and the faults around the chosen one."""
        state = self._desk.state
        if state is None:
            return []
        rows: list[Row] = [
            view.spread(
                [view.say(" What is wrong", "strong")],
                [view.say(_CHANGES if state.phase in _UNDER_WAY else "", "dim")],
                width,
            )
        ]
        if not state.faults:
            return [*rows, [view.say(" nothing", "dim")]]
        chosen = min(self._desk.fault, len(state.faults) - 1)
        room = height - 1
        first = max(0, min(chosen - room // 2, len(state.faults) - room))
        for place, fault in enumerate(state.faults[first : first + room], start=first):
            role = "strong" if place == chosen else "ink" if fault.active else "dim"
            when = "never came" if state.phase is Phase.OVER else "to come"
            if fault.cleared:
                when = "cleared before it began"
            if fault.begins_s is not None:
                since = "since" if fault.active else "over, began"
                when = f"{since} {figure(fault.begins_s, 1)} s"
            left = [view.say(f"{'>' if place == chosen else ' '}{plain(fault.words, 80)}", role)]
            right = [view.say(f"amount {fault.amount:zg}, {when} ", role)]
            rows.append(view.spread(left, right, width))
        return rows


class MarksAndNotes(DeskPane):
    """Marks in a row, then the newest notes."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw them."""
        state = self._desk.state
        if state is None:
            return []
        marks = ", ".join(f"{plain(m.name, 24)} {figure(m.time_s, 1)} s" for m in state.marks)
        rows: list[Row] = [
            [view.say(" Marks ", "strong"), view.say(shortened(marks, max(0, width - 8)))]
        ]
        notes = state.notes[-(height - 1) :] if height > 1 else []
        for note in notes:
            line = f"{figure(note.time_s, 1):>7} s  {plain(note.text)}"
            rows.append([view.say(" Note ", "dim"), view.say(shortened(line, max(0, width - 7)))])
        return rows


class ClassFoot(DeskPane):
    """Two rows: where results go, and the newest answer."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw them."""
        del height
        state = self._desk.state
        kept = "results are not kept"
        if state is not None and state.results:
            kept = f"results in {plain(state.results, 200)}"
        said = shortened(answer_in_words(view), width - 2)
        return [
            [view.say(f" {shortened(kept, width - 2)}", "dim")],
            [view.say(f" {said}", "strong")],
        ]


class KindPage(DeskPane, Page):
    """What may be injected, in columns; one is chosen."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw a heading and the kinds around the chosen one."""
        state = self._desk.state
        if state is None or not state.kinds:
            return [[view.say(" Nothing can be injected here.", "dim")]]
        chosen = min(self._desk.kind, len(state.kinds) - 1)
        hint = [view.say("↑↓ choose   enter takes it   escape closes ", "dim")]
        what = f" Inject: {plain(state.kinds[chosen].words, 80)}"
        head = [view.say(shortened(what, width - 45), "strong")]
        rows = [view.spread(head, hint, width)]
        columns = max(1, min(width // KIND_CELLS, ceil(len(state.kinds) / max(1, height - 2))))
        deep, each = height - 2, width // columns
        first = max(0, chosen - columns * deep + 1)
        shown = state.kinds[first : first + columns * deep]
        for y in range(min(deep, len(shown))):
            row: Row = []
            for at in range(y, len(shown), deep):
                one = shown[at]
                role = "strong" if first + at == chosen else "ink"
                text = f"{'>' if first + at == chosen else ' '}{in_words(one.word)}"
                row.append(view.say(_cell(text, each), role))
            rows.append(row)
        return rows


def _cell(text: str, cells: int) -> str:
    return set_cell_size(shortened(text, cells - 1), cells)
