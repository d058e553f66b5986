"""A moment of a recorded drive as a picture: the replay screen, run without a terminal."""

import asyncio
import re
from math import isfinite
from pathlib import Path
from typing import Any, Final

from textual.pilot import Pilot

from monitor.pictures.cells import TALLEST, WIDEST, Still, still
from monitor.pictures.write import ENDINGS, write
from monitor.review.log import open_log
from monitor.screen.panes.too_small import LEAST_HEIGHT, LEAST_WIDTH
from monitor.screen.replay.app import ReplayDashboard
from monitor.screen.replay.go_to import begin_at
from monitor.words.look import Look
from simulator.strict import BadInput, clean, ending_of, refuse_taken

SHORTEST_S: Final = 1.0
FIRST: Final = "#1"  # the first event; a drive without any is shown at its end


def cells_of(size: str) -> tuple[int, int]:
    """Return columns and rows out of ``120x36``.

    Raises:
        BadInput: It is no size a picture may have.
    """
    found = re.fullmatch(r"([0-9]{1,4})x([0-9]{1,4})", size.strip().lower(), re.ASCII)
    width, height = (int(found[1]), int(found[2])) if found else (0, 0)
    if not (LEAST_WIDTH <= width <= WIDEST and LEAST_HEIGHT <= height <= TALLEST):
        raise BadInput(
            f"--size: found {clean(size, 40)}, expected columns x rows from "
            f"{LEAST_WIDTH}x{LEAST_HEIGHT} to {WIDEST}x{TALLEST}, as 120x36"
        )
    return width, height


def snapshot(
    source: str,
    rig: str | None,
    *,
    at: str,
    to: Path,
    size: tuple[int, int],
    span_s: float | None,
    look: Look,
) -> None:
    """Write the dashboard at one moment of a log or a session as a picture.

    Args:
        source: Session's folder or log.
        rig: Rig file or shipped name; a session brings its own.
        at: The moment, as typed: a time, or ``#3`` for the third event.
        to: New file, ``.svg`` or ``.png``.
        size: Columns and rows.
        span_s: Width of the plots, s, at least 1; None: as the dashboard begins.
        look: Units and theme.

    Raises:
        BadInput: Anything that can't be read, used or written.
    """
    ending_of(to, *ENDINGS)
    refuse_taken(to)
    begin_at(at)
    if span_s is not None and not (isfinite(span_s) and span_s >= SHORTEST_S):
        raise BadInput(f"--span: found {span_s:zg}, expected seconds, {SHORTEST_S:zg} or more")
    log = open_log(source, rig)
    try:
        app = ReplayDashboard(log, who="", look=look)
        picture = asyncio.run(_drawn(app, at, size, span_s))
    finally:
        log.close()
    if isinstance(picture, BadInput):
        raise picture
    write(picture, to)


async def _drawn(
    app: ReplayDashboard, at: str, size: tuple[int, int], span_s: float | None
) -> Still | BadInput:
    drawn: list[Still | BadInput] = []

    async def look(pilot: Pilot[Any]) -> None:
        await app.workers.wait_for_complete()  # it is open, and causes are worked out
        room = app.room
        if room.shown is not None and room.player is not None:
            fault = None
            if at != FIRST or room.shown.events:
                fault = app.time_keys.go_to(at)
            else:
                app.time_keys.action_end(1)
            if span_s is not None:
                room.span_s = span_s
            room.notice = None
            app.redraw()
            await pilot.pause()
            title = f"flowdebt: {room.log.name} at {room.player.time_s:z.2f} s"
            drawn.append(BadInput(f"--at: {fault}") if fault else still(app, title))
        app.exit(None)

    await app.run_async(headless=True, size=size, auto_pilot=look)
    return app.fault or drawn[0]
