"""A source that a thread feeds: its first attempt, losses, and what closing does."""

import asyncio
import contextlib

import pytest

from monitor.sources.base import Arrival, Notice
from monitor.sources.fed import FedSource
from rules.channels import Sample
from simulator.strict import BadInput
from tests.kit.reading import next_of


class Fed(FedSource):
    """A source whose thread is the test."""

    unusable = "nothing there"
    expected = "something"

    def __init__(self) -> None:
        super().__init__("fed")
        self.started = asyncio.Event()
        self.stops = 0

    def _start(self) -> None:
        self.started.set()

    def _stop(self) -> None:
        self.stops += 1

    connected = FedSource._connected
    lost = FedSource._lost
    put = FedSource._put


async def opening(source: Fed) -> "asyncio.Task[None]":
    """Begin to open a source; return once its thread would run."""
    task = asyncio.create_task(source.open())
    await source.started.wait()
    return task


@pytest.mark.asyncio
async def test_what_cannot_connect_at_first_is_bad_input() -> None:
    """It says why and what was expected; the thread is stopped, and nothing will come."""
    source = Fed()
    task = await opening(source)
    source.lost("nobody listens there")
    source.lost("no answer")  # too late: the first attempt counts
    said = r"fed: found nothing there \(nobody listens there\), expected something"
    with pytest.raises(BadInput, match=said):
        await task
    assert source.stops == 1
    with pytest.raises(StopAsyncIteration):
        await anext(source)


@pytest.mark.asyncio
async def test_losses_and_returns_are_told_in_order() -> None:
    """Lost is said once however often it fails to come back; what came before stays before it."""
    source = Fed()
    task = await opening(source)
    source.connected(", at port 2")
    await task
    arrival = Arrival(Sample(1.0), 5)
    source.put([arrival])
    source.lost("gone")
    source.lost("still gone")
    source.connected()
    assert [await next_of(source) for _ in range(4)] == [
        Notice("connected", "reading fed, at port 2"),
        arrival,
        Notice("lost", "fed: gone; trying again"),
        Notice("connected", "reading fed again"),
    ]
    assert source.statistics.connects == 2


@pytest.mark.asyncio
async def test_who_gives_up_opening_stops_the_thread() -> None:
    """And an answer that comes after that harms nothing."""
    source = Fed()
    task = await opening(source)
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    assert task.cancelled()
    assert source.stops == 1
    source.connected()


def test_what_was_never_opened_is_closed_without_a_word() -> None:
    """No thread is asked to stop that was never started."""
    source = Fed()
    source.close()
    assert source.stops == 0
