"""After a ride: what was wrong, what could be seen of it, who acted when, and what it cost."""

from dataclasses import dataclass, replace
from math import inf, isfinite
from typing import Any, Final

import numpy as np

from rules.causes.known import NONE_OF_THESE, NOTHING_WRONG
from rules.causes.ranking import CauseRanker
from rules.channels import CHANNEL_NAMES
from rules.events import EventTracker
from rules.facts import Action, Rig
from rules.step.state import Decision
from simulator.drill.faults_in_words import NOTHING_TO_CHECK, check_first, in_words
from simulator.drill.ride import Answer, Record, Ride, Standing
from simulator.drill.signs import Seen, Sign, seen, signs_between
from simulator.drill.twins import Twins, drive_again, twins_of
from simulator.drill.words import Act, Failsafe
from simulator.plant import FaultKind, Report
from simulator.plant.truth import TRUTH_NAMES

# Faults that show in what becomes of an order alone, so only once there is one.
_OF_ORDERS: Final = (FaultKind.RETARD_IGNORED, FaultKind.CUT_IGNORED, FaultKind.ORDERS_LATE)
_SOON_S: Final = 3.0
_HARM: Final = TRUTH_NAMES.index("true_harm")


@dataclass(frozen=True, slots=True)
class Traces:
    """A ride over time, by sample.

    Attributes:
        time_s: Since it began, (m,).
        driven: What its readings showed, by channel, each (m,); NaN where nothing.
        no_fault: What they would have shown without the faults, all else as it was done.
        harm: Knock harm so far as driven, (m,),
        guard_harm: with the guard alone,
        nobody_harm: and with nobody.
    """

    time_s: Any
    driven: dict[str, Any]
    no_fault: dict[str, Any]
    harm: Any
    guard_harm: Any
    nobody_harm: Any


@dataclass(frozen=True, slots=True)
class Debrief:
    """The truth of a ride, and what was made of it. A time that never came is infinite.

    Attributes:
        faults: Every fault of the ride, and when it was there.
        truth: The same in words, one clause each; one that says so where nothing was wrong.
        onset_s: When the first began.
        signs: Readings that showed it before an order changed the car, the first first; one a
            channel and fault. Then what else would soon have shown it, had nobody acted.
        failsafe: What became of the guard's orders.
        late_by_s: By how much later they reached the car.
        guard_warn_s: When the guard warned,
        guard_pull_s: asked to pull timing,
        guard_cut_s: and to cut boost, whatever came of it.
        guard_said: Why it did the worst of these; "" where it did none.
        cause: What it took for the likeliest cause in the end, in words; "" where for none.
        answers: What the trainee did.
        called: The last word called; "" where none was.
        called_s: When something was called first.
        acted_s: When the trainee first did more than hold.
        driven: What the ride cost,
        guard: what it costs with the guard alone,
        nobody: with nobody,
        no_fault: and where nothing goes wrong and nobody acts.
        check_first: What to look at on the car, a line for each fault.
        lasted_s: How long the ride was.
        traces: For plots.
    """

    faults: tuple[Standing, ...]
    truth: tuple[str, ...]
    onset_s: float
    signs: tuple[Sign, ...]
    failsafe: Failsafe
    late_by_s: float
    guard_warn_s: float
    guard_pull_s: float
    guard_cut_s: float
    guard_said: str
    cause: str
    answers: tuple[Answer, ...]
    called: str
    called_s: float
    acted_s: float
    driven: Report
    guard: Report
    nobody: Report
    no_fault: Report
    check_first: tuple[str, ...]
    lasted_s: float
    traces: Traces

    @property
    def first_sign(self) -> Sign | None:
        """The first of the signs; None where there was none."""
        return self.signs[0] if self.signs else None


