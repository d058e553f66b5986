"""Working ahead on a thread, while what it made is worked on."""

import queue
import threading
from collections.abc import Generator, Iterable
from typing import Final, TypeVar

MOST_AHEAD: Final = 4
_Item = TypeVar("_Item")


def ahead(items: Iterable[_Item]) -> Generator[_Item, None, None]:
    """Yield items while a thread makes the next few: reading and deciding both leave the GIL.

    Args:
        items: Made on that thread alone; what they raise is raised here, in its place.
    """
    waiting: queue.Queue[tuple[_Item] | None] = queue.Queue(MOST_AHEAD)
    fault: list[Exception] = []
    given_up = threading.Event()

    def make() -> None:
        try:
            for item in items:
                waiting.put((item,))
                if given_up.is_set():
                    return
        except Exception as error:  # noqa: BLE001 (handed over to whoever iterates)
            fault.append(error)
        finally:
            waiting.put(None)  # the end

    thread = threading.Thread(target=make, name="reading ahead", daemon=True)
    thread.start()
    ended = False
    try:
        while (found := waiting.get()) is not None:
            yield found[0]
        ended = True
    finally:
        given_up.set()
        while not ended:  # given up on: what waits to be put must not wait for ever
            ended = waiting.get() is None
        thread.join()
    if fault:
        raise fault[0]
