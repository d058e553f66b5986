"""What every test session has ready."""

from collections.abc import AsyncIterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import pytest_asyncio

import simulator.plant.compiled  # noqa: F401  # cars run compiled: thirty times as fast, bit-identical

if TYPE_CHECKING:
    from monitor.replay import Log
    from tests.replay_script import Hand


@pytest.fixture
def log(tmp_path: Path) -> "Log":
    """The hand-made drive of the replay's tests, as a log."""
    from tests.replay_script import brindled, log_file

    return brindled(log_file(tmp_path))


@pytest_asyncio.fixture
async def hand(log: "Log") -> AsyncIterator["Hand"]:
    """A hand on the keys of that drive's replay."""
    from tests.replay_script import replaying

    async with replaying(log) as found:
        yield found
