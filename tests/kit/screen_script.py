"""Scripted stories for the screen: what a guard would say, with round invented numbers."""

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from textual.pilot import Pilot

from monitor.attach.message_parts import Scale, Statistics
from monitor.attach.protocol import Bye, CauseLine, Ending, Frame, Message, Notice
from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink
from monitor.words.look import Look, ThemeName
from tests.kit.paths import SCREENS
from tests.kit.screen_messages import (
    CAUSES,
    CHANNELS,
    CHECK,
    WENT,
    WITHOUT_FLOW,
    by_line,
    event,
    event_turn,
    frame,
    hello,
    rows,
)

__all__ = ["CAUSES", "CHANNELS", "CHECK", "WENT", "event", "frame", "hello", "rows"]

SIZES: Final = ((80, 24), (140, 40))
MORE_SIZES: Final = ((120, 36), (200, 50))
IMPORTANT: Final = ("healthy_pull", "cut_boost", "source_silent")  # seen at those, too


class Clock:
    """A clock that stands still until it is set."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        """Return the time it is set to."""
        return self.now_s


@dataclass(frozen=True)
class Story:
    """What is said and when (steady seconds), when it is looked at, and what must be read then."""

    name: str
    told: list[tuple[float, list[Message]]]
    seen_at_s: float
    words: tuple[str, ...] = ()
    never: tuple[str, ...] = field(default=())


def _healthy(start_s: float = 100.0) -> list[tuple[float, list[Message]]]:
    status = "No action: 500 of 500 mL/min arrive at 150 kPa boost."
    first = rows(0.0, 17.0)
    return [
        (start_s, [hello(), Notice("recording", "in /logs/x")]),
        (start_s, [frame(status, first, 1700)]),
        (start_s + 0.9, [frame(status, rows(17.0, 17.9), 1790)]),
        (start_s + 0.95, [frame(status, rows(17.9, 17.95), 1795)]),
        (start_s + 1.0, [frame(status, rows(17.95, 18.0), 1800)]),
    ]


def stories() -> list[Story]:
    """Return every story that has a screen of its own in ``tests/screens``."""
    advises = "advises only: no output is driven"
    debt = "under-delivery, debt {} s of full flow, {} % of the spray missing."
    pull = f"Pull 5.5 deg of timing: {debt.format('0.09', 40)}"
    cut = f"Cut boost to 100 kPa: {debt.format('0.60', 100)}"
    lost = "No action: an essential channel is not healthy, so the spray is not being judged."
    pulled = frame(
        pull,
        rows(18.0, 18.4, share=0.6, evidence=17.0, debt_s=0.09, action=2, retard_deg=5.5),
        1840,
    )
    return [
        Story("waiting", [], 100.2, ("? WAITING", "for the guard's first word", advises)),
        Story(
            "healthy_pull",
            _healthy(),
            101.1,
            (
                "= NO ACTION",
                "engine left alone",
                "No action: 500 of 500 mL/min arrive at 150 kPa boost.",
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
            [*_healthy(), (101.4, [pulled, event_turn("raised", event())])],
            101.45,
            (
                "▼ PULL TIMING",
                "5.5 deg taken back",
                "nder-delivery, debt 0.09 s of full flow, 40 % of the spray missing.",
                "! short",
                "▼ past pull",
                "0.09 s",
                "▼ pulled",
                "18.12 s",
                "under-delivery",
                "▼ pull timing",
                "5.5 deg, 0.83 mL",
                "active",
                "Check first tank level, pump supply and fuse,",
                advises,
            ),
            ("NO ACTION", "? old"),
        ),
        Story(
            "cut_boost",
            [
                *_healthy(),
                (101.2, [event_turn("raised", WENT, "fuel quality, plugs")]),
                (101.4, [pulled, event_turn("raised", event())]),
                (
                    102.0,
                    [
                        frame(
                            cut,
                            rows(
                                18.4,
                                19.0,
                                share=0.0,
                                evidence=32.0,
                                debt_s=0.6,
                                action=3,
                                boost_kpa=120.0,
                            ),
                            1900,
                            boost_ceiling_kpa=100.0,
                            causes=CAUSES,
                        ),
                        CauseLine(19.0, CAUSES),
                        event_turn(
                            "worsened",
                            event(action="cut_boost", boost_ceiling_kpa=100.0, debt_ml=5.01),
                            CHECK,
                        ),
                    ],
                ),
            ],
            102.05,
            (
                "▬ CUT BOOST",
                "to 100 kPa",
                "nder-delivery, debt 0.60 s of full flow, 100 % of the spray missing.",
                "▼ past pull",
                "▬ past cut",
                "! over cut 100",
                "to 100 kPa, 5.5 deg",
                "Likely pump stopped 71 %, tank empty 22 %",
                "Check first tank level, pump supply and fuse,",
                "12.30 s  knock",
                advises,
            ),
            ("NO ACTION", "? old"),
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
            (
                "? NO ACTION, NOT JUDGED",
                "? not a numb",
                "--",
                lost[len("No action: an ") :],
                advises,
            ),
            ("40 °C", "= NO ACTION"),
        ),
        *_without_flow(),
        Story(
            "source_silent",
            [
                *_healthy(),
                (104.2, [frame(lost, [], 1800, all_healthy=0.0, action=0.0)]),
            ],
            104.2,
            ("? No data for 3.2 s", "? old", "! last 3.2 s ago", advises),
            ("= NO ACTION",),
        ),
        Story(
            "guard_hung",
            _healthy(),
            104.2,
            ("? NO DATA", "no word from the guard for 3.2 s", "Before that: No action:", "? old"),
            ("= NO ACTION",),
        ),
        *[
            Story(
                name,
                [
                    *_healthy(),
                    (101.4, [pulled, event_turn("raised", event())]),
                    (101.5, [Bye(end, why, Statistics(recorded=1840, drift_ppm=None))]),
                ],
                113.4,
                (*words, "this picture is 12 s old", "? old", "was active", "1840 rows", advises),
                ("▼ PULL TIMING", "= NO ACTION", never),
            )
            for name, end, why, never, words in (
                (
                    "guard_gone",
                    Ending.FAILED,
                    "no disk",
                    "ENDED",
                    ("× GUARD GONE", "nothing watches", "Failed: no disk. Before that: Pull 5.5"),
                ),
                (
                    "ended",
                    Ending.SOURCE_ENDED,
                    "source ended",
                    "GONE",
                    ("ENDED   the log is over", "q quits", "At the end: Pull 5.5 deg"),
                ),
            )
        ],
    ]


def _without_flow() -> list[Story]:
    """Return a car's stories that is judged by line pressure alone: off boost, and in a clog."""
    greeting = hello(
        rig="Sorrel 1.6",
        channels=list(WITHOUT_FLOW),
        witness="line_kpa",
        scale=Scale(560.0, 190.0, line_kpa=1200.0, line_within=0.1),
    )
    idle = "No action, spray not judged: no spray is due at -60 kPa boost, it begins at 60 kPa."
    clog = (
        "Pull 5.5 deg of timing: under-delivery, debt 0.09 s of full flow, line pressure 1200 of "
        "1000 kPa due, 33 % of the spray reckoned missing."
    )
    short = rows(18.0, 18.4, share=1.2, evidence=17.0, debt_s=0.09, action=2, retard_deg=5.5)

    def told(status: str, trace: list[list[float | None]], decoded: int) -> Frame:
        return frame(status, by_line(trace), decoded, channels=WITHOUT_FLOW)

    healthy = told("No action: line pressure 1000 of 1000 kPa due.", rows(9.0, 18.0), 1800)
    return [
        Story(
            "no_flow_off_boost",
            [(100.0, [greeting, told(idle, rows(0.0, 9.0), 900)])],
            100.05,
            (
                "= NO ACTION   engine left alone, spray not judged",
                "o spray is due at -60 kPa boost, it begins at 60 kPa.",
                "Line pressure, kPa",
                "line           0 kPa",
                "Evidence       --",
            ),
            ("low", "flow sensor", "mL/min"),
        ),
        Story(
            "no_flow_clog",
            [
                (
                    100.0,
                    [greeting, told(idle, rows(0.0, 9.0), 900), healthy, told(clog, short, 1840)],
                )
            ],
            100.05,
            (
                "▼ PULL TIMING",
                "ine pressure 1200 of 1000 kPa due",
                "line        1200 kPa",
                "due 1000",
                "! high by 200",
            ),
            ("not judged", "flow sensor"),
        ),
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


def sizes(story: Story) -> tuple[tuple[int, int], ...]:
    """Return the sizes a story is looked at."""
    return (*SIZES, *MORE_SIZES) if story.name in IMPORTANT else SIZES


THEMES: tuple[ThemeName, ...] = ("dark", "light", "contrast", "mono")


def picture_file(theme: str) -> Path:
    """Return the file with a theme's picture."""
    return SCREENS / f"cut_boost_{theme}.svg"


async def picture_of(theme: ThemeName) -> str:
    """Return the boost cut at 120x36 as SVG, without what differs from run to run."""
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, owner=False, look=Look(theme=theme), clock=clock)
    story = next(story for story in stories() if story.name == "cut_boost")
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.pause()
        await tell(app, link, clock, story.told, story.seen_at_s)
        await pilot.pause()
        svg = app.export_screenshot(title="flowdebt")
    # Names carry a checksum of the whole; outside fonts have no place in a file of ours.
    svg = re.sub(r"terminal-\d+", "terminal", svg)
    svg = re.sub(r"@font-face \{.*?\}\s*", "", svg, flags=re.DOTALL)
    return "\n".join(line.rstrip() for line in svg.splitlines()) + "\n"
