"""What every test session has ready, and how the whole suite is shared out among workers."""

import os
from collections.abc import AsyncIterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import pytest_asyncio

import simulator.plant.compiled  # noqa: F401  # cars run compiled: thirty times as fast, bit-identical

MOST_WORKERS = 4
# Guards as processes, brokers, deadlines in real time: one at a time, in one worker. They mostly
# wait, so the others can have the rest of the machine. Every other file is a group of its own.
LIVE = (
    "alarm_desk",
    "alarm_end_to_end",
    "counts",
    "disk_full",
    "end_to_end",
    "guard_loop",
    "guard_process",
    "kill",
    "mqtt_cars",
    "mqtt_feed",
    "mqtt_nonsense",
    "mqtt_publisher",
    "mqtt_source",
    "output_contract",
    "output_holder",
    "outputs",
    "rejoin",
    "reload_process",
    "serial_life",
    "source_contract",
    "viewers",
    "warm",
    "web",
)


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Share out the whole suite; a few files named run sooner in one process."""
    whole = config.args == config.getini("testpaths")
    processors = os.cpu_count() or 1
    return min(processors, MOST_WORKERS) if whole and processors > 1 else 0


def pytest_sessionstart(session: pytest.Session) -> None:
    """Compile everything once, before the workers start and each would."""
    workers = session.config.getoption("numprocesses", None)
    if workers and not hasattr(session.config, "workerinput"):
        from tests.compiling import compile_all

        compile_all(workers)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put every test into a group that stays in one worker."""
    for item in items:
        name = item.path.stem.removeprefix("test_")
        item.add_marker(pytest.mark.xdist_group("live" if name in LIVE else name))


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
