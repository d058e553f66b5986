"""Handing over from threads to a loop: at most one wake-up is under way, and no signal is lost."""

import asyncio
import os
import signal
import sys
from pathlib import Path

import pytest

from monitor.broker.address import broker_from
from monitor.broker.link import MqttLink, Post
from monitor.source_facts import SourceStatistics
from monitor.sources.inbox import Inbox
from monitor.wake import WakeUp
from tests.kit.flooding import FLOOD, counted, flood, from_a_thread
from tests.kit.patience import PATIENCE_S


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
def test_a_signal_comes_through_a_flood() -> None:
    """A loop that stood still while thousands of messages came still hears SIGTERM."""

    async def main() -> None:
        heard = asyncio.Event()
        loop = asyncio.get_running_loop()
        loop.add_signal_handler(signal.SIGTERM, heard.set)
        try:
            inbox = Inbox(SourceStatistics())
            from_a_thread(flood(inbox))
            os.kill(os.getpid(), signal.SIGTERM)
            async with asyncio.timeout(PATIENCE_S):
                await heard.wait()
        finally:
            loop.remove_signal_handler(signal.SIGTERM)

    asyncio.run(main())


def test_posts_to_a_broker_wake_its_link_once() -> None:
    """A link's loop that is busy is not flooded by whoever publishes."""

    async def main() -> None:
        link = MqttLink(broker_from("mqtt://nowhere/p"), lambda heard: None)
        link._wake = WakeUp(link._look)
        seen = counted(asyncio.get_running_loop())

        def post() -> None:
            for _ in range(FLOOD):
                link.post(Post("p", b"x"))

        from_a_thread(post)
        assert len(seen) == 1

    asyncio.run(main())


def test_what_is_asked_while_it_runs_runs_again() -> None:
    """Nothing that led to asking is overlooked."""

    async def main() -> None:
        left, found, done = [1, 2, 3], [], asyncio.Event()

        def look() -> None:
            found.append(left.pop())
            if left:
                wake.ask()
            else:
                done.set()

        wake = WakeUp(look)
        assert wake.ask()
        assert wake.ask()
        await done.wait()
        assert found == [3, 2, 1]

    asyncio.run(main())


def test_a_loop_that_is_gone_is_no_trouble() -> None:
    """Whoever asks is told so."""

    async def main() -> WakeUp:
        return WakeUp(lambda: None)

    wake = asyncio.run(main())
    assert not wake.ask()
    assert not wake.ask()


def test_there_is_one_place_that_wakes_a_loop() -> None:
    """No other code hands over to a loop by itself."""
    found = [
        path.as_posix()
        for path in Path("monitor").rglob("*.py")
        if "call_soon_threadsafe" in path.read_text(encoding="utf-8")
    ]
    assert found == ["monitor/wake.py"]
