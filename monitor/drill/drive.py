"""A drive of a class: its lesson, its seed, and the truth."""

from dataclasses import dataclass, replace
from math import isfinite
from typing import Final

from simulator.drill.calls import CALLS, NOTHING_WRONG, call_of
from simulator.drill.faults_in_words import what_goes_wrong
from simulator.drill.lesson import Case, Lesson
from simulator.drill.ride import Ride
from simulator.plant import Fault, Scenario

NEVER_BEGAN: Final = "Nothing went wrong as far as this drive went: what was to come never began."
_CALLS: Final = dict(CALLS)


@dataclass(frozen=True)
class Drive:
    """One drive of a class, staged or under way.

    Attributes:
        lesson: Its lesson.
        seed: Its seed.
        plan: The drive with its faults.
        case: The truth, as the lesson has it.
    """

    lesson: Lesson
    seed: int
    plan: Scenario
    case: Case

    @classmethod
    def of(cls, lesson: Lesson, seed: int) -> "Drive":
        """Return the drive that a seed makes of a lesson."""
        plan, case = lesson.ride_plan(seed)
        return cls(lesson, seed, plan, case)

    def truth_now(self, ride: Ride) -> str:
        """Return what is wrong in a ride under way: the lesson's words, until that was changed."""
        if all(doing.by_trainee for doing in ride.facts.doings):
            return self.case.debrief
        acting, coming = [], []
        for span in ride.spans:
            if span.acts:
                acting.append(what_goes_wrong(span.kind, span.channel))
            elif not isfinite(span.begins_s) and not span.cleared:
                coming.append(what_goes_wrong(span.kind, span.channel))
        now = ", ".join(acting) or "nothing is wrong"
        later = f"; to come: {', '.join(coming)}" if coming else ""
        return f"now {now}{later}. Right to call: {_CALLS[self.case_of(ride).call]}."

    def case_of(self, ride: Ride) -> Case:
        """Return the truth of a ride: the lesson's, unless it came otherwise.

        An instructor may have added to it; of several faults the first that began is the one to
        call. A fault may never have begun: the drive was ended before, or it was cleared.
        """
        added = ride.spans[len(self.plan.faults) :]
        began = [span for span in ride.spans if isfinite(span.begins_s)]
        if not began and ride.spans:
            return replace(self.case, debrief=NEVER_BEGAN, faults=(), call=NOTHING_WRONG)
        if not added:
            return self.case
        faults = [Fault(span.kind, magnitude=span.amount, channel=span.channel) for span in began]
        first = min(range(len(began)), key=lambda i: began[i].begins_s)
        told = ", ".join(what_goes_wrong(span.kind, span.channel) for span in added)
        return replace(
            self.case,
            debrief=f"The instructor had a hand in it: {told}.",
            faults=tuple(faults),
            call=call_of(faults[first]),
        )
