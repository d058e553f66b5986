"""What a guard would say to a screen, with round invented numbers."""

from typing import Any, Final

from monitor.attach.protocol import TRACE, Frame, Hello
from monitor.source_facts import SourceKind

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


def hello(**changes: Any) -> Hello:
    """Return a greeting, with the named fields changed."""
    facts: dict[str, Any] = {
        "protocol": 1,
        "pid": 4711,
        "rig": "Sorrel 2.0",
        "source": "invented logger",
        "source_kind": SourceKind.LIVE,
        "session": "/logs/2026-01-31T12-00-00Z-sorrel",
        "thresholds": {"warn": 0.4, "pull": 0.8, "cut": 5.0},
        "limits": {"boost_kpa": 190.0, "knock": 4.0, "intake_c": 70.0, "injector_duty_pct": 92.0},
        "scale": {"flow_ml_min": 560.0, "boost_kpa": 190.0},
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
    debt_ml: float = 0.0,
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
                debt_ml,
                500.0 if time_s >= 9.9 else 0.0,
                expected,
                20.0 + 0.12 * expected,
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
            ]
        )
    return made


def frame(
    status: str,
    trace: list[list[float | None]],
    decoded: int,
    *,
    ill: dict[str, str] | None = None,
    causes: list[dict[str, Any]] | None = None,
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
        decision=decision,
        health={name: (ill or {}).get(name, "healthy") for name in CHANNELS},
        statistics={
            "received": decoded,
            "decoded": decoded,
            "rejected": {"too short": 2, "bad number": 1},
            "dropped": 0,
            "decided": decoded,
            "late": 0,
            "latency": {"count": decoded, "p99_ms": 0.34},
            "recorded": decoded,
            "not_recorded": 0,
            "viewers": 1,
        },
        rows=trace,
        causes=causes or [],
    )


def event(**changes: Any) -> dict[str, Any]:
    """Return an event as the guard tells it, with the named fields changed.

    The guard's own time is the device's where nothing else is said.
    """
    time_s, until_s = changes.get("time_s", 18.12), changes.get("until_s")
    return {
        "time_s": 18.12,
        "clock_s": time_s,
        "lasted_s": None if until_s is None else until_s - time_s,
        "finding": "under_delivery",
        "action": "pull_timing",
        "retard_deg": 5.5,
        "boost_ceiling_kpa": None,
        "debt_ml": 0.83,
        "explanation": "300 of 500 mL/min arrive (40 % missing) at 150 kPa boost; "
        "debt 0.83 mL passed the pull threshold of 0.80 mL after 0.24 s: "
        "pull 5.5 deg of timing.",
        "action_time_s": 18.2,
        "until_s": None,
        "steps": [
            {"time_s": 18.12, "action": "warn", "retard_deg": 0.0},
            {"time_s": 18.2, "action": "pull_timing", "retard_deg": 5.5},
        ],
        **changes,
    }


CAUSES: Final = [
    {
        "cause": "pump",
        "label": "pump stopped",
        "likelihood": 0.71,
        "evidence": ["flow is at 0 % of what is due", "line pressure is gone"],
    },
    {"cause": "air_or_empty", "label": "tank empty", "likelihood": 0.22, "evidence": []},
    {"cause": "split_before_sensor", "label": "line broken", "likelihood": 0.05, "evidence": []},
]
CHECK: Final = "tank level, pump supply and fuse, filter, nozzle, line, fittings"


WENT: Final = event(
    time_s=12.3, finding="knock", action="warn", retard_deg=0.0, debt_ml=0.0, until_s=13.1
)
