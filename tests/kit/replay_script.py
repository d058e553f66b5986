"""A hand-made drive for the replay screen, and a hand on its keys."""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final
from unittest.mock import patch

import numpy as np
from textual.pilot import Pilot

from monitor.review.log import Log, open_log
from monitor.screen import base
from monitor.screen.replay.app import ReplayDashboard
from rules.channels import (
    BOOST,
    COMMANDED,
    DELIVERED,
    ENGINE_SPEED,
    INJECTOR_DUTY,
    INTAKE,
    KNOCK,
    LAMBDA,
    LINE,
    SUPPLY,
    TANK,
    THROTTLE,
    TIME,
    TIMING,
    Sample,
)
from rules.facts import Action
from rules.guard import Guard
from tests.kit.recordings import BRINDLE, record
from tests.kit.replays import log_of
from tests.kit.screen_script import Clock, text_of

SIZES: Final = ((80, 24), (140, 40))
MORE_SIZES: Final = ((120, 36),)  # of the first look alone
HZ: Final = 50
TRIP_S: Final = 41.0  # from here on some is missing, for this long
SHORT_S: Final = 4.0
# At first just as much as makes the evidence grow by so much a row, then half, once timing is
# pulled: so that whatever the thresholds, the rules warn, then pull, then cut.
MISSING: Final = 0.08
GROWS: Final = (0.3, 0.8)
HALF: Final = 0.5


def drive() -> Any:
    """Return 60 s of rows: two pulls, and in the second spray runs short at 41 s for a while."""
    return _driven()[0]


def first_s(action: Action) -> float:
    """Return when the shipped rig does this, or more, for the first time in the drive, s."""
    return _driven()[1][action]


@cache
def _driven() -> tuple[Any, dict[Action, float]]:
    guard = Guard(BRINDLE.rig)
    rows = []
    first: dict[Action, float] = {}
    expected = evidence = grown = missing = 0.0
    for i in range(60 * HZ):
        time_s = i / HZ
        pull = min(1.0, max(0.0, time_s - 10.0)) if time_s < 25.0 else 0.0
        if 35.0 <= time_s < 50.0:
            pull = min(1.0, time_s - 35.0)
        wave = 0.01 * ((7 * i) % 11)  # no reading stands still
        sample = [float("-inf")] * len(Sample._fields)
        sample[-1] = 0.0
        sample[TIME] = time_s
        sample[BOOST] = -60.0 + 210.0 * pull + wave
        sample[ENGINE_SPEED] = 2500.0 + 2000.0 * pull + wave
        sample[INJECTOR_DUTY] = 10.0 + 50.0 * pull + wave
        sample[INTAKE] = 30.0 + 8.0 * pull + wave
        sample[KNOCK] = wave
        if not TRIP_S <= time_s < TRIP_S + SHORT_S:
            missing = 0.0
        elif Action.PULL_TIMING in first:
            missing = HALF
        elif missing == 0.0:
            missing = MISSING
        elif not GROWS[0] <= grown <= GROWS[1]:
            missing += 0.003 if grown < GROWS[0] else -0.003
        sample[DELIVERED] = (1.0 - missing) * expected
        sample[COMMANDED] = expected
        sample[THROTTLE] = 5.0 + 90.0 * pull
        sample[TIMING] = 28.0 - 10.0 * pull + wave
        sample[LAMBDA] = 1.0 - 0.2 * pull + 0.01 * wave
        sample[TANK] = 4000.0 - 5.0 * time_s
        sample[LINE] = 900.0 * pull + wave
        sample[SUPPLY] = 13.5 + wave
        decision = guard.step(Sample(*sample))
        expected, grown = decision.expected_ml_min, decision.evidence - evidence
        evidence = decision.evidence
        first.setdefault(Action(int(decision.action)), time_s)
        rows.append(sample)
    return np.array(rows), first


def log_file(folder: Path, name: str = "drive.parquet") -> Path:
    """Write the drive as a log; return its path."""
    return log_of(drive(), folder / name)


def session(folder: Path) -> Path:
    """Record the drive as a session; return its folder."""
    return record(folder, [Sample(*row) for row in drive().tolist()])


