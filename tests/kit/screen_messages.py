"""What a guard would say to a screen, with round invented numbers."""

from typing import Any, Final

import msgspec

from monitor.attach.message_parts import (
    DecisionHead,
    EventFacts,
    LikelyCause,
    OutputState,
    Scale,
    StandingAlarm,
    Statistics,
    Thresholds,
)
from monitor.attach.protocol import TRACE, EventTurn, Frame, Hello
from monitor.source_facts import SourceKind
from rules.events import Turn

CHANNELS: Final = (
    "engine_speed_rpm",
    "boost_kpa",
    "injector_duty_pct",
    "intake_c",
    "knock",
    "commanded_ml_min",
    "delivered_ml_min",
    "timing_deg",
    "tank_ml",
    "line_kpa",
    "supply_v",
)


WITHOUT_FLOW: Final = ("engine_speed_rpm", "boost_kpa", "intake_c", "knock", "line_kpa", "supply_v")
CHECK: Final = "tank level, pump supply and fuse, filter, nozzle, line, fittings"


def hello(**changes: Any) -> Hello:
    """Return a greeting, with the named fields changed."""
    facts: dict[str, Any] = {
        "protocol": 1,
        "pid": 4711,
        "rig": "Sorrel 2.0",
        "source": "invented logger",
        "source_kind": SourceKind.LIVE,
        "session": "/logs/2026-01-31T12-00-00Z-sorrel",
        "thresholds": Thresholds(13.7, 16.0, 0.4),
        "limits": {"boost_kpa": 190.0, "knock": 4.0, "intake_c": 70.0, "injector_duty_pct": 92.0},
        "scale": Scale(560.0, 190.0),
        "dry_limit_kpa": 100.0,
        "onset_kpa": 60.0,
        "channels": list(CHANNELS),
        "trace": list(TRACE),
        "history": [],
        "events": [],
    }
    return Hello(**{**facts, **changes})


def rows(
    from_s: float,
    to_s: float,
    dt_s: float = 0.05,
    *,
    share: float = 1.0,
    action: int = 0,
    evidence: float = 0.0,
    debt_s: float = 0.0,
    retard_deg: float = 0.0,
    boost_kpa: float = 150.0,
) -> list[list[float | None]]:
    """Return trace rows of a pull that begins at 10 s, with a share of the spray delivered."""
    made: list[list[float | None]] = []
    for i in range(round((to_s - from_s) / dt_s)):
        time_s = from_s + i * dt_s
        on = min(1.0, max(0.0, (time_s - 10.0) / 0.5))
        expected = 500.0 * on
        made.append(
            [
                round(time_s, 3),
                action,
                retard_deg,
                debt_s,
                evidence,
                500.0 if time_s >= 9.9 else 0.0,
                expected,
                0.92 * expected,
                1.08 * expected + 10.0,
                share * expected,
                -60.0 + (boost_kpa + 60.0) * on,
                20.0 + 50.0 * on,
                30.0 + 10.0 * on,
                0.0,
                30.0 - 12.0 * on,
                3000.0 + 200.0 * on,
                4000.0,
                1000.0 * share * on,
                13.5,
                1000.0 * on if on == 1.0 else None,
                None,
            ]
        )
    return made


def by_line(trace: list[list[float | None]]) -> list[list[float | None]]:
    """Return the same rows of a car without a flow sensor."""
    gone = {"least_ml_min", "most_ml_min", "delivered_ml_min"}
    return [
        [None if name in gone else value for name, value in zip(TRACE, row, strict=True)]
        for row in trace
    ]


def frame(
    status: str,
    trace: list[list[float | None]],
    decoded: int,
    *,
    channels: tuple[str, ...] = CHANNELS,
    ill: dict[str, str] | None = None,
    causes: list[LikelyCause] | None = None,
    **facts: float | None,
) -> Frame:
    """Return a frame; ``ill`` names channels that are not healthy, ``facts`` the decision's."""
    last = trace[-1] if trace else [None] * len(TRACE)
    decision: dict[str, float | None] = {
        **{name: value for name, value in zip(TRACE, last, strict=True) if name[:5] != "value"},
        "boost_ceiling_kpa": None,
        "all_healthy": 1.0,
        **facts,
    }
    return Frame(
        status=status,
        decision=DecisionHead(**decision),
        health={name: (ill or {}).get(name, "healthy") for name in channels},
        statistics=statistics(decoded),
        rows=trace,
        causes=causes or [],
    )


