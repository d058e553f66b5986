"""Messages of a class of drills, to put into tests."""

from monitor.attach.drilling import (
    Brief,
    Choice,
    ClassState,
    Debriefing,
    Did,
    DrillState,
    FaultState,
    Mark,
    Note,
    Outcome,
    Part,
    Phase,
    Place,
    RideState,
    Sign,
    TracePoints,
    Welcome,
)
from simulator.drill.words import Act, Failsafe

CALLS = [
    Choice("nothing", "nothing is wrong"),
    Choice("pump", "the pump stops or weakens"),
    Choice("nozzle", "a nozzle is clogged"),
    Choice("sensor", "a sensor reads wrong"),
]
ACTS = [
    Choice("hold", "leave it to the driver"),
    Choice("pull_timing", "pull timing"),
    Choice("cut_boost", "cut boost"),
    Choice("lift", "lift"),
]


def welcome() -> Welcome:
    """Return a class's greeting, with one trainee there."""
    return Welcome(7, "Three pulls", Phase.WAITING, ["ann"], 15, instructed=True)


def place() -> Place:
    """Return a trainee's place."""
    return Place("join", "ann", "/run/x/7-1.sock", 0, "secret")


def brief() -> Brief:
    """Return what a trainee is told of a lesson with the failsafe off."""
    return Brief(
        title="Three pulls",
        text="Three pulls in third gear, full throttle.",
        alias="ann",
        calls=CALLS,
        acts=ACTS,
        failsafe=Failsafe.OFF,
        late_by_s=0.0,
        shows=[],
        lesson_number=1,
        lessons=12,
        duration_s=40.0,
        may_begin=True,
    )


def drill_state(time_s: float = 0.0, phase: Phase = Phase.DRIVING) -> DrillState:
    """Return how a drive stands whose trainee did nothing."""
    return DrillState(time_s, phase)


def debriefing() -> Debriefing:
    """Return the truth of a drive whose trainee was right."""
    return Debriefing(
        alias="ann",
        title="Three pulls",
        truth="The pump lost its drive.",
        called="the pump stops or weakens",
        right_call="the pump stops or weakens",
        verdict="right",
        onset_s=12.3,
        signs=[Sign(12.41, "delivered_ml_min", "spray flow", "31 % below what it would be")],
        guard_warn_s=12.5,
        guard_pull_s=12.6,
        guard_cut_s=12.9,
        guard_said="31 % of the spray is missing: cut boost to 60 kPa.",
        guard_cause="pump",
        did=[
            Did(13.1, "act", "lift", "lift"),
            Did(14.0, "call", "pump", "the pump stops or weakens"),
        ],
        outcomes=[
            Outcome("driven", "as you drove", 1.2, 3, 400.0),
            Outcome("guard", "the guard alone", 0.4, 0, 380.0),
            Outcome("nobody", "nobody acts", 90.0, 212, 420.0),
            Outcome("no_fault", "without the fault", 0.1, 0, 520.0),
        ],
        goal="Tell by the flow what the spray does.",
        text="Flow falls before anything else does.",
        check_first=["the pump's relay and fuse"],
        score=88.0,
        parts=[Part("harm", 50.0, 50.0, "no more than the guard"), Part("call", 38.0, 50.0, "")],
        formula="harm 50 + call 50",
        time_s=[0.0, 0.1, 0.2],
        traces=[
            TracePoints(
                "delivered_ml_min", "spray flow", "ml/min", [0.0, 310.0, None], [0.0, 310.0, 450.0]
            )
        ],
        harm={"driven": [0.0, 0.0, 1.2], "guard": [0.0, 0.0, 0.4], "nobody": [0.0, 4.0, 90.0]},
        notes=[Note(13.0, "watch the flow")],
    )


def class_state() -> ClassState:
    """Return a class of one trainee, driving."""
    return ClassState(
        time_s=14.2,
        duration_s=40.0,
        phase=Phase.DRIVING,
        title="Three pulls",
        truth="The pump lost its drive.",
        lesson_number=1,
        lessons=12,
        speed=1.0,
        faults=[FaultState(0, "pump stop", 12.3, 1.0, True)],
        kinds=[Choice("pump_stop", "the pump loses its drive")],
        channels=["boost_kpa", "delivered_ml_min"],
        marks=[Mark("start", 0.0)],
        rides=[RideState("ann", True, "pump", 14.0, Act.LIFT, 13.1, "cut_boost", 1.2)],
        calls=CALLS,
        notes=[Note(13.0, "watch the flow")],
    )


SAID = (
    welcome(),
    place(),
    brief(),
    drill_state(),
    debriefing(),
    class_state(),
)
