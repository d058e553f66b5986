"""Writing a CSV log and reading it back."""

from collections.abc import Sequence
from pathlib import Path

import pytest

from monitor.sources.logs.csv_blocks import CsvBlocks
from rules.channels import Sample
from simulator.rig import RigFile, rig_from_text
from simulator.strict import BadInput
from tests.kit.rig_text import SMALL

RIG = rig_from_text(SMALL, "small.toml")
HEADER = "time_s,boost_kpa,delivered_ml_min\n"
BOOST = Sample._fields.index("boost_kpa")


def write(folder: Path, content: str | bytes) -> Path:
    """Write a log."""
    path = folder / "log.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def read(folder: Path, content: str | bytes, rig: RigFile = RIG) -> list[Sample]:
    """Return the samples of a log; what came in must add up."""
    blocks = CsvBlocks(write(folder, content), rig)
    found = [Sample(*row) for block in blocks for row in block.tolist()]
    counts = blocks.statistics
    assert counts.received == counts.decoded + counts.rejected.total()
    assert counts.decoded == len(found)
    return found


def readings(samples: Sequence[Sample]) -> list[tuple[float, float, float]]:
    """Return time, boost and flow of each sample."""
    return [(s.time_s, s.boost_kpa, s.delivered_ml_min) for s in samples]


def complaint(folder: Path, content: str | bytes, rig: RigFile = RIG) -> str:
    """Return the one line that a log is refused with, without the path's folder."""
    with pytest.raises(BadInput) as caught:
        read(folder, content, rig)
    message = str(caught.value)
    assert message.isprintable()
    return message[message.index("log.csv") :] if "log.csv" in message else message
