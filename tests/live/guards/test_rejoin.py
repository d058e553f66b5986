"""A dashboard outlives its guard: it says so, and joins the next one of the same source."""

import asyncio
import contextlib
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from textual.pilot import Pilot

from monitor.attach.client import start_guard
from monitor.attach.endpoint import Endpoint
from monitor.attach.protocol import Answer, Bye, Ending, Frame, Hello, Message
from monitor.guard.process import Order
from monitor.screen import rejoin
from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink
from monitor.screen.rejoin import NextGuard
from simulator.strict import BadInput
from tests.kit.alarm_script import HeardLink, Taken, told
from tests.kit.guards import short_pump_stop
from tests.kit.screen_messages import alarm, statistics
from tests.kit.screen_script import Clock, frame, hello, rows, tell, text_of

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals and sockets")
SOON_S = 0.01


@pytest.fixture
def guards(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator["Guards"]:
    """Start guards of one source; kill what is left of them."""
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))
    started = Guards(Order(f"sim:{short_pump_stop(tmp_path)}"))
    yield started
    for process, _ in started.all:
        started.kill(process)


class Guards:
    """Guards of one source, one after the other."""

    def __init__(self, order: Order) -> None:
        self.order = order
        self.all: list[tuple[subprocess.Popen[bytes], Endpoint]] = []

    def start(self) -> Endpoint:
        """Start another."""
        process, endpoint = start_guard(self.order)
        self.all.append((process, endpoint))
        return endpoint

    @staticmethod
    def kill(process: "subprocess.Popen[bytes]") -> None:
        """Kill one, as no goodbye is wanted."""
        with contextlib.suppress(ProcessLookupError):
            os.kill(process.pid, signal.SIGKILL)
        process.wait()


async def settled(app: Dashboard, pilot: Pilot[str | None]) -> str:
    """Return the screen once it has settled."""
    for _ in range(3):
        await pilot.pause()
    app.redraw()
    await pilot.pause()
    return text_of(app)


