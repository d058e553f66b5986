"""A lesson tried without a trainee: what each case shows, and what guard and nobody make of it."""

import textwrap
from collections.abc import Iterator
from math import inf
from typing import Final, NamedTuple

from simulator.drill.debrief import Debrief, debrief
from simulator.drill.lesson import Case, Lesson
from simulator.drill.ride import Ride
from simulator.drill.score import HARMS_FROM
from simulator.drill.words import Failsafe

_WIDTH: Final = 80
_MOST_SIGNS: Final = 4


class Tried(NamedTuple):
    """A case, tried.

    Attributes:
        number: Its place in the lesson, from 1.
        case: The case.
        debrief: Of a ride in which neither guard nor trainee acts.
        doubts: What speaks against the case as it stands; empty where nothing does.
    """

    number: int
    case: Case
    debrief: Debrief
    doubts: tuple[str, ...]


def dry_run(lesson: Lesson, seed: int = 1, *, compiled: bool | None = None) -> Iterator[Tried]:
    """Drive every case of a lesson, its faults at the middle of their time.

    Args:
        lesson: The lesson.
        seed: Of the noise, 0 or more.
        compiled: As for ``Ride``.
    """
    for number, case in enumerate(lesson.cases, 1):
        scenario = lesson.staged(case, 0.5 * lesson.onset_within_s, seed)
        ride = Ride(scenario, seed, failsafe=Failsafe.OFF, compiled=compiled)
        ride.drive()
        told = debrief(ride, compiled=compiled)
        yield Tried(number, case, told, tuple(_doubts(lesson, case, told)))


def _doubts(lesson: Lesson, case: Case, told: Debrief) -> Iterator[str]:
    """Say what speaks against a case."""
    if case.faults and told.onset_s == inf:
        yield "no fault begins: the drive doesn't get to where one is to"
        return
    sign = told.first_sign
    if case.faults and sign is None:
        yield "no reading shows it: a trainee can't see it"
    elif sign is not None and sign.time_s > told.lasted_s - lesson.answer_within_s:
        yield f"the first sign leaves {told.lasted_s - sign.time_s:z.1f} s to answer"
    if not case.faults and told.guard_pull_s < inf:
        yield f"nothing is wrong, but the guard acts at {told.guard_pull_s:z.1f} s"


def lines_of(lesson: Lesson, tried: Tried) -> list[str]:
    """Return what is told of a case that was tried."""
    case, told = tried.case, tried.debrief
    weights = sum(one.weight for one in lesson.cases)
    share = f"{100.0 * case.weight / weights:z.0f} % of drives"
    lines = [f"case {tried.number} of {len(lesson.cases)}, {share}: {'; '.join(told.truth)}"]
    near = ", ".join(sorted(case.half_right))
    _put(lines, "call", case.call + (f"; half right: {near}" if near else ""))
    if case.faults:
        signs = [
            f"{sign.in_words} {sign.time_s - told.onset_s:z.2f} s after the onset"
            for sign in told.signs[:_MOST_SIGNS]
        ]
        _put(lines, "signs", "; ".join(signs) or "none")
    acted = [
        f"{word} at {when_s:z.1f} s"
        for word, when_s in (
            ("warns", told.guard_warn_s),
            ("pulls timing", told.guard_pull_s),
            ("cuts boost", told.guard_cut_s),
        )
        if when_s < inf
    ]
    _put(lines, "guard", ", ".join(acted) or "does nothing")
    harm = [f"nobody {told.nobody.harm:z.1f}", f"guard {told.guard.harm:z.1f}"]
    saves = told.nobody.harm - told.no_fault.harm >= HARMS_FROM
    tail = "" if saves else " (nothing to save: its points go to work)"
    _put(lines, "harm", f"{', '.join(harm)}, without the fault {told.no_fault.harm:z.1f}{tail}")
    work = [f"nobody {told.nobody.work_kj:z.0f} kJ", f"guard {told.guard.work_kj:z.0f} kJ"]
    _put(lines, "work", f"{', '.join(work)}, without the fault {told.no_fault.work_kj:z.0f} kJ")
    for doubt in tried.doubts:
        _put(lines, "DOUBT", doubt)
    return lines


def _put(lines: list[str], name: str, words: str) -> None:
    head, room = f"  {name:<7}", " " * 9
    lines += textwrap.wrap(words, _WIDTH, initial_indent=head, subsequent_indent=room)
