"""A null-modem cable out of two pseudo-terminals, for tests: real ttys at both ends."""

import contextlib
import os
import select
import threading
from types import TracebackType
from typing import Self


class PtyPair:
    """Two ttys, ``left`` and ``right`` (paths); what is written to one is read from the other."""

    def __init__(self) -> None:
        self._masters: list[int] = []
        self._slaves: list[int] = []
        self._thread: threading.Thread | None = None
        self._pulled = False
        self._wake_read, self._wake_write = os.pipe()
        self.left = ""
        self.right = ""

    def __enter__(self) -> Self:
        """Make the ttys and start carrying bytes."""
        import tty

        for _ in range(2):
            master, slave = os.openpty()
            tty.setraw(slave)
            os.set_blocking(master, False)  # so that a full end holds up neither other nor pulling
            self._masters.append(master)
            self._slaves.append(slave)  # kept open, so that a reader's close is no hang-up
        self.left, self.right = (os.ttyname(slave) for slave in self._slaves)
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Pull the cable."""
        self.pull()

    def pull(self) -> None:
        """Pull the cable, once: both ends see a port that is gone."""
        if self._pulled:
            return
        self._pulled = True
        os.write(self._wake_write, b"x")
        if self._thread is not None:
            self._thread.join()
        for fd in (*self._masters, *self._slaves, self._wake_read, self._wake_write):
            os.close(fd)

    def _carry(self) -> None:
        left, right = self._masters
        ways = {left: right, right: left}
        waiting = dict.fromkeys(ways, b"")  # read there, not yet written at the other end
        while True:
            readable = [fd for fd in ways if not waiting[fd]]
            writable = [ways[fd] for fd in ways if waiting[fd]]
            ready, room, _ = select.select([*readable, self._wake_read], writable, [])
            if self._wake_read in ready:
                return
            try:
                for fd, other in ways.items():
                    if fd in ready:
                        waiting[fd] = os.read(fd, 65536)
                    if waiting[fd] and (fd in ready or other in room):
                        with contextlib.suppress(BlockingIOError):
                            waiting[fd] = waiting[fd][os.write(other, waiting[fd]) :]
            except OSError:
                return