def statistics(decoded: int = 0, **changes: Any) -> Statistics:
    """Return a guard's counts, with the named ones changed."""
    facts = {
        "received": decoded,
        "decoded": decoded,
        "headers": 0,
        "rejected": {"too short": 2, "bad number": 1},
        "dropped": 0,
        "connects": 1,
        "lost": 0,
        "clock": {},
        "drift_ppm": None,
        "waiting": 0,
        "most_waiting": 0,
        "decided": decoded,
        "late": 0,
        "latency": {"count": decoded, "p50_ms": 0.1, "p99_ms": 0.34, "p999_ms": 1.0, "max_ms": 2.0},
        "recorded": decoded,
        "not_recorded": 0,
        "viewers": 1,
    }
    return msgspec.convert({**facts, **changes}, Statistics)


def alarm(name: str = "under_delivery", **changes: Any) -> StandingAlarm:
    """Return an alarm as a frame tells it, with the named fields changed."""
    facts = {
        "alarm": name,
        "state": "unacknowledged",
        "priority": "medium",
        "since_s": 18.2,
        "shelf_left_s": 0.0,
        "first_out": False,
    }
    return msgspec.convert({**facts, **changes}, StandingAlarm)


def output(**changes: Any) -> OutputState:
    """Return an output as a frame shows it, with the named fields changed."""
    facts = {"output": "RTS of /dev/x", "armed": True, "held": True, "why": "all is well"}
    return OutputState(**{**facts, "fault": "", **changes})


def cause(name: str, label: str, likelihood: float, *evidence: str) -> LikelyCause:
    """Return a likely cause as a frame tells it."""
    return LikelyCause(name, label, likelihood, list(evidence), "", [])


def event(**changes: Any) -> EventFacts:
    """Return an event as the guard tells it, with the named fields changed.

    The guard's own time is the device's where nothing else is said.
    """
    time_s, until_s = changes.get("time_s", 18.12), changes.get("until_s")
    facts = {
        "time_s": 18.12,
        "clock_s": time_s,
        "lasted_s": None if until_s is None else until_s - time_s,
        "finding": "under_delivery",
        "action": "pull_timing",
        "retard_deg": 5.5,
        "boost_ceiling_kpa": None,
        "debt_ml": 0.83,
        "explanation": "Evidence 17 of 16: no car this rig allows for would read 300 of 500 mL/min "
        "for 240 ms at 150 kPa boost; 0.09 s of full flow (0.83 mL) missing: pull 5.5 deg of "
        "timing.",
        "action_time_s": 18.2,
        "until_s": None,
        "fault_intervals": None,
        "severity": "protection impaired",
        "check_first": CHECK,
        "steps": [
            {"time_s": 18.12, "action": "warn", "retard_deg": 0.0, "fhti_s": 0.3},
            {"time_s": 18.2, "action": "pull_timing", "retard_deg": 5.5, "fhti_s": 0.4},
        ],
    }
    return msgspec.convert({**facts, **changes}, EventFacts)


def event_turn(kind: str, told: EventFacts, check_first: str = CHECK) -> EventTurn:
    """Return the message that an event was raised, worsened or cleared."""
    facts = msgspec.structs.replace(told, check_first=check_first)
    return EventTurn(Turn(kind), facts, check_first)


CAUSES: Final = [
    cause("pump", "pump stopped", 0.71, "flow is at 0 % of what is due", "line pressure is gone"),
    cause("air_or_empty", "tank empty", 0.22),
    cause("split_before_sensor", "line broken", 0.05),
]


WENT: Final = event(
    time_s=12.3, finding="knock", action="warn", retard_deg=0.0, debt_ml=0.0, until_s=13.1
)
