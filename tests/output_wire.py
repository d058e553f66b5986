"""A heartbeat's other end for tests: what came over the wire, and until when it said held."""

import itertools
import threading
import time
from types import TracebackType
from typing import Self

import serial

from monitor.outputs.serial_port import read_beat_line
from tests.pty_pair import PtyPair

PATIENCE_S = 20.0
QUIET_S = 0.4  # no "held" for this long: it is released


class Wire:
    """A cable; ``port`` is the keeper's end, this is the other."""

    def __init__(self) -> None:
        self._pair = PtyPair()
        self._news = threading.Condition()
        self._beats: list[tuple[float, int, bool]] = []
        self._ended = False
        self._thread = threading.Thread(target=self._listen, name="wire", daemon=True)

    def __enter__(self) -> Self:
        """Lay the cable."""
        self._pair.__enter__()
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Take it away."""
        self.cut()

    def cut(self) -> None:
        """Pull the cable out."""
        if not self._ended:
            self._ended = True
            self._thread.join()
            self._pair.__exit__(None, None, None)

    @property
    def port(self) -> str:
        """The keeper's end."""
        return self._pair.left

    def _listen(self) -> None:
        with serial.Serial(self._pair.right, timeout=0.05) as port:
            rest = b""
            while not self._ended:
                data = port.read(1) + port.read(port.in_waiting)
                *lines, rest = (rest + data).split(b"\n")
                now = time.monotonic()
                for line in lines:
                    beat = read_beat_line(line)
                    if beat is not None:
                        with self._news:
                            self._beats.append((now, *beat))
                            self._news.notify_all()

    def wait_until_held(self, after_s: float = 0.0) -> float:
        """Wait for a beat that says held, later than a time; return when it came."""
        with self._news:
            assert self._news.wait_for(lambda: self._last_held_s() > after_s, PATIENCE_S)
            return self._last_held_s()

    def held_for_s(self, since_s: float) -> float:
        """Wait until it is released; return how long after ``since_s`` it still said held."""
        with self._news:
            deadline_s = time.monotonic() + PATIENCE_S
            while (left_s := self._last_held_s() + QUIET_S - time.monotonic()) > 0.0:
                assert time.monotonic() < deadline_s, "held on and on"
                self._news.wait(left_s)
            return self._last_held_s() - since_s

    def wait_until_told_released(self) -> None:
        """Wait for a beat that says released as the newest."""
        with self._news:
            assert self._news.wait_for(lambda: self._beats and not self._beats[-1][2], PATIENCE_S)

    def numbers_rise(self) -> bool:
        """Whether every beat's number was one more than the one before (a new keeper: from 1)."""
        numbers = [number for _, number, _ in self._beats]
        return all(b in (a + 1, 1) for a, b in itertools.pairwise(numbers))

    def _last_held_s(self) -> float:
        return next((at_s for at_s, _, held in reversed(self._beats) if held), -1.0)
