"""Debriefings of short rides, as a class sends them."""

from functools import cache
from math import isfinite

import numpy as np

from monitor.attach.drilling import Debriefing, Did, Outcome, Part, Sign, TracePoints
from rules.channels import CHANNEL_BY_NAME
from simulator.drill.debrief import debrief
from simulator.drill.ride import Ride
from simulator.drill.words import Act, Failsafe
from tests.kit.rides import STOP, driven, pull

_WAYS = {
    "driven": "as you drove",
    "guard": "the guard alone",
    "nobody": "nobody acts",
    "no_fault": "without the fault",
}


@cache
def debriefing(*, faulty: bool = True, alias: str = "ada", title: str = "A hill") -> Debriefing:
    """Return the debriefing of a pull in which a pump stops (or nothing goes wrong)."""
    ride = Ride(pull(STOP) if faulty else pull(), 1, failsafe=Failsafe.OFF)
    driven(ride, 1.75)
    if faulty:
        ride.call("pump")
        driven(ride, 0.3)
        ride.act(Act.LIFT)
    found = debrief(driven(ride))

    def known(time_s: float) -> float | None:
        return time_s if isfinite(time_s) else None

    def points(values: object) -> list[float | None]:
        return [known(float(one)) for one in np.asarray(values)]

    traces = found.traces
    return Debriefing(
        alias=alias,
        title=title,
        truth="; ".join(found.truth),
        called="pump, its voltage or its pressure" if faulty else "",
        right_call="pump, its voltage or its pressure" if faulty else "nothing is wrong",
        verdict="right" if faulty else "none",
        onset_s=known(found.onset_s),
        signs=[Sign(one.time_s, one.channel, one.label, one.in_words) for one in found.signs],
        guard_warn_s=known(found.guard_warn_s),
        guard_pull_s=known(found.guard_pull_s),
        guard_cut_s=known(found.guard_cut_s),
        guard_said=found.guard_said,
        guard_cause=found.cause,
        did=[Did(one.time_s, one.kind, one.what, one.what) for one in found.answers],
        outcomes=[
            Outcome(who, words, one.harm, one.heavy_knocks, one.work_kj)
            for who, words in _WAYS.items()
            for one in [getattr(found, who)]
        ],
        goal="Tell a pump that stops from a clog by the line's pressure.",
        text="Pressure falls with the flow, and at once: a clog would have raised it.",
        check_first=list(found.check_first),
        score=83.0,
        parts=[
            Part("call", 35.0, 35.0, "right, 0.40 s after the first sign"),
            Part("harm", 40.0, 40.0, "none of the 2.5 that nobody's drive has"),
            Part("work", 8.0, 25.0, "42 % of the work lost"),
        ],
        formula="score = call (35) + harm kept from the engine (40) + work kept (25)",
        time_s=[float(one) for one in traces.time_s],
        traces=[
            TracePoints(
                name,
                CHANNEL_BY_NAME[name].label,
                CHANNEL_BY_NAME[name].unit,
                points(values),
                []
                if np.array_equal(values, traces.no_fault[name], equal_nan=True)
                else points(traces.no_fault[name]),
            )
            for name, values in traces.driven.items()
        ],
        harm={
            "driven": [float(one) for one in traces.harm],
            "guard": [float(one) for one in traces.guard_harm],
            "nobody": [float(one) for one in traces.nobody_harm],
        },
    )
