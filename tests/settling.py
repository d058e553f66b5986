"""When a screen has settled: once nothing on the loop is ready to run, however slow the machine.

Textual's own ``wait_for_idle`` takes little processor time within 20 ms for a sign of that, and a
second for the most there is to do: on a busy machine it returns with keys half handled.
"""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from unittest.mock import patch


async def nothing_is_ready(*_: float) -> None:
    """Let the loop run until twice in a row nothing but this is ready to run."""
    ready: Any = vars(asyncio.get_running_loop())["_ready"]
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