class Hand:
    """A person's hand on the keys of an open replay."""

    def __init__(self, app: ReplayDashboard, pilot: Pilot[str | None], clock: Clock) -> None:
        self.app = app
        self.pilot = pilot
        self.clock = clock
        self.room = app.room

    async def press(self, *keys: str) -> str:
        """Press keys; return what the screen shows then."""
        await self.pilot.press(*keys)
        return await self.done(asking=True)

    async def type(self, text: str, *, clear: bool = True) -> str:
        """Type an answer to what is asked, and wait until it is done with, or asked again."""
        line = self.app._ask_line._input
        if clear:
            line.value = ""
        line.value = line.value + text
        asked = self.app._ask_line._answer
        await self.pilot.press("enter")
        while True:
            await self.pilot.pause()
            asking = self.app._ask_line._answer
            working = [w for w in self.app.workers if w.group == "asking" and w.is_running]
            if not working or (asking is not None and asking is not asked):
                break
        return await self.done(asking=True)

    async def look(self) -> str:
        """Return what the screen shows, once it has settled."""
        await self.pilot.pause()
        self.app.redraw()
        await self.pilot.pause()
        return text_of(self.app)  # type: ignore[arg-type]

    async def done(self, *, asking: bool = False) -> str:
        """Wait for whatever works in the background; return what the screen shows then.

        Args:
            asking: Leave alone what waits for an answer.
        """
        while True:
            await self.pilot.pause()
            working = [
                worker
                for worker in self.app.workers
                if not worker.is_finished and not (asking and worker.group == "asking")
            ]
            if not working:
                return await self.look()
            await self.app.workers.wait_for_complete(working)


@asynccontextmanager
async def replaying(
    source: Path | Log,
    size: tuple[int, int] = (140, 40),
    *,
    start: str = "",
    who: str = "Ada",
) -> AsyncIterator[Hand]:
    """Open a log or session on the screen, wait until all is worked out, hand over the keys."""
    log = source if isinstance(source, Log) else open_log(str(source), None)
    clock = Clock()
    app = ReplayDashboard(log, who=who, start=start, clock=clock)
    try:
        # Nothing is drawn but when a test looks: the machine's speed shall not matter.
        with patch.object(base, "TICK_S", 3600.0):
            async with app.run_test(size=size) as pilot:
                await app.workers.wait_for_complete()
                yield Hand(app, pilot, clock)
    finally:
        log.close()


def brindled(path: Path) -> Log:
    """Open a log by the rig it was made for."""
    return open_log(str(path), "brindle")


@dataclass(frozen=True)
class Look:
    """A screen kept in ``tests/screens``: how to come to it, and what must be read there."""

    name: str
    does: Callable[[Hand], Any]
    words: tuple[str, ...]
    never: tuple[str, ...] = ("? old", "-10 s", " ago", "GONE", "NO DATA")


async def _trip(hand: Hand) -> None:
    await hand.press("n")


async def _compared(hand: Hand) -> None:
    await hand.press("n", "a", "pagedown", "b", "d")


async def _tried(hand: Hand) -> None:
    await hand.press("n", "w", "enter")
    await hand.type("debt.cut = 0.2 s")
    await hand.press("escape")


async def _tried_page(hand: Hand) -> None:
    await _tried(hand)
    await hand.press("w")


async def _listed(hand: Hand) -> None:
    await hand.press("n", "m")
    await hand.type("here it went")
    await hand.press("l")


async def _helped(hand: Hand) -> None:
    await hand.press("question_mark")


def looks() -> list[Look]:
    """Return every replay screen that is kept."""
    advice = "Check first tank level"
    changed = "WHAT-IF: debt.cut 0.4 s -> 0.2 s"
    return [
        Look("replay_trip", _trip, ("REPLAY", "! WARN", "under-delivery", advice, "▲", "paused")),
        Look("replay_compared", _compared, ("Two moments", "B - A", "+1.00 s", "debt")),
        Look("replay_what_if", _tried, ("REPLAY", changed, "would be", "was", "not what happened")),
        Look("replay_what_if_page", _tried_page, (changed, "0.4 s -> 0.2 s", "< earlier")),
        Look("replay_list", _listed, ("◆ mark", "here it went", "by Ada", "under-delivery")),
        Look(
            "replay_help",
            _helped,
            ("while driving", "go to a time", "next or previous event, gap or mark"),
        ),
    ]


def sized_looks() -> list[tuple[Look, tuple[int, int]]]:
    """Return every kept screen with its sizes."""
    first, *_ = looks()
    return [(look, size) for look in looks() for size in SIZES] + [
        (first, size) for size in MORE_SIZES
    ]


async def shown(look: Look, size: tuple[int, int], folder: Path) -> str:
    """Return a kept screen's look at a size; the log is written into ``folder``."""
    async with replaying(brindled(log_file(folder)), size) as hand:
        await look.does(hand)
        hand.room.notice = None
        return await hand.done()
