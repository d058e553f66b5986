"""The debrief on the screen: the truth on the traces, what came when, what it cost, the score."""

from collections.abc import Iterator
from math import isfinite
from typing import Final, NamedTuple

import numpy as np
from rich.cells import set_cell_size
from rich.segment import Segment

from monitor.attach.drilling import Brief, Debriefing, TracePoints
from monitor.screen.drill.told import DrillPane
from monitor.screen.panes.plot import LABEL_CELLS, Cells, TimeScale, through
from monitor.screen.raster import drawn, fill, reach, thick
from monitor.screen.trace import Floats
from monitor.screen.view import Page, Row, View, width_of
from monitor.words.debriefing import called, costs
from monitor.words.literal import figure, plain, shortened, wrapped
from simulator.drill.words import Failsafe

BROAD: Final = 120  # cells from which on the plots stand beside the words
PLOT_ROWS: Final = 9
MOST_PLOTS: Final = 3
BEFORE_S: Final = 2.0  # of what happened, in the narrower of the two spans
AFTER_S: Final = 1.0
LEAST_S: Final = 8.0  # of that span
MOST_S: Final = 25.0
JOINED_S: Final = 0.25  # points this far apart are one line in a raster
NAME_CELLS: Final = 14
BEGAN: Final = "▲"


class Moment(NamedTuple):
    """Something that happened: when, its sign under the plots, and what, in words."""

    time_s: float
    sign: str
    role: str
    words: str


def moments(debrief: Debriefing, brief: Brief | None) -> list[Moment]:
    """Return what happened in the order of time; ``brief`` says what the acts' keys were."""
    acts = [] if brief is None else [one.word for one in brief.acts]
    guard, late = "the guard", ""
    if brief is not None and brief.failsafe is Failsafe.LATE:
        late = f", on the car {brief.late_by_s:zg} s later"
    if brief is not None and brief.failsafe is Failsafe.OFF:
        guard = "the guard would have"
    found: list[Moment] = []

    def add(time_s: float | None, sign: str, role: str, words: str) -> None:
        if time_s is not None and isfinite(time_s):
            found.append(Moment(time_s, sign, role, words))

    add(debrief.onset_s, BEGAN, "chosen", "it began")
    for sign in debrief.signs[:1]:
        add(sign.time_s, "s", "strong", f"first sign: {plain(sign.words)}")
    add(debrief.guard_warn_s, "!", "warn", f"{guard} warned")
    add(debrief.guard_pull_s, "▼", "pull", f"{guard} pulled timing{late}")
    add(debrief.guard_cut_s, "▬", "cut", f"{guard} cut boost{late}")
    for did in debrief.did:
        if did.do == "call":
            add(did.time_s, "C", "strong", f"you called: {plain(did.words)}")
        elif did.do == "act":
            sign_ = str(acts.index(did.what) + 1) if did.what in acts else "a"
            add(did.time_s, sign_, "strong", f"you: {plain(did.words)}")
        else:
            add(did.time_s, "k", "dim", f"you: {plain(did.words)}")
    return sorted(found, key=lambda one: one.time_s)


