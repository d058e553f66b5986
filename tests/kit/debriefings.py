"""Debriefings of short rides, as a class sends them."""

from functools import cache

from msgspec import structs

from monitor.attach.drilling import Debriefing, Part
from monitor.drill.debriefing import debriefing_of
from monitor.drill.drive import Drive
from simulator.drill.debrief import debrief
from simulator.drill.lesson import Case, load_lesson
from simulator.drill.ride import Ride
from simulator.drill.words import Act, Failsafe
from tests.kit.rides import STOP, driven, pull


@cache
def debriefing(*, faulty: bool = True, alias: str = "ada", title: str = "A hill") -> Debriefing:
    """Return the debriefing of a pull in which a pump stops (or nothing goes wrong)."""
    plan = pull(STOP) if faulty else pull()
    ride = Ride(plan, 1, failsafe=Failsafe.OFF)
    driven(ride, 1.75)
    if faulty:
        ride.call("pump")
        driven(ride, 0.3)
        ride.act(Act.LIFT)
    found = debrief(driven(ride))
    case = Case(
        "Pressure falls with the flow, and at once: a clog would have raised it.",
        plan.faults,
        "pump" if faulty else "nothing_wrong",
    )
    made = debriefing_of(Drive(load_lesson("1"), 1, plan, case), alias, ride, found, ())
    return structs.replace(
        made,
        title=title,
        goal="Tell a pump that stops from a clog by the line's pressure.",
        score=83.0,
        parts=[
            Part("call", 35.0, 35.0, "right, 0.40 s after the first sign"),
            Part("harm", 40.0, 40.0, "none of the 2.5 that nobody's drive has"),
            Part("work", 8.0, 25.0, "42 % of the work lost"),
        ],
        formula="score = call (35) + harm kept from the engine (40) + work kept (25)",
    )
