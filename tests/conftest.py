"""What every test session has ready, and how the whole suite is shared out among workers."""

import gc
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

import simulator.plant.compiled  # noqa: F401  # cars run compiled: thirty times as fast, bit-identical
from tests.kit.paths import ROOT

# A busy machine takes as long as it takes: see tests/kit/patience.py.
settings.register_profile("patient", deadline=None)
settings.load_profile("patient")
MOST_WORKERS = 4
# Each folder here is one group, run by one worker, one test at a time: real processes, ports and
# brokers, with deadlines in real time. They mostly wait, so they begin at once, and the others have
# the rest of the machine.
LIVE = ROOT / "tests" / "live"
# In which order the others begin; what takes longest is in the first three.
FLOORS = ("house", "monitor", "simulator", "bench", "rules")
# A worker keeps a million objects from collecting on. Looking through them for garbage, as often as
# Python does by itself, took a tenth of a suite's time.
GARBAGE_AFTER = 10_000
_WORKERS: dict[str, set[str]] = {}
_COMPILING: list[subprocess.Popen[bytes]] = []


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Share out the whole suite; a few files named run sooner in one process."""
    processors = os.cpu_count() or 1
    # One more than processors: two of the workers mostly wait.
    return min(processors + 1, MOST_WORKERS) if _is_whole(config) and processors > 1 else 0


def _is_whole(config: pytest.Config) -> bool:
    return bool(config.args == config.getini("testpaths"))


def pytest_configure(config: pytest.Config) -> None:
    """Have what tests start find Python's bytecode, where none may be left beside the sources.

    Else each of these processes, and there are many, would translate all sources anew.
    """
    gc.set_threshold(GARBAGE_AFTER)
    if sys.dont_write_bytecode and config.cache is not None:
        os.environ["PYTHONPYCACHEPREFIX"] = str(config.cache.mkdir("bytecode"))
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


def pytest_sessionstart(session: pytest.Session) -> None:
    """Begin to compile everything once, while tests are collected.

    A few files named compile what they need.
    """
    if not hasattr(session.config, "workerinput"):
        from tests.kit.compiling import compile_all

        if _is_whole(session.config) or session.config.getoption("numprocesses", None):
            _COMPILING.extend(compile_all())


def pytest_collection(session: pytest.Session) -> None:
    """Share out among workers what each would else do for all tests."""
    worker = getattr(session.config, "workerinput", None)
    if worker is not None and _is_whole(session.config):
        from tests.kit.compiling import translate_share

        translate_share(worker["workerid"], worker["workercount"])


def pytest_collection_finish(session: pytest.Session) -> None:
    """Let tests begin once everything is compiled, before any time limit runs."""
    gc.collect()
    gc.freeze()
    if not hasattr(session.config, "workerinput"):
        _wait_for_compiled()


def pytest_xdist_node_collection_finished() -> None:
    """Do the same where workers have collected: none gets a test before all have."""
    _wait_for_compiled()


def _wait_for_compiled() -> None:
    from tests.kit.compiling import leave_guards_cold

    for process in _COMPILING:
        process.wait()
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
    """Mark each test by its folder, and put what waits or takes long in front."""
    for item in items:
        item.add_marker(_floor(item.path))
    items.sort(key=lambda item: ("live", *FLOORS).index(_floor(item.path)))


def _floor(path: Path) -> str:
    folder = path.relative_to(ROOT / "tests").parts[0]
    return folder if folder in ("live", *FLOORS) else "house"


def _group(path: Path) -> str:
    """Return what runs in one worker: a folder of live tests, or else one file."""
    path = ROOT / path
    return str(path.parent if path.is_relative_to(LIVE) else path)


@pytest.fixture(scope="session", autouse=True)
def _own_runtime_folder_of_a_worker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Let no test find the guards of another worker, or of whoever works here."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path_factory.mktemp("run")))
        yield


@pytest.fixture(scope="session", autouse=True)
def _screens_settle() -> Iterator[None]:
    """Let no test of a screen depend on the machine's speed, nor parse styles anew."""
    from tests.kit.settling import screens_settle, styles_are_parsed_once

    with screens_settle(), styles_are_parsed_once():
        yield


if TYPE_CHECKING:
    from xdist.remote import Producer
    from xdist.scheduler import LoadScopeScheduling
