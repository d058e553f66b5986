"""Reading ahead: every block in order, a fault in its place, and no thread left."""

import threading
from collections.abc import Iterator

import numpy as np
import pytest

from monitor.sources.logs.read_ahead import BLOCKS_AHEAD, read_ahead
from monitor.sources.rows import Rows
from tests.kit.patience import PATIENCE_S

MANY = 10 * BLOCKS_AHEAD


def numbered(count: int) -> Iterator[Rows]:
    """Yield blocks that hold their number."""
    for i in range(count):
        yield np.array([float(i)])


def readers() -> list[str]:
    """Return the names of the threads that read ahead now."""
    return [t.name for t in threading.enumerate() if t.name == "reading ahead"]


def test_blocks_come_in_order() -> None:
    """As many as there are, and then the thread has ended."""
    assert [block[0] for block in read_ahead(numbered(MANY))] == list(range(MANY))
    assert readers() == []


def test_a_fault_comes_behind_what_was_read_before_it() -> None:
    """The very error of the reader, where it was met."""

    def broken() -> Iterator[Rows]:
        yield from numbered(3)
        raise OSError("torn")

    blocks = read_ahead(broken())
    assert [next(blocks)[0] for _ in range(3)] == [0.0, 1.0, 2.0]
    with pytest.raises(OSError, match="torn"):
        next(blocks)
    assert readers() == []


def test_who_stops_early_leaves_no_thread() -> None:
    """A reader that waits to hand over its next block is let go; it reads no further."""
    full = threading.Event()
    read = []

    def watched() -> Iterator[Rows]:
        for block in numbered(MANY):
            read.append(block)
            if len(read) == BLOCKS_AHEAD + 1:
                full.set()
            yield block

    blocks = read_ahead(watched())
    next(blocks)
    assert full.wait(PATIENCE_S)
    blocks.close()
    assert readers() == []
    assert len(read) <= BLOCKS_AHEAD + 3
