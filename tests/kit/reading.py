"""Reading a source item by item, each within a time limit."""

import asyncio

from monitor.sources import Arrival, Notice, Source
from rules.channels import Sample
from tests.kit.patience import PATIENCE_S


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
    while not (isinstance(item := await next_of(source), Notice) and item.kind == kind):
        pass
    return item.text
