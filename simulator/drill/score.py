"""A ride's score: was the fault named, what was saved, what was lost for nothing."""

from dataclasses import dataclass
from math import inf
from typing import Final, Literal

from simulator.drill.calls import NOTHING_WRONG
from simulator.drill.debrief import Debrief
from simulator.drill.lesson import Case, Lesson
from simulator.drill.words import Failsafe

Verdict = Literal["right", "half", "wrong", "none"]

# Points that call, engine and work have. With the failsafe on the engine is not in the trainee's
# hands.
_MOST: Final = {
    Failsafe.ON: (70.0, 15.0, 15.0),
    Failsafe.LATE: (50.0, 30.0, 20.0),
    Failsafe.OFF: (40.0, 40.0, 20.0),
}
# Harm that a fault does where nobody acts; with less there is nothing to save.
HARMS_FROM: Final = 3.0
_SLOW_AT: Final = 3.0  # times the lesson's answer_within_s: a call so late counts half
_FALSE_COSTS: Final = 0.25  # of the call's points
_ALL_LOST: Final = 0.2  # of the drive's work
_SHARE: Final = {"right": 1.0, "half": 0.5, "wrong": 0.0, "none": 0.0}
FORMULA: Final = (
    "call 40 (failsafe late 50, on 70): half for half right, down to half with time, a quarter off "
    "for each false call; engine 40 (30, 15) x harm avoided / avoidable, its points go to work "
    "where none is; work 20 (20, 15) x (1 - needless loss / 20 %); all x share of the drive driven"
)


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a score.

    Attributes:
        name: "call", "engine" or "work".
        points: Points got, 0 to ``most``.
        most: Points to be had.
        words: Why so many.
    """

    name: str
    points: float
    most: float
    words: str


@dataclass(frozen=True, slots=True)
class Score:
    """A score.

    Attributes:
        points: 0 to 100.
        verdict: On the call that stood in the end.
        parts: What it is made of; they sum to ``points``.
    """

    points: float
    verdict: Verdict
    parts: tuple[Part, ...]


def score(debrief: Debrief, lesson: Lesson, case: Case) -> Score:
    """Return the score of a ride.

    Args:
        debrief: What came of it.
        lesson: What was driven.
        case: What was true.
    """
    call, engine, work = _MOST[lesson.failsafe]
    avoidable = debrief.nobody.harm - debrief.no_fault.harm
    harms = avoidable >= HARMS_FROM
    verdict, named = _call(debrief, lesson, case, call)
    parts = [named]
    if harms:
        parts.append(_engine(debrief, avoidable, engine))
        parts.append(_work(debrief, debrief.guard.work_kj, work, "the guard alone"))
    else:
        # Where the failsafe acts, what it loses is not the trainee's doing.
        helped = lesson.failsafe is not Failsafe.OFF
        twin = debrief.guard if helped else debrief.nobody
        who = "the guard alone" if helped else "doing nothing"
        parts.append(_work(debrief, twin.work_kj, engine + work, who))
    driven = min(1.0, debrief.lasted_s / lesson.scenario.duration_s)
    if driven < 0.99:
        tail = f"; {100.0 * driven:z.0f} % of the drive driven"
        parts = [Part(p.name, p.points * driven, p.most, p.words + tail) for p in parts]
    return Score(sum(part.points for part in parts), verdict, tuple(parts))


def _call(debrief: Debrief, lesson: Lesson, case: Case, most: float) -> tuple[Verdict, Part]:
    """Return the verdict and the call's part: the last call counts, each false one costs."""
    onset_s = debrief.onset_s
    right = case.call if onset_s < inf else NOTHING_WRONG
    verdict: Verdict = "none"
    called_s, last, false = -inf, "", 0
    for answer in debrief.answers:
        # A call before the onset is no call of this fault: said again, it is a new one.
        again = answer.what == last and (called_s >= onset_s or answer.time_s < onset_s)
        if answer.kind != "call" or again:
            continue
        called_s, last = answer.time_s, answer.what
        verdict = _verdict(last, right, case, in_time=called_s >= onset_s)
        false += last != NOTHING_WRONG and verdict == "wrong"
    points = _SHARE[verdict] * most
    words = {
        "right": "right call",
        "half": "half right: near what it was",
        "wrong": "wrong call",
        "none": "nothing called",
    }[verdict]
    if last and called_s < onset_s < inf:
        words = f"called {onset_s - called_s:z.1f} s before anything went wrong: a guess"
    elif points > 0.0 and onset_s < inf:
        sign = debrief.first_sign
        after_s = max(0.0, called_s - (onset_s if sign is None else max(sign.time_s, onset_s)))
        within_s = lesson.answer_within_s
        late = max(0.0, after_s - within_s) / ((_SLOW_AT - 1.0) * within_s)
        points *= 1.0 - 0.5 * min(1.0, late)
        words += f" {after_s:z.1f} s after the first sign (in full within {within_s:zg} s)"
    if false:
        points = max(0.0, points - false * _FALSE_COSTS * most)
        words += f"; {false} false call{'s' if false > 1 else ''}"
    return verdict, Part("call", points, most, words)


def _verdict(word: str, right: str, case: Case, *, in_time: bool) -> Verdict:
    if right == NOTHING_WRONG:
        return "right" if word == right else "wrong"
    if not in_time:
        return "wrong"
    return "right" if word == right else "half" if word in case.half_right else "wrong"


def _engine(debrief: Debrief, avoidable: float, most: float) -> Part:
    done = max(0.0, debrief.driven.harm - debrief.no_fault.harm)
    saved = 1.0 - min(1.0, done / avoidable)
    words = f"harm {done:z.1f} of {avoidable:z.1f} that doing nothing costs"
    return Part("engine", saved * most, most, words)


def _work(debrief: Debrief, needed_kj: float, most: float, who: str) -> Part:
    lost = max(0.0, needed_kj - debrief.driven.work_kj) / max(needed_kj, 1.0)
    points = most * (1.0 - min(1.0, lost / _ALL_LOST))
    words = f"{100.0 * lost:z.0f} % less work than by {who}"
    return Part("work", points, most, words)
