"""Scripted stories for the screen: what a guard would say, with round invented numbers.

``python -m tests.screen_script`` writes the plain-text screens anew; read the difference.
"""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from textual.pilot import Pilot

from monitor.guard.protocol import TRACE, Bye, EventTurn, Frame, Hello, Message, NoticeLine
from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink

SCREENS: Final = Path(__file__).parent / "screens"
SIZES: Final = ((80, 24), (140, 40))
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


class Clock:
    """A clock that stands still until it is set."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        """Return the time it is set to."""
        return self.now_s


def hello(**changes: Any) -> Hello:
    """Return a greeting, with the named fields changed."""
    facts: dict[str, Any] = {
        "protocol": 1,
        "pid": 4711,
        "rig": "Sorrel 2.0",
        "source": "invented logger",
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
    )


def event(**changes: Any) -> dict[str, Any]:
    """Return an event as the guard tells it, with the named fields changed."""
    return {
        "time_s": 18.12,
        "finding": "under_delivery",
        "action": "pull_timing",
        "retard_deg": 5.5,
        "boost_ceiling_kpa": None,
        "debt_ml": 0.83,
        "explanation": "Delivered 300 of 500 mL/min expected (40 % missing) at 150 kPa boost; "
        "debt 0.83 mL passed the pull threshold of 0.80 mL, 240 ms after the shortfall began: "
        "pull 5.5 deg of timing.",
        "action_time_s": 18.2,
        "until_s": None,
        "steps": [
            {"time_s": 18.12, "action": "warn", "retard_deg": 0.0},
            {"time_s": 18.2, "action": "pull_timing", "retard_deg": 5.5},
        ],
        **changes,
    }


CHECK: Final = "tank level, pump supply and fuse, filter, nozzle, line and fittings"


@dataclass(frozen=True)
class Story:
    """What is said and when (steady seconds), when it is looked at, and what must be read then."""

    name: str
    told: list[tuple[float, list[Message]]]
    seen_at_s: float
    words: tuple[str, ...] = ()
    never: tuple[str, ...] = field(default=())


def _healthy(start_s: float = 100.0) -> list[tuple[float, list[Message]]]:
    status = "Hold: 500 of 500 mL/min arrive at 150 kPa boost."
    first = rows(0.0, 17.0)
    return [
        (start_s, [hello(), NoticeLine("recording", "recording to /logs/x")]),
        (start_s, [frame(status, first, 1700)]),
        (start_s + 1.0, [frame(status, rows(17.0, 18.0), 1800)]),
    ]


def stories() -> list[Story]:
    """Return every story that has a screen of its own in ``tests/screens``."""
    advises = "advises only: no output is driven"
    pull = "Pull 5.5 deg of timing: under delivery, debt 0.83 mL, 40 % of the spray missing."
    cut = "Cut boost to 100 kPa: under delivery, debt 5.60 mL, 100 % of the spray missing."
    lost = "Hold: an essential channel is not healthy, so the spray is not being judged."
    pulled = frame(
        pull,
        rows(18.0, 18.4, share=0.6, debt_ml=0.83, action=2, retard_deg=5.5),
        1840,
    )
    return [
        Story("waiting", [], 100.2, ("? WAITING", "for the guard's first word", advises)),
        Story(
            "healthy_pull",
            _healthy(),
            101.1,
            (
                "= HOLD",
                "engine left alone",
                "Hold: 500 of 500 mL/min arrive at 150 kPa boost.",
                "150 kPa",
                "max 190",
                "rejected 3",
                "none so far",
                "100",
                advises,
            ),
            ("GONE", "NO DATA", "? old", "short"),
        ),
        Story(
            "pull_timing",
            [*_healthy(), (101.4, [pulled, EventTurn("raised", event(), CHECK)])],
            101.45,
            (
                "▼ PULL TIMING",
                "5.5 deg taken back",
                "nder delivery, debt 0.83 mL, 40 % of the spray missing.",
                "! short",
                "▼ past pull",
                "▼ pulled",
                "18.12 s",
                "under-delivery",
                "▼ pull timing",
                "5.5 deg, 0.83 mL",
                "active",
                "Check first tank level, pump supply and fuse, filter,",
                advises,
            ),
            ("HOLD", "? old"),
        ),
        Story(
            "cut_boost",
            [
                *_healthy(),
                (101.4, [pulled, EventTurn("raised", event(), CHECK)]),
                (
                    102.0,
                    [
                        frame(
                            cut,
                            rows(18.4, 19.0, share=0.0, debt_ml=5.6, action=3, boost_kpa=120.0),
                            1900,
                            boost_ceiling_kpa=100.0,
                        ),
                        EventTurn(
                            "worsened",
                            event(action="cut_boost", boost_ceiling_kpa=100.0, debt_ml=5.01),
                            CHECK,
                        ),
                    ],
                ),
            ],
            102.05,
            (
                "■ CUT BOOST",
                "to 100 kPa",
                "nder delivery, debt 5.60 mL, 100 % of the spray missing.",
                "■ past cut",
                "! over cut 100",
                "to 100 kPa, 5.5 deg, 5.01 mL",
                advises,
            ),
            ("HOLD", "? old"),
        ),
        Story(
            "signal_lost",
            [
                *_healthy(),
                (
                    101.4,
                    [
                        frame(
                            lost,
                            rows(18.0, 18.4),
                            1840,
                            ill={"delivered_ml_min": "stale", "intake_c": "not a number"},
                            all_healthy=0.0,
                            delivered_ml_min=None,
                        )
                    ],
                ),
            ],
            101.45,
            ("? HOLD, NOT JUDGED", "? not a numb", "--", lost, advises),
            ("40 °C", "= HOLD"),
        ),
        Story(
            "source_silent",
            [
                *_healthy(),
                (104.2, [frame(lost, [], 1800, all_healthy=0.0, action=0.0, debt_ml=0.0)]),
            ],
            104.2,
            ("? No data for 3.2 s", "? old", "! last 3.2 s ago", advises),
            ("= HOLD",),
        ),
        Story(
            "guard_hung",
            _healthy(),
            104.2,
            ("? NO DATA", "no word from the guard for 3.2 s", "Before that: Hold:", "? old"),
            ("= HOLD",),
        ),
        *[
            Story(
                name,
                [
                    *_healthy(),
                    (101.4, [pulled, EventTurn("raised", event(), CHECK)]),
                    (101.5, [Bye(why, {"recorded": 1840})]),
                ],
                113.4,
                (*words, "this picture is 12 s old", "? old", "was active", "1840 rows", advises),
                ("▼ PULL TIMING", "= HOLD", never),
            )
            for name, why, never, words in (
                (
                    "guard_gone",
                    "failed: no disk",
                    "ENDED",
                    ("× GUARD GONE", "nothing watches", "Failed: no disk. Before that: Pull 5.5"),
                ),
                (
                    "ended",
                    "source ended",
                    "GONE",
                    ("ENDED   the log is over", "q quits", "At the end: Pull 5.5 deg"),
                ),
            )
        ],
    ]


def text_of(app: Dashboard) -> str:
    """Return what the screen shows, as plain text."""
    strips = app.screen._compositor.render_strips(app.size)
    return "\n".join(strip.text.rstrip() for strip in strips) + "\n"


async def tell(
    app: Dashboard,
    link: FakeLink,
    clock: Clock,
    told: list[tuple[float, list[Message]]],
    seen_at_s: float,
) -> None:
    """Say a story's messages at their times, then show the screen at the time it is looked at."""
    for at_s, messages in told:
        clock.now_s = at_s
        link.feed(*messages)
        await link.taken()
    clock.now_s = seen_at_s
    app.redraw()


async def screen_of(story: Story, size: tuple[int, int], pilot_does: Callable[..., Any]) -> str:
    """Return a story's screen at a size; ``pilot_does`` is awaited before the look."""
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, owner=False, clock=clock)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        await tell(app, link, clock, story.told, story.seen_at_s)
        await pilot_does(pilot)
        return text_of(app)


async def only_pause(pilot: Pilot[str | None]) -> None:
    """Let the screen settle."""
    await pilot.pause()


def golden(story: Story, size: tuple[int, int]) -> Path:
    """Return the file with a story's screen."""
    return SCREENS / f"{story.name}_{size[0]}x{size[1]}.txt"


if __name__ == "__main__":
    for told_story in stories():
        for wanted in SIZES:
            shown = asyncio.run(screen_of(told_story, wanted, only_pause))
            golden(told_story, wanted).write_text(shown, encoding="utf-8")
