"""Reading ahead on a thread, while what was read is worked on."""

import queue
import threading
from collections.abc import Iterable, Iterator
from typing import Any, Final

BLOCKS_AHEAD: Final = 4


def read_ahead(blocks: Iterable[Any]) -> Iterator[Any]:
    """Yield blocks while a thread reads the next few: reading and deciding both leave the GIL."""
    waiting: queue.Queue[Any] = queue.Queue(BLOCKS_AHEAD)
    end = object()
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
            waiting.put(end)

    thread = threading.Thread(target=read, name="reading ahead", daemon=True)
    thread.start()
    block = None
    try:
        while (block := waiting.get()) is not end:
            yield block
    finally:
        given_up.set()
        while block is not end:  # given up on: what waits to be put must not wait for ever
            block = waiting.get()
        thread.join()
    if fault:
        raise fault[0]
