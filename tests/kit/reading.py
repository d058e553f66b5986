"""Reading a source item by item, each within a time limit."""

import asyncio
from pathlib import Path
from typing import Self

from monitor.source_facts import SourceStatistics
from monitor.sources.base import Arrival, Notice, Source
from monitor.sources.ports import ListPorts
from monitor.sources.serial_line import SerialSource
from rules.channels import Sample
from simulator.rig import RigFile, rig_from_text
from tests.kit.patience import PATIENCE_S
from tests.kit.rig_text import SMALL

RIG = rig_from_text(SMALL, "small.toml")


async def next_of(source: Source) -> Arrival | Notice:
    """Return the next item, which must come."""
    return await asyncio.wait_for(anext(source), PATIENCE_S)


async def next_sample(source: Source) -> Sample:
    """Return the next sample; notices before it are passed over."""
    while not isinstance(item := await next_of(source), Arrival):
        pass
    return item.sample


async def next_notice(source: Source, kind: str) -> str:
    """Return the text of the next notice of a kind."""
    while not (isinstance(item := await next_of(source), Notice) and item.topic == kind):
        pass
    return item.text


class SerialReader:
    """A serial port being read, item by item, each with a time limit."""

    def __init__(
        self, url: Path | str, rig: RigFile = RIG, lister: ListPorts | None = None
    ) -> None:
        self.source = SerialSource(str(url), rig, lister=lister)
        self.statistics: SourceStatistics = self.source.statistics

    async def __aenter__(self) -> Self:
        """Open; the first item must say so."""
        await self.source.__aenter__()
        assert (await self.notice()).topic == "connected"
        return self

    async def __aexit__(self, *_: object) -> None:
        """Close; whatever came in must have been counted."""
        await self.source.__aexit__(None, None, None)
        await asyncio.to_thread(self.source._thread.join, PATIENCE_S)
        counts = self.statistics
        assert counts.received == counts.decoded + counts.headers + counts.rejected.total()

    async def item(self) -> Arrival | Notice:
        """Return the next item."""
        return await asyncio.wait_for(anext(self.source), PATIENCE_S)

    async def sample(self) -> Sample:
        """Return the next item, a sample."""
        item = await self.item()
        assert isinstance(item, Arrival), item
        return item.sample

    async def notice(self) -> Notice:
        """Return the next item, a notice."""
        item = await self.item()
        assert isinstance(item, Notice), item
        return item