class DebriefPage(DrillPane, Page):
    """Plots above the words, or beside them where there is room; the words scroll."""

    _first = 0
    _channel = 0
    _whole = False
    _room = 1  # rows of words in sight

    @property
    def span_words(self) -> str:
        """What switching the span would come to."""
        return "around it" if self._whole else "whole drive"

    def begin(self) -> None:
        """Be at the first words, and at the channel that showed the fault first."""
        self._first = self._channel = 0

    def scroll_rows(self, step: int) -> None:
        """Move on by rows of words, or back; the next drawing keeps it within what there is."""
        self._first += step

    def turn_page(self, step: int) -> None:
        """Move on by as many rows as are in sight, or back."""
        self._first += step * self._room

    def next_channel(self, step: int) -> None:
        """Begin the plots with another channel."""
        self._channel += step

    def switch_span(self) -> None:
        """Show the whole drive, or what is around the fault."""
        self._whole = not self._whole

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw heading, plots and words."""
        debrief = self._told.debrief
        if debrief is None:
            return [[view.say(" The drive is not over yet.", "dim")]]
        happened = moments(debrief, self._told.brief)
        head = _heading(view, debrief, width)
        if width < BROAD:
            plots = self._plots(view, debrief, happened, width, min(PLOT_ROWS, height // 2))
            words = self._words(view, debrief, happened, width, height - 1 - len(plots))
            return [head, *plots, *words]
        left = width * 3 // 5
        plots = self._plots(view, debrief, happened, left, height - 1)
        words = self._words(view, debrief, happened, width - left - 1, height - 1)
        rows = [head]
        for y in range(max(len(plots), len(words))):
            beside = words[y] if y < len(words) else []
            row = view.spread(plots[y] if y < len(plots) else [], [view.say("")], left + 1)
            rows.append([*row, *beside])
        return rows

    def _plots(
        self, view: View, debrief: Debriefing, happened: list[Moment], width: int, height: int
    ) -> list[Row]:
        told = {sign.channel: place for place, sign in reversed([*enumerate(debrief.signs)])}
        traces = sorted(debrief.traces, key=lambda one: told.get(one.channel, len(told)))
        if not traces or len(debrief.time_s) < 2:
            return []
        self._channel %= len(traces)
        count = min(MOST_PLOTS, len(traces), max(1, height // PLOT_ROWS))
        start_s, end_s = self._stretch(debrief, happened)
        at = TimeScale(start_s, end_s, max(20, width - LABEL_CELLS - 1))
        rows: list[Row] = []
        for i in range(count):
            trace = traces[(self._channel + i) % len(traces)]
            more = f"{self._channel + i + 1} of {len(traces)} ←→ " if i == 0 else ""
            rows += _plot(view, debrief, trace, at, happened, height // count, more)
        return rows

    def _stretch(self, debrief: Debriefing, happened: list[Moment]) -> tuple[float, float]:
        first_s, last_s = debrief.time_s[0], max(debrief.time_s[-1], debrief.time_s[0] + 1.0)
        if self._whole or not happened:
            return first_s, last_s
        start_s = max(first_s, happened[0].time_s - BEFORE_S)
        wanted_s = happened[-1].time_s + AFTER_S - start_s
        return start_s, min(last_s, start_s + min(MOST_S, max(LEAST_S, wanted_s)))

    def _words(
        self, view: View, debrief: Debriefing, happened: list[Moment], width: int, height: int
    ) -> list[Row]:
        rows = list(_told(view, debrief, happened, max(20, width - 2)))
        if len(rows) <= height:
            self._first = 0
            return rows
        self._room = height - 1
        self._first = min(max(0, self._first), len(rows) - self._room)
        shown = rows[self._first : self._first + self._room]
        more = len(rows) - self._first - len(shown)
        return [*shown, [view.say(f" ↓ {more} more rows" if more else " ↑ the end", "dim")]]


def _heading(view: View, debrief: Debriefing, width: int) -> Row:
    left = [
        view.say(f" Debrief, {plain(debrief.alias, 24)}  ", "strong"),
        view.say(f" {debrief.score:z.0f} of 100 ", "chosen"),
    ]
    return view.spread(left, [view.say(f"{shortened(plain(debrief.title), width // 2)} ")], width)


# --- the plot -----------------------------------------------------------------------------------


def _plot(
    view: View,
    debrief: Debriefing,
    trace: TracePoints,
    at: TimeScale,
    happened: list[Moment],
    height: int,
    more: str,
) -> list[Row]:
    """Draw legend, plot, what happened under it, and what the signs mean."""
    rows = max(1, height - 3)
    unit = "" if trace.unit == "1" else view.units.unit(trace.unit)
    zero = view.units.value(0.0, trace.unit)
    factor = view.units.value(1.0, trace.unit) - zero

    def values_of(points: list[float | None]) -> Floats:
        return np.array(points, dtype=np.float64) * factor + zero

    times_s = np.array(debrief.time_s, dtype=np.float64)
    driven = values_of(trace.values)
    healthy = values_of(trace.healthy) if trace.healthy else np.full(len(times_s), np.nan)
    if not len(times_s) == len(driven) == len(healthy):
        return []
    seen = (times_s >= at.start_s) & (times_s <= at.end_s)
    known = np.concatenate([driven[seen], healthy[seen]])
    known = known[np.isfinite(known)]
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 1.0)
    spare = 0.05 * max(high - low, 0.05 * max(abs(low), abs(high), 1.0))
    low, high = low - spare, high + spare
    slow = max(1.0, float(np.median(np.diff(times_s))) / JOINED_S)
    columns = 2 * at.cells

    def dots_of(values: Floats) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
        line = reach(times_s / slow, values, at.start_s / slow, at.end_s / slow, columns)
        return fill(line.low, line.high, low, high, 4 * rows)

    dashes = dots_of(healthy) & (np.arange(columns) % 4 < 2)[None, :]
    style = view.palette.graphic
    line_dots = thick(dots_of(driven), heavy=view.palette.heavy)
    lines = drawn([(line_dots, style["ink"]), (dashes, style["mid"])], view.ground())
    for one in happened:
        sign, cell = "│" if one.sign == BEGAN else "┊", at.cell(one.time_s)
        lines = [through(line, cell, sign, view.palette.text["dim"]) for line in lines]
    label = f" {plain(trace.label, 40)}{f', {unit}' if unit else ''}  "
    legend = [
        view.say(label, "strong"),
        Segment("⠤⠤", style["ink"]),
        view.say(" as driven  ", "dim"),
    ]
    if trace.healthy:
        legend += [Segment("⠒ ⠒", style["mid"]), view.say(" without the fault", "dim")]
    decimals = 0 if high - low >= 10.0 else 2
    told: list[Row] = [view.spread(legend, [view.say(more, "dim")], at.cells + LABEL_CELLS + 1)]
    for y, line in enumerate(lines):
        edge = figure(high if y == 0 else low, decimals) if y in (0, rows - 1) else ""
        told.append([view.say(f"{edge[:LABEL_CELLS]:>{LABEL_CELLS}}│", "dim"), *line])
    below = Cells(at.cells, "dim")
    for one in reversed(happened):  # of two in a cell the first stays
        below.put(at.cell(one.time_s), one.sign, one.role)
    left, right = f"{figure(at.start_s, 1)} s", f"{figure(at.end_s, 1)} s"
    below.write(left, 0, "dim")
    below.write(right, at.cells - len(right), "dim")
    told.append([view.say(" " * LABEL_CELLS + "└", "dim"), *below.row(view)])
    told.append([view.say(" " * (LABEL_CELLS + 1) + _SIGNS, "dim")])
    return told


_SIGNS: Final = "▲ began  s first sign  ! ▼ ▬ guard  C your call  1-4 your acts"


# --- the words ----------------------------------------------------------------------------------


def _told(view: View, debrief: Debriefing, happened: list[Moment], width: int) -> Iterator[Row]:
    """Yield the truth, what came when, what it cost, the score, what told it, what to check."""
    words = _Words(view, debrief, width)
    parts = (words.truth(), words.course(happened), words.costs(), words.score(), words.learned())
    for place, part in enumerate(parts):
        rows = list(part)
        if place and rows:
            yield []
        yield from rows


class _Words:
    """A debriefing in words; each part yields its rows, none where there is nothing to say."""

    def __init__(self, view: View, debrief: Debriefing, width: int) -> None:
        self._view, self._debrief, self._width = view, debrief, width

    def _said(self, text: str, role: str = "ink", hang: int = 0) -> Iterator[Row]:
        text = self._view.units.sentence(plain(text, 2000))
        for i, line in enumerate(wrapped(text, self._width - hang, 12)):
            yield [self._view.say(" " * (1 + (hang if i else 0))), self._view.say(line, role)]

    def truth(self) -> Iterator[Row]:
        """Say what it was, and what was called."""
        debrief = self._debrief
        yield from self._said(f"{debrief.truth[:1].upper()}{debrief.truth[1:]}.", "strong")
        yield from self._said(called(debrief))

    def course(self, happened: list[Moment]) -> Iterator[Row]:
        """Say what came when, and since the onset; what the guard said, what was noted."""
        view, debrief = self._view, self._debrief
        for one in happened:
            since = "" if debrief.onset_s is None else f"{one.time_s - debrief.onset_s:+z.2f}"
            head = f"{figure(one.time_s, 2):>8} s {since:>7}  "
            sign = one.sign
            for line in wrapped(one.words, max(12, self._width - len(head) - 2), 3):
                yield [view.say(f" {head}", "dim"), view.say(sign, one.role), view.say(f" {line}")]
                head, sign = " " * len(head), " "
        if debrief.guard_said:
            yield from self._said(f"The guard: {debrief.guard_said}", "dim")
        if debrief.guard_cause:
            yield from self._said(f"It took it for: {debrief.guard_cause}.", "dim")
        for note in debrief.notes:
            yield from self._said(f"{figure(note.time_s, 2)} s  noted: {plain(note.text)}")

    def costs(self) -> Iterator[Row]:
        """Say what each way of driving it cost, a row each; as driven is the first."""
        told = list(costs(self._debrief))
        if not told:
            return
        cells = max(len(words) for words, *_ in told) + 1
        head = f"{'':<{cells}}{'harm':>8}{'heavy':>7}{'work':>10}{'lost':>7}"
        yield [self._view.say(f" {head}", "dim")]
        for place, (words, harm, heavy, work_kj, lost) in enumerate(told):
            row = f"{words:<{cells}}{harm:>8}{heavy:>7}{work_kj:>7} kJ{lost:>5} %"
            yield [self._view.say(f" {row}", "ink" if place else "strong")]

    def score(self) -> Iterator[Row]:
        """Say the score, its parts and its formula."""
        view, debrief = self._view, self._debrief
        yield [view.say(f" Score {debrief.score:z.0f} of 100", "strong")]
        for part in debrief.parts:
            head = set_cell_size(f" {plain(part.name, 40)}", NAME_CELLS + 1)
            points = f"{part.points:z.0f} of {part.most:z.0f}"
            row = [view.say(head), view.say(f"{points:>9}  ", "strong")]
            for line in wrapped(plain(part.words), max(12, self._width - width_of(row)), 3):
                yield [*row, view.say(line, "dim")]
                row = [view.say(" " * width_of(row))]
        yield from self._said(debrief.formula, "dim")

    def learned(self) -> Iterator[Row]:
        """Say what told it, what to learn and what to check first; and what was written."""
        debrief = self._debrief
        yield from self._said(debrief.text)
        if debrief.goal:
            yield from self._said(f"To be learned: {debrief.goal}")
        if debrief.check_first:
            yield [self._view.say(" Check first on the car", "strong")]
        for line in debrief.check_first:
            yield from self._said(f"- {plain(line)}", hang=2)
        for name in debrief.files:
            yield from self._said(f"Written: {plain(name)}", "dim")
