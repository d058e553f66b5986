"""The scripted source."""

import pytest

from monitor.sources.base import Arrival, Notice, Source
from monitor.sources.fake import FakeSource
from rules.guard import Guard
from simulator.strict import BadInput
from tests.kit.source_cases import RIG, SENT


async def next_or_none(source: Source) -> Arrival | Notice | None:
    """Return the next item; None at the end."""
    try:
        return await anext(source)
    except StopAsyncIteration:
        return None


@pytest.mark.asyncio
async def test_the_fake_raises_and_remembers() -> None:
    """A script's exception is raised in its place; decisions heard are kept."""
    source = FakeSource([SENT[0], BadInput("x: broken"), Notice("lost", "gone"), SENT[1]])
    decision = Guard(RIG.rig).decision()
    async with source:
        await anext(source)
        assert isinstance(await anext(source), Arrival)
        source.react(decision)
        with pytest.raises(BadInput, match="broken"):
            await anext(source)
        assert await anext(source) == Notice("lost", "gone")
        assert isinstance(await anext(source), Arrival)
        assert await next_or_none(source) is None
    assert source.reactions == [decision]
