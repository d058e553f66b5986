"""What every test session has ready, and how the whole suite is shared out among workers."""

import os
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import pytest_asyncio

import simulator.plant.compiled  # noqa: F401  # cars run compiled: thirty times as fast, bit-identical

MOST_WORKERS = 4
# Guards as processes, brokers, deadlines in real time. They mostly wait, so they begin at once, and
# the others have the rest of the machine; two lines of them, each one test at a time.
LIVE_GUARDS = (
    "guard_process",
    "end_to_end",
    "alarm_desk",
    "alarm_end_to_end",
    "hostile",
    "counts",
    "kill",
    "rejoin",
    "reload_process",
    "viewers",
    "warm",
    "web",
)
LIVE_WIRES = (
    "outputs",
    "output_contract",
    "output_holder",
    "mqtt_cars",
    "mqtt_feed",
    "mqtt_nonsense",
    "mqtt_publisher",
    "mqtt_source",
    "disk_full",
    "guard_loop",
    "serial_life",
    "source_contract",
)
# Every other file is a group of its own. What takes longest begins first, so that all workers end
# at about the same time.
LONG = (
    "replay_screen",
    "plant_continuous",
    "screen",
    "plotting",
    "alarm_page",
    "review",
    "detection_bench",
    "csv",
    "cli",
    "scenario_library",
    "screen_journeys",
    "plant_evaporation",
    "plant_plausible",
    "screen_themes",
    "coverage",
    "replay_what_if",
    "causes_plant",
)
# Both load CoolProp, which takes long.
FLUIDS = ("plant_evaporation", "plant_mixture")
_GROUPS = (
    dict.fromkeys(LIVE_GUARDS, "guards")
    | dict.fromkeys(LIVE_WIRES, "wires")
    | dict.fromkeys(FLUIDS, "fluids")
)
_WORKERS: dict[str, set[str]] = {}
_ORDER = (*LIVE_GUARDS, *LIVE_WIRES, *LONG)


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Share out the whole suite; a few files named run sooner in one process."""
    processors = os.cpu_count() or 1
    # One more than processors: two of the workers mostly wait.
    return min(processors + 1, MOST_WORKERS) if _is_whole(config) and processors > 1 else 0


def _is_whole(config: pytest.Config) -> bool:
    return bool(config.args == config.getini("testpaths"))


def pytest_sessionstart(session: pytest.Session) -> None:
    """Compile everything once, before workers start and before any time limit runs.

    A few files named compile what they need.
    """
    if not hasattr(session.config, "workerinput"):
        from tests.compiling import compile_all, leave_guards_cold

        if _is_whole(session.config) or session.config.getoption("numprocesses", None):
            compile_all()
        leave_guards_cold()


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Undo what would outlive the suite; fail where a group was torn apart."""
    if not hasattr(session.config, "workerinput"):
        from monitor.guard.warm import end_warming

        end_warming()
    torn = sorted(group for group, workers in _WORKERS.items() if len(workers) > 1)
    if torn:
        pytest.exit(f"found groups in several workers, expected each in one: {torn}", 1)


def pytest_xdist_make_scheduler(config: pytest.Config, log: "Producer") -> "LoadScopeScheduling":
    """Keep a group in one worker.

    Not by the mark ``xdist_group``: pytest no longer lets pytest-xdist see it, and says nothing.
    """
    from xdist.scheduler import LoadScopeScheduling

    class ByGroup(LoadScopeScheduling):  # type: ignore[misc]  # it has no types
        def _split_scope(self, nodeid: str) -> str:
            return _group(Path(nodeid.partition("::")[0]))

    return ByGroup(config, log)


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Remember which worker ran what, where the workers report."""
    worker = getattr(report, "node", None)
    if worker is not None:
        _WORKERS.setdefault(_group(Path(report.fspath)), set()).add(worker.gateway.id)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put what waits or takes long in front; files stay whole, and in their order."""
    places = {name: place for place, name in enumerate(_ORDER)}
    items.sort(key=lambda item: places.get(_name(item.path), len(places)))


def _name(path: Path) -> str:
    return path.stem.removeprefix("test_")


def _group(path: Path) -> str:
    name = _name(path)
    return _GROUPS.get(name, name)


@pytest.fixture(scope="session", autouse=True)
def _own_runtime_folder_of_a_worker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Let no test find the guards of another worker, or of whoever works here."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path_factory.mktemp("run")))
        yield


@pytest.fixture(scope="session", autouse=True)
def _screens_settle() -> Iterator[None]:
    """Let no test of a screen depend on the machine's speed."""
    from tests.settling import screens_settle

    with screens_settle():
        yield


if TYPE_CHECKING:
    from xdist.remote import Producer
    from xdist.scheduler import LoadScopeScheduling

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