@pytest.mark.asyncio
async def test_a_killed_guards_successor_is_joined(
    guards: Guards, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Real guards: one killed, one started anew; nothing of the dead one is left in the picture."""
    taken = Taken()
    monkeypatch.setattr(rejoin, "ViewerLink", lambda endpoint: HeardLink(endpoint, taken))
    first = await asyncio.to_thread(guards.start)
    look = NextGuard(first, by_itself=True, look_every_s=SOON_S)
    app = Dashboard(lambda: HeardLink(first, taken), owner=True, next_guard=look)
    async with app.run_test(size=(140, 40)) as pilot:
        await taken.until(lambda m: isinstance(m, Frame) and (m.decision.time_s or 0.0) > 0.3)
        guards.kill(guards.all[0][0])
        await app._ended.wait()
        assert "× GUARD GONE" in await settled(app, pilot)
        assert app.picture.trace.newest("time_s") > 0.2
        second = await asyncio.to_thread(guards.start)
        await taken.until(lambda m: isinstance(m, Hello) and m.pid == second.pid)
        await taken.until(lambda m: isinstance(m, Frame) and bool(m.rows))
        shown = await settled(app, pilot)
        assert "GUARD GONE" not in shown
        assert f"joined guard {second.pid}" in shown
        times_s = app.picture.trace.column("time_s", float("-inf"))
        assert list(times_s) == sorted(times_s)
        assert app.picture.hello is not None
        assert app.picture.hello.pid == second.pid
        await pilot.press("q")
    assert app.owner is False
    assert app.return_value == f"Detached; the guard goes on (process {second.pid})."
    assert guards.all[1][0].poll() is None


class _OneMore(NextGuard):
    """Finds what a test gives it."""

    def __init__(self, *, by_itself: bool) -> None:
        endpoint = Endpoint(1, "", 0, "t", "invented logger")
        super().__init__(endpoint, by_itself=by_itself, look_every_s=SOON_S)
        self.links: asyncio.Queue[FakeLink] = asyncio.Queue()
        self.asked: list[bool] = []

    async def find(self, *, said_bye: bool) -> rejoin.Joinable:
        """Wait for the test."""
        self.asked.append(said_bye)
        link = await self.links.get()
        return rejoin.Joinable(4712, lambda: link)


@pytest.mark.asyncio
async def test_the_old_guards_picture_is_not_mixed_into_the_new_ones() -> None:
    """Trace, events, alarms and the choice begin anew, also where the new one's clock is behind."""
    clock, old, new = Clock(), FakeLink(), FakeLink()
    look = _OneMore(by_itself=True)
    app = Dashboard(lambda: old, owner=True, next_guard=look, clock=clock)
    async with app.run_test(size=(140, 40)) as pilot:
        await tell(app, old, clock, told(alarm()), 101.5)
        await pilot.press("down")
        old.end()
        await app._ended.wait()
        assert "1 active" not in await settled(app, pilot)
        assert "under-delivery" in await settled(app, pilot)
        assert "guard: looking for the next one" in await settled(app, pilot)
        look.links.put_nowait(new)
        new.feed(hello(pid=4712), frame("No action.", rows(0.0, 2.0), 200))
        clock.now_s = 110.0
        await new.taken()
        shown = await settled(app, pilot)
        assert "joined guard 4712" in shown
        assert "under-delivery" not in shown
        assert "alarm " not in shown
        assert app.picture.trace.newest("time_s") == 1.95
        assert len(app.picture.trace.column("time_s", float("-inf"))) == 40
        assert app.picture.ranked[1] == []
        await pilot.press("q")
    assert look.asked == [False]
    assert new.sent == []  # another's guard isn't stopped


@pytest.mark.asyncio
async def test_a_link_that_fails_before_a_greeting_leaves_the_old_picture() -> None:
    """A guard with no room for one more viewer, or gone again: the old one is still told of."""
    clock, old, full, new = Clock(), FakeLink(), FakeLink(), FakeLink()
    refusing = FakeLink(refuse=BadInput("guard 9: found no such file"))
    look = _OneMore(by_itself=True)
    app = Dashboard(lambda: old, owner=False, next_guard=look, clock=clock)
    async with app.run_test(size=(140, 40)) as pilot:
        await tell(app, old, clock, told(alarm()), 101.5)
        old.end()
        await app._ended.wait()
        full.feed(Answer("attach", False, "found 16 viewers attached, expected fewer"))
        full.end()
        for link in (refusing, full):
            look.links.put_nowait(link)
        await full.taken()
        shown = await settled(app, pilot)
        assert "× GUARD GONE" in shown
        assert "The connection was lost without a goodbye" in shown
        assert "found 16 viewers attached" in shown
        look.links.put_nowait(new)
        new.feed(hello(pid=4712), frame("No action.", rows(0.0, 2.0), 200))
        await new.taken()
        assert "joined guard 4712" in await settled(app, pilot)


@pytest.mark.asyncio
@pytest.mark.parametrize("over", [True, False], ids=["log over", "guard lost"])
async def test_the_next_guard_is_only_offered(over: bool) -> None:
    """Once a log is over even with --attach, and always without: the key then joins it."""
    clock, old, new = Clock(), FakeLink(), FakeLink()
    look = _OneMore(by_itself=over)
    app = Dashboard(lambda: old, owner=False, next_guard=look, clock=clock)
    async with app.run_test(size=(140, 40)) as pilot:
        await tell(app, old, clock, told(), 101.5)
        if over:
            old.feed(Bye(Ending.SOURCE_ENDED, "source ended", statistics()))
        else:
            old.end()
        await app._ended.wait()
        new.feed(hello(pid=4712), frame("No action.", rows(0.0, 2.0), 200))
        await pilot.press("j")  # said before there is one to join, it asks for nothing
        look.links.put_nowait(new)
        shown = await settled(app, pilot)
        assert "j join guard 4712" in shown
        assert ("ENDED" if over else "GUARD GONE") in shown
        assert not new.attached
        await pilot.press("j")
        await new.taken()
        shown = await settled(app, pilot)
        assert "joined guard 4712" in shown
        assert "j join" not in shown
    assert look.asked == [over]


@pytest.mark.asyncio
async def test_only_a_guard_of_the_same_source_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another source's guard isn't; the same guard is, unless it said goodbye; then one newer."""
    old = Endpoint(1, "", 0, "old", "port A")
    other = Endpoint(2, "", 0, "other", "port B")
    new = Endpoint(3, "", 0, "new", "port A")
    seen: list[list[Endpoint]] = []

    def endpoints() -> list[Endpoint]:
        return seen.pop(0)

    monkeypatch.setattr(rejoin, "running_endpoints", endpoints)
    look = NextGuard(old, by_itself=True, look_every_s=SOON_S)
    seen[:] = [[], [other], [other, old]]
    assert (await look.find(said_bye=False)).pid == 1
    seen[:] = [[old], [other, old], [new, old]]
    found = await look.find(said_bye=True)
    assert (found.pid, seen) == (3, [])
    found.link()  # joined: now it is this one's goodbye that counts
    seen[:] = [[new], [old]]
    assert (await look.find(said_bye=True)).pid == 1


def test_messages_are_told_apart() -> None:
    """The waiting helper takes messages in their order (a check of the test's own tool)."""
    taken = Taken()
    first: list[Message] = [hello(pid=1), hello(pid=2)]
    for message in first:
        taken.add(message)
    got = asyncio.run(taken.until(lambda m: isinstance(m, Hello) and m.pid == 2))
    assert got is first[1]
