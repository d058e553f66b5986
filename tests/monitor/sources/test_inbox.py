"""The inbox between a thread and the loop: in order, bounded, closed."""

import asyncio
import threading

import pytest

from monitor.source_facts import SourceStatistics
from monitor.sources.base import Arrival, Notice
from monitor.sources.inbox import Inbox
from rules.channels import Sample
from tests.kit.flooding import FLOOD, counted, flood, from_a_thread


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


async def texts(inbox: Inbox, count: int) -> list[str]:
    """Take that many notices."""
    found = []
    for _ in range(count):
        item = await inbox.get()
        assert isinstance(item, Notice)
        found.append(item.text)
    return found


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
