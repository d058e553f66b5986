"""When a screen has settled: nothing on the loop is ready to run, nor due within a frame.

Textual's own ``wait_for_idle`` takes little processor time within 20 ms for a sign of that, and a
second for the most there is to do: on a busy machine it returns with keys half handled.
"""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final
from unittest.mock import patch

from textual.css.stylesheet import Stylesheet

FRAME_S: Final = 1.0 / 50.0  # Textual draws what has changed within a sixtieth of a second
MOST_FRAMES: Final = 6  # a change can ask for another; what repeats for ever must not be waited for


async def nothing_is_ready(*_: float) -> None:
    """Let the loop run until twice in a row nothing but this is ready, and no frame is due."""
    loop = asyncio.get_running_loop()
    for _frame in range(MOST_FRAMES):
        await _nothing_runs(loop)
        due_s = [
            timer.when()
            for timer in vars(loop)["_scheduled"]
            if not timer.cancelled() and timer.when() < loop.time() + FRAME_S
        ]
        if not due_s:
            return
        woken = asyncio.Event()
        loop.call_at(max(due_s), woken.set)
        await woken.wait()
    await _nothing_runs(loop)


async def _nothing_runs(loop: asyncio.AbstractEventLoop) -> None:
    ready: Any = vars(loop)["_ready"]
    quiet = 0
    while quiet < 2:
        await asyncio.sleep(0)
        quiet = 0 if ready else quiet + 1


@contextmanager
def screens_settle() -> Iterator[None]:
    """Have Textual's test pilot wait so."""
    with (
        patch("textual.pilot.wait_for_idle", nothing_is_ready),
        patch("textual.app.wait_for_idle", nothing_is_ready),
    ):
        yield


@contextmanager
def styles_are_parsed_once() -> Iterator[None]:
    """Have Textual keep what it makes of a style sheet for all apps, as it does for each by itself.

    Half of an app's start is parsing the same sheets with the same colours.
    """
    parse: Any = Stylesheet._parse_rules
    kept: dict[Any, Any] = {}

    def parsed(sheet: Any, *given: Any, **named: Any) -> Any:
        key = (*given, *named.items(), *sheet._variables.items())
        if key not in kept:
            kept[key] = parse(sheet, *given, **named)
        return kept[key]

    with patch.object(Stylesheet, "_parse_rules", parsed):
        yield
