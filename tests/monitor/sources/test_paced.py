"""A source that makes its items itself: each when it is due, and closed at once."""

import asyncio
from collections.abc import Generator
from math import inf

import pytest

from monitor.sources.base import Item, Notice
from monitor.sources.paced import PacedSource, pace_of
from simulator.strict import BadInput
from tests.kit.patience import PATIENCE_S
from tests.kit.reading import next_of


class Paced(PacedSource):
    """Two items, with a wait between them."""

    def __init__(self, wait_s: float) -> None:
        super().__init__("paced")
        self._wait_s = wait_s
        self.held: list[str] = []  # what is open

    def _items(self) -> Generator[Item | float, None, None]:
        self.held.append("file")
        try:
            yield Notice("connected", "first")
            yield self._wait_s
            yield Notice("connected", "second")
        finally:
            self.held.clear()


@pytest.mark.asyncio
@pytest.mark.parametrize("wait_s", [-1.0, 0.0, 1e-6])
async def test_items_come_when_they_are_due(wait_s: float) -> None:
    """A wait that is over lets other tasks run, and no more; then it ends, and stays ended."""
    others: list[None] = []
    async with Paced(wait_s) as source:
        assert await next_of(source) == Notice("connected", "first")
        asyncio.get_running_loop().call_soon(others.append, None)
        assert await next_of(source) == Notice("connected", "second")
        assert others == [None]
        for _ in range(2):
            with pytest.raises(StopAsyncIteration):
                await next_of(source)


@pytest.mark.asyncio
async def test_closing_ends_a_wait_and_closes_what_is_open() -> None:
    """At once, however long the wait would have been."""
    source = Paced(100.0 * PATIENCE_S)
    async with source:
        await next_of(source)
        pending = asyncio.ensure_future(anext(source, None))
        await asyncio.wait({pending}, timeout=0.0)
        assert not pending.done()
        assert source.held == ["file"]
    assert source.held == []
    assert await asyncio.wait_for(pending, PATIENCE_S) is None


@pytest.mark.parametrize(("speed", "pace"), [(1.0, 1.0), (10.0, 10.0), (0.0, inf)])
def test_a_speed_is_a_pace(speed: float, pace: float) -> None:
    """Nought means as fast as possible."""
    assert pace_of(speed) == pace


@pytest.mark.parametrize("speed", [-1.0, float("nan"), inf])
def test_a_speed_that_is_none_is_refused(speed: float) -> None:
    """By its option's name."""
    with pytest.raises(BadInput, match="--speed: found"):
        pace_of(speed)
