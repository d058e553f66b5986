"""The inbox between a thread and the loop: in order, bounded, closed."""

import asyncio
import threading
from collections.abc import Callable
from typing import Any

import pytest

from monitor.source_facts import SourceStatistics
from monitor.sources.base import Arrival, Notice
from monitor.sources.inbox import Inbox
from rules.channels import Sample


@pytest.mark.asyncio
async def test_a_full_inbox_drops_the_oldest_and_counts() -> None:
    """A reader that falls behind loses the oldest; what is newest stays, and the loss shows."""
    statistics = SourceStatistics()
    inbox = Inbox(statistics, most=3)
    arrivals = [Arrival(Sample(float(i)), i) for i in range(8)]
    thread = threading.Thread(target=inbox.put_from_thread, args=(arrivals[:5],))
    thread.start()
    thread.join()
    inbox.put_from_thread(arrivals[5:])
    assert [await inbox.get() for _ in range(3)] == arrivals[5:]
    assert statistics.dropped == 5
    inbox.close()
    with pytest.raises(StopAsyncIteration):
        await inbox.get()


FLOOD = 20_000


def from_a_thread(work: Callable[[], object]) -> None:
    """Run something on a thread to its end, the caller standing still meanwhile."""
    thread = threading.Thread(target=work)
    thread.start()
    thread.join()


def counted(loop: asyncio.AbstractEventLoop) -> list[object]:
    """Count the wake-ups of a loop from now on."""
    seen: list[object] = []
    before = loop.call_soon_threadsafe

    def count(function: Any, *arguments: Any, **more: Any) -> Any:
        seen.append(function)
        return before(function, *arguments, **more)

    loop.call_soon_threadsafe = count  # type: ignore[assignment]
    return seen


async def texts(inbox: Inbox, count: int) -> list[str]:
    """Take that many notices."""
    found = []
    for _ in range(count):
        item = await inbox.get()
        assert isinstance(item, Notice)
        found.append(item.text)
    return found


def flood(inbox: Inbox) -> Callable[[], None]:
    """Return what puts many items into an inbox, one by one."""

    def put() -> None:
        for i in range(FLOOD):
            inbox.put_from_thread([Notice("clock", str(i))])

    return put


def test_a_flood_wakes_a_busy_loop_once_and_nothing_is_lost() -> None:
    """However many items come while the loop is busy; then they are there, in order."""

    async def main() -> None:
        inbox = Inbox(SourceStatistics())
        seen = counted(asyncio.get_running_loop())
        from_a_thread(flood(inbox))
        assert len(seen) == 1
        assert await texts(inbox, FLOOD) == [str(i) for i in range(FLOOD)]
        from_a_thread(lambda: inbox.put_from_thread([Notice("clock", "later")]))
        assert await texts(inbox, 1) == ["later"]
        assert len(seen) == 2

    asyncio.run(main())


def test_a_flood_is_bounded_before_the_loop_sees_it() -> None:
    """The oldest go, and are counted; what is closed ends."""

    async def main() -> None:
        statistics = SourceStatistics()
        inbox = Inbox(statistics, most=100)
        from_a_thread(flood(inbox))
        found = await texts(inbox, 100)
        inbox.close()
        assert found == [str(i) for i in range(FLOOD - 100, FLOOD)]
        assert statistics.dropped == FLOOD - 100
        with pytest.raises(StopAsyncIteration):
            await inbox.get()

    asyncio.run(main())
