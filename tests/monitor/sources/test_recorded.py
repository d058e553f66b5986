"""A recording as a source: its pace, and what it reports."""

import asyncio
from collections.abc import Awaitable, Iterator
from math import inf, nan
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.attach.message_parts import Latency, Statistics
from monitor.sources import recorded
from monitor.sources.base import Arrival, Notice, Source
from monitor.sources.fake import FakeSource
from monitor.sources.logs.csv_blocks import CsvBlocks
from monitor.sources.paced import PacedSource
from monitor.sources.recorded import TEXT_CELLS, RecordedSource
from monitor.words import counts
from rules.channels import Sample
from simulator.rig import rig_from_text
from tests.kit.patience import PATIENCE_S
from tests.kit.rig_text import SMALL


async def soon(awaitable: Awaitable[Any], within_s: float = PATIENCE_S) -> Any:
    """Wait for what must come."""
    return await asyncio.wait_for(awaitable, within_s)


async def _drain(source: Source) -> None:
    async with source:
        async for _ in source:
            pass


@pytest.mark.asyncio
async def test_a_recording_is_paced(monkeypatch: pytest.MonkeyPatch) -> None:
    """At a tenth of a second between samples and twice the pace, ten samples take half a second."""

    class Blocks:
        statistics = FakeSource().statistics
        cut = None
        rig_text = starts = time_remark = ""

        def __iter__(self) -> Iterator[Any]:

            yield np.array([Sample(0.1 * i) for i in range(11)])

    time_s = 50.0

    async def wait(_: PacedSource, seconds: float) -> None:
        nonlocal time_s
        time_s += max(seconds, 0.0)

    monkeypatch.setattr(recorded, "now_s", lambda: time_s)
    monkeypatch.setattr(PacedSource, "_wait", wait)
    blocks: Any = Blocks()
    await soon(_drain(RecordedSource(Path("x.csv"), blocks, speed=2.0)))
    assert time_s - 50.0 == pytest.approx(0.5)


RIG = rig_from_text(SMALL, "small.toml")
HEADER = "time_s,boost_kpa,delivered_ml_min\n"


def write(folder: Path, content: str | bytes) -> Path:
    """Write a log."""
    path = folder / "log.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


@pytest.mark.asyncio
async def test_a_replay_tells_once_of_text_in_place_of_numbers(tmp_path: Path) -> None:
    """And counts it, so that it stands among the statistics; the rows come as they are."""
    path = write(tmp_path, HEADER + "0,1,2\n1,x,2\n2,3,y\n3,4,5\n")
    source = RecordedSource(path, CsvBlocks(path, RIG), speed=inf)
    async with source:
        items = [item async for item in source]
    told = [item.text for item in items if isinstance(item, Notice) and item.topic == "unusable"]
    assert told == [f"{TEXT_CELLS}; flowdebt review names the lines"]
    boosts = [item.sample.boost_kpa for item in items if isinstance(item, Arrival)]
    assert boosts == pytest.approx([1.0, nan, 3.0, 4.0], nan_ok=True)
    none = Latency(0, 0.0, 0.0, 0.0, 0.0)
    counted = Statistics(drift_ppm=None, decided=4, late=0, latency=none)
    counted.take(source.statistics)
    lines = list(counts.lines(counted))
    assert counts.Line("no number", "2 cells with text, never healthy", True) in lines
