"""Reading ahead on a thread, while what was read is worked on."""

import queue
import threading
from collections.abc import Generator, Iterable
from typing import Final

from monitor.sources.rows import Rows

BLOCKS_AHEAD: Final = 4


def read_ahead(blocks: Iterable[Rows]) -> Generator[Rows, None, None]:
    """Yield blocks while a thread reads the next few: reading and deciding both leave the GIL."""
    waiting: queue.Queue[Rows | None] = queue.Queue(BLOCKS_AHEAD)
    fault: list[Exception] = []
    given_up = threading.Event()

    def read() -> None:
        try:
            for block in blocks:
                waiting.put(block)
                if given_up.is_set():
                    return
        except Exception as error:  # noqa: BLE001 (handed over to whoever iterates)
            fault.append(error)
        finally:
            waiting.put(None)  # the end

    thread = threading.Thread(target=read, name="reading ahead", daemon=True)
    thread.start()
    ended = False
    try:
        while (block := waiting.get()) is not None:
            yield block
        ended = True
    finally:
        given_up.set()
        while not ended:  # given up on: what waits to be put must not wait for ever
            ended = waiting.get() is None
        thread.join()
    if fault:
        raise fault[0]
