"""SIGTERM to whoever watches ends a guard of their own, and never one that they only joined."""

import asyncio
import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.attach.client import ViewerLink, start_guard
from monitor.attach.endpoint import Endpoint, running_endpoints
from monitor.attach.protocol import Frame
from monitor.recorder.reader import SessionBlocks
from tests.kit.guards import short_pump_stop
from tests.kit.patience import PATIENCE_S
from tests.live.guards.test_process import order_for

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals and terminals")

MAIN = (sys.executable, "-c", "from monitor.cli import main; main()")


@pytest.fixture(autouse=True)
def _own_runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))


@contextlib.contextmanager
def on_a_terminal(*arguments: str) -> Iterator["subprocess.Popen[bytes]"]:
    """Run flowdebt on a terminal whose other end is read; kill it at the end if it still lives."""
    import fcntl
    import struct
    import termios

    master, slave = os.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    environment = {**os.environ, "TERM": "xterm-256color"}
    process = subprocess.Popen(
        [*MAIN, *arguments],
        stdin=slave,
        stdout=slave,
        stderr=slave,
        start_new_session=True,
        env=environment,
    )
    os.close(slave)

    def drain() -> None:
        with contextlib.suppress(OSError):
            while os.read(master, 65536):
                pass

    reader = threading.Thread(target=drain, daemon=True)
    reader.start()
    try:
        yield process
    finally:
        process.kill()
        process.wait()
        reader.join(PATIENCE_S)
        os.close(master)


def until(holds: Callable[[], object]) -> None:
    """Wait for what must come."""
    deadline_s = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < deadline_s
        threading.Event().wait(0.02)


async def _watched_by(endpoint: Endpoint, viewers: int) -> None:
    async with asyncio.timeout(PATIENCE_S), ViewerLink(endpoint) as link:
        async for message in link.messages():
            if isinstance(message, Frame) and (message.statistics.viewers or 0) > viewers:
                return


def watched(viewers: int = 1) -> Endpoint:
    """Wait for the one guard there is, until so many others watch it; return it."""
    until(running_endpoints)
    (endpoint,) = running_endpoints()
    asyncio.run(_watched_by(endpoint, viewers))
    return endpoint


@pytest.mark.parametrize("how", [[], ["--text"]], ids=["dashboard", "text"])
def test_a_guard_of_ones_own_ends_too(tmp_path: Path, how: list[str]) -> None:
    """As on Ctrl-C or q: the recording is finished, and nothing is left behind."""
    record = tmp_path / "sessions"
    scenario = f"sim:{short_pump_stop(tmp_path)}"
    with on_a_terminal("watch", scenario, *how, "--record", str(record)) as process:
        endpoint = watched()
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE_S) == 0
    assert running_endpoints() == []
    with pytest.raises(ProcessLookupError):
        os.kill(endpoint.pid, 0)
    (session,) = record.iterdir()
    blocks = SessionBlocks(session)
    assert blocks.cut is None
    assert blocks.notes[-1].why == "stopped by a viewer"
    assert list((tmp_path / "run" / "flowdebt").iterdir()) == []


def test_a_joined_guard_goes_on(tmp_path: Path) -> None:
    """Whoever merely looks leaves it alone."""
    guard, _ = start_guard(order_for(tmp_path, speed=0.2))
    try:
        with on_a_terminal("watch", "--attach") as process:
            endpoint = watched()
            process.send_signal(signal.SIGTERM)
            assert process.wait(PATIENCE_S) == 0
        assert running_endpoints() == [endpoint]
        assert guard.poll() is None
    finally:
        guard.kill()
        guard.wait()


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="children as /proc lists them")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_ended_while_the_guard_starts_none_is_left(tmp_path: Path, number: signal.Signals) -> None:
    """Between starting a guard and the first picture nobody else knows of it: it ends as well."""
    scenario = f"sim:{short_pump_stop(tmp_path)}"
    with on_a_terminal("watch", scenario, "--record", str(tmp_path / "s")) as process:
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
        until(lambda: children.read_text())
        guards = [int(pid) for pid in children.read_text().split()]
        process.send_signal(number)
        assert process.wait(PATIENCE_S) in (0, 130)
    for pid in guards:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)
    assert running_endpoints() == []


def _files(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def _dead_pid() -> int:
    """Return the number of a process that has just ended."""
    with subprocess.Popen([sys.executable, "-c", ""]) as process:
        process.wait()
    return process.pid


def test_what_killed_guards_left_is_cleared_by_the_next_guard_or_viewer(tmp_path: Path) -> None:
    """Socket and token of a dead one go; those of a living one, and what isn't ours, stay."""
    process, endpoint = start_guard(order_for(tmp_path, speed=0.2))
    folder = Path(endpoint.path).parent
    process.kill()
    process.wait()
    alone = f"{_dead_pid()}.sock"  # killed before it had said where it is
    Path(endpoint.path).rename(folder / alone)
    kept = {"notes.txt", "0.json", "12x.sock", f"{_dead_pid()}.json.old"}
    for name in kept:
        (folder / name).write_text("somebody's")
    link = f"{_dead_pid()}.json"
    (folder / link).symlink_to(folder / "notes.txt")
    assert _files(folder) == {*kept, link, alone, f"{endpoint.pid}.json"}
    second, living = start_guard(order_for(tmp_path, speed=0.2))
    try:
        own = {f"{living.pid}.json", f"{living.pid}.sock"}
        assert _files(folder) == {*kept, link, *own}
        assert running_endpoints() == [living]
        assert _files(folder) == {*kept, link, *own}
    finally:
        second.kill()
        second.wait()
    assert running_endpoints() == []  # a viewer looks
    assert _files(folder) == {*kept, link}


def test_a_place_cannot_have_other_files_removed(tmp_path: Path) -> None:
    """What an endpoint's file says of paths and numbers is not believed where files are removed."""
    process, endpoint = start_guard(order_for(tmp_path, speed=0.2))
    folder = Path(endpoint.path).parent
    process.kill()
    process.wait()
    precious = tmp_path / "precious"
    precious.write_text("mine")
    file = folder / f"{endpoint.pid}.json"
    file.write_text(file.read_text().replace(endpoint.path, str(precious)))
    assert running_endpoints() == []
    assert precious.read_text() == "mine"
    assert _files(folder) == set()