def debrief(ride: Ride, twins: Twins | None = None, *, compiled: bool | None = None) -> Debrief:
    """Return the truth of a ride.

    Args:
        ride: The ride, driven as far as it went.
        twins: What it is compared with, where they were driven already: by the same drive, with
            the same faults, as far as the ride came.
        compiled: As for ``Ride``, for what is driven again.
    """
    facts = ride.facts
    twins = twins or twins_of(facts, compiled=compiled)
    record = ride.record
    shown = seen(record)
    began = [fault for fault in ride.spans if isfinite(fault.begins_s)]
    without = seen(drive_again(facts, faults=False, compiled=compiled).record) if began else shown
    warn_s, pull_s, cut_s = (
        _first_s(record, action) for action in (Action.WARN, Action.PULL_TIMING, Action.CUT_BOOST)
    )
    ordered_s = min(pull_s, cut_s)
    if ride.failsafe is Failsafe.OFF:
        ordered_s = inf
    signs = []
    for fault in began:
        twin = without
        if len(began) > 1:
            left_out = (fault.number,)
            twin = seen(drive_again(facts, without=left_out, compiled=compiled).record)
        until_s = inf if fault.kind in _OF_ORDERS else ordered_s + ride.late_by_s
        found = signs_between(shown, twin, fault.number)
        signs += [sign for sign in found if sign.time_s <= until_s]
    signs.sort(key=lambda sign: sign.time_s)
    onset_s = min((fault.begins_s for fault in began), default=inf)
    if began and onset_s == min(fault.begins_s for fault in twins.nobody.spans):
        signs += _alone(signs, twins, min(began, key=lambda fault: fault.begins_s).number)
    calls = [answer for answer in ride.answers if answer.kind == "call"]
    acts = [one for one in ride.answers if one.kind == "act" and one.what != Act.HOLD]
    said, cause = _guard_told(ride.scenario.rig, record)
    return Debrief(
        faults=ride.spans,
        truth=tuple(map(in_words, ride.spans)) or ("nothing was wrong",),
        onset_s=onset_s,
        signs=tuple(signs),
        failsafe=ride.failsafe,
        late_by_s=ride.late_by_s,
        guard_warn_s=warn_s,
        guard_pull_s=pull_s,
        guard_cut_s=cut_s,
        guard_said=said,
        cause=cause,
        answers=ride.answers,
        called=calls[-1].what if calls else "",
        called_s=calls[0].time_s if calls else inf,
        acted_s=acts[0].time_s if acts else inf,
        driven=ride.report,
        guard=twins.guard.report,
        nobody=twins.nobody.report,
        no_fault=twins.no_fault.report,
        check_first=tuple(dict.fromkeys(check_first(one.kind, one.channel) for one in began))
        or (NOTHING_TO_CHECK,),
        lasted_s=ride.time_s,
        traces=_traces(shown, without, record, twins),
    )


def _alone(signs: list[Sign], twins: Twins, fault: int) -> list[Sign]:
    """Return what else shows the faults soon after their first sign where nobody acts."""
    found = signs_between(seen(twins.nobody.record), seen(twins.no_fault.record), fault)
    if not found:
        return []
    known = {sign.channel for sign in signs}
    until_s = (signs or found)[0].time_s + _SOON_S
    more = [one for one in found if one.channel not in known and one.time_s <= until_s]
    return [replace(one, alone=True) for one in more]


def _first_s(record: Record, action: Action) -> float:
    """Return when a guard first asked for an action or more, by the drive's time."""
    asked = Decision.named(record.decisions)["action"] >= action
    return float(record.truths[record.came[int(np.argmax(asked))], 0]) if asked.any() else inf


def _guard_told(rig: Rig, record: Record) -> tuple[str, str]:
    """Return why the guard did the worst it did, and its likeliest cause, in words."""
    tracker, ranker = EventTracker(rig), CauseRanker(rig)
    events = []
    for flat in record.decisions.tolist():
        decision = Decision.of_flat(flat)
        ranker.feed(decision)
        events += [event for _, event in tracker.feed(decision)]
    if not events:
        return "", ""
    worst = max(events, key=lambda event: event.action)
    top = ranker.rank()[0]
    cause = "" if top.name in (NOTHING_WRONG, NONE_OF_THESE) else top.label
    return worst.explanation, cause


def _traces(shown: Seen, without: Seen, record: Record, twins: Twins) -> Traces:
    sent = [name for name in CHANNEL_NAMES if np.isfinite(without.of(name)).any()]
    return Traces(
        shown.now_s,
        {name: shown.of(name) for name in sent},
        {name: without.of(name) for name in sent},
        record.truths[:, _HARM],
        twins.guard.record.truths[:, _HARM],
        twins.nobody.record.truths[:, _HARM],
    )
