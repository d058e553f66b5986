"""A null-modem cable out of two pseudo-terminals, for tests: real ttys at both ends."""

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
        self._wake_read, self._wake_write = os.pipe()
        self.left = ""
        self.right = ""

    def __enter__(self) -> Self:
        """Make the ttys and start carrying bytes."""
        import tty

        for _ in range(2):
            master, slave = os.openpty()
            tty.setraw(slave)
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
        """Pull the cable: both ends see a port that is gone."""
        os.write(self._wake_write, b"x")
        if self._thread is not None:
            self._thread.join()
        for fd in (*self._masters, *self._slaves, self._wake_read, self._wake_write):
            os.close(fd)

    def _carry(self) -> None:
        left, right = self._masters
        while True:
            ready, _, _ = select.select([left, right, self._wake_read], [], [])
            if self._wake_read in ready:
                return
            for fd, other in ((left, right), (right, left)):
                if fd in ready:
                    try:
                        os.write(other, os.read(fd, 65536))
                    except OSError:
                        return
