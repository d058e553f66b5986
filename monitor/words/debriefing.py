"""The truth of a drive in words, the same on the screen, in pictures and on pages."""

from collections.abc import Iterator
from enum import Enum
from math import isfinite, nan
from typing import Final, NamedTuple

from monitor.attach.drilling import Debriefing, TracePoints
from monitor.words.literal import figure, plain

ADVISES: Final = (
    "A simulated car: a real one may act otherwise. flowdebt advises; it isn't a certified safety "
    "device."
)
COST_HEAD: Final = ("", "knock harm", "heavy knocks", "work, kJ", "work lost, %")
HARM_WORDS: Final = {"driven": "as you drove", "guard": "the guard alone", "nobody": "nobody acts"}
_WATCHED: Final = (
    *("delivered_ml_min", "line_kpa", "boost_kpa", "intake_c", "knock"),
    *("commanded_ml_min", "timing_deg", "lambda_ratio", "engine_speed_rpm"),
)
_VERDICTS: Final = {
    "right": "right",
    "half": "half right",
    "wrong": "wrong",
    "none": "nothing was called",
}


class By(Enum):
    """Whose doing something was, and how a row of it is called."""

    FAULT = "the fault"
    SIGN = "to be seen"
    GUARD = "the guard"
    YOU = "you"


class Happened(NamedTuple):
    """Something that happened in a drive: when, whose doing it was, what, and in short."""

    time_s: float
    by: By
    words: str
    short: str


def happened(debrief: Debriefing) -> list[Happened]:
    """Return what happened in a drive, in the order of time."""
    found: list[Happened] = []

    def add(time_s: float | None, by: By, words: str, short: str) -> None:
        if time_s is not None and isfinite(time_s):
            found.append(Happened(time_s, by, words, short))

    add(debrief.onset_s, By.FAULT, "it begins", "it begins")
    for sign in debrief.signs[:1]:
        add(sign.time_s, By.SIGN, f"first sign: {plain(sign.words, 120)}", plain(sign.words, 120))
    add(debrief.guard_warn_s, By.GUARD, "the guard warns", "warns")
    add(debrief.guard_pull_s, By.GUARD, "the guard asks to pull timing", "pull timing")
    add(debrief.guard_cut_s, By.GUARD, "the guard asks to cut boost", "cut boost")
    for did in debrief.did:
        words, short = plain(did.words, 60), plain(did.what or did.do, 30).replace("_", " ")
        if did.do == "call":
            add(did.time_s, By.YOU, f"you call: {words}", f"call: {short}")
        else:
            add(did.time_s, By.YOU, f"you: {words}", short)
    return sorted(found, key=lambda one: one.time_s)


def called(debrief: Debriefing) -> str:
    """Return what was called, and what would have been right, as a sentence."""
    verdict = _VERDICTS.get(debrief.verdict, plain(debrief.verdict, 20))
    right = plain(debrief.right_call, 60)
    if not debrief.called:
        return f"Nothing was called; right: {right}."
    told = verdict if debrief.verdict == "right" else f"{verdict}; right: {right}"
    return f"Called: {plain(debrief.called, 120)} ({told})."


def costs(debrief: Debriefing) -> Iterator[tuple[str, ...]]:
    """Yield what each way of driving it cost, a row of text each, as ``COST_HEAD`` has it."""
    whole_kj = {one.who: one.work_kj for one in debrief.outcomes}.get("no_fault", nan)
    for one in debrief.outcomes:
        lost = 100.0 * (1.0 - one.work_kj / whole_kj) if whole_kj > 0.0 else nan
        yield (
            plain(one.words, 40),
            figure(one.harm, 1),
            str(one.heavy_knocks),
            figure(one.work_kj, 0),
            figure(lost, 1),
        )


def traces_shown(debrief: Debriefing, most: int) -> list[TracePoints]:
    """Return the readings that tell most: those with signs first, then what one watches."""
    by_channel = {trace.channel: trace for trace in debrief.traces}
    wanted = dict.fromkeys([*(sign.channel for sign in debrief.signs), *_WATCHED])
    return [by_channel[name] for name in wanted if name in by_channel][:most]
