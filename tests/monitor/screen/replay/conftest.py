"""A drive made by hand, and a hand on the keys of its replay."""

from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import pytest_asyncio

from monitor.review.log import Log
from tests.kit.replay_script import Hand, brindled, log_file, replaying


@pytest.fixture
def log(tmp_path: Path) -> Log:
    """The hand-made drive of the replay's tests, as a log."""
    return brindled(log_file(tmp_path))


@pytest_asyncio.fixture
async def hand(log: Log) -> AsyncIterator[Hand]:
    """A hand on the keys of that drive's replay."""
    async with replaying(log) as found:
        yield found
