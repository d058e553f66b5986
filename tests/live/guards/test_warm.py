"""The decision code compiled beforehand: marked for exactly this code, and used by live guards."""

import sys
import threading
from pathlib import Path

import pytest

from monitor.guard import warm
from monitor.guard.process import Order
from monitor.review.review import review
from simulator import compiled_mark
from simulator.compiled_mark import STEP_ROW, marks
from tests.kit.guards import guard, until_bye
from tests.kit.patience import PATIENCE_S
from tests.live.guards.test_process import only_session, order_for

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals and sockets")


def files_in(folder: Path) -> list[str]:
    """Return the names of all files in a folder and below."""
    return sorted(path.name for path in folder.rglob("*") if path.is_file())


class Child:
    """A process that only remembers that somebody waited for it."""

    def __init__(self) -> None:
        self.waited_for = threading.Event()

    def wait(self) -> int:
        """Be waited for."""
        self.waited_for.set()
        return 0


def test_one_warms_at_a_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While one process compiles, another is not started."""
    started: list[Child] = []

    def start(*_: object, **__: object) -> Child:
        started.append(Child())
        return started[-1]

    monkeypatch.setattr(compiled_mark, "folders", lambda: [tmp_path])
    monkeypatch.setattr("subprocess.Popen", start)
    warm.warm_elsewhere()
    warm.warm_elsewhere()
    assert len(started) == 1
    assert started[0].waited_for.wait(PATIENCE_S), "a dead child would stay about"


@pytest.mark.asyncio
async def test_a_warm_guard_decides_as_a_cold_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a compiled guard process records replays interpreted, bit for bit."""
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))
    monkeypatch.setattr("os.nice", lambda _: 0)
    before = marks(STEP_ROW)
    warm.main()
    assert warm.is_warm()
    order: Order = order_for(tmp_path)
    try:
        with guard(order) as (_, link):
            async with link:
                _, _, bye = await until_bye(link)
    finally:
        for mark in marks(STEP_ROW):
            if mark not in before:  # the suite's other guards are better off cold
                mark.unlink()
    assert bye is not None
    assert bye.statistics.decided == 900
    assert review(only_session(tmp_path), None).reproduced is True


@pytest.mark.asyncio
async def test_a_guard_decides_before_anything_is_compiled(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where numba is told to keep its cache elsewhere, what is compiled here delays no guard."""
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))
    compiled_mark.leave_mark(STEP_ROW)
    chosen = tmp_path / "chosen"
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(chosen))
    compiled_mark.touch(warm.WARMING)  # as if a process compiled already: none is started
    assert (chosen / warm.WARMING).exists()
    with guard(order_for(tmp_path)) as (_, link):
        async with link:
            _, _, bye = await until_bye(link)
    assert bye is not None
    assert bye.statistics.decided == 900
    assert files_in(chosen) == [warm.WARMING], "the guard itself compiled"
