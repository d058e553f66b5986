"""A heartbeat's other end: what came over the wire, and when it last said held."""

import binascii
import itertools
import threading
import time
from collections.abc import Callable
from types import TracebackType
from typing import Self

import serial

from tests.kit.patience import PATIENCE_S
from tests.kit.pty_pair import PtyPair


def read_beat_line(line: bytes) -> tuple[int, bool] | None:
    """Return number and state of a heartbeat line, None where it isn't a good one."""
    body, _, check = line.strip().rpartition(b",")
    fields = body.split(b",")
    if len(fields) != 3 or fields[0] != b"beat" or check != b"%04X" % binascii.crc_hqx(body, 65535):
        return None
    if not fields[1].isdigit() or fields[2] not in (b"0", b"1"):
        return None
    return int(fields[1]), fields[2] == b"1"


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

    @property
    def heard(self) -> int:
        """How many beats have come."""
        return len(self._beats)

    def wait_until_held(self, after: int = 0) -> float:
        """Wait until a beat says held, behind the first ``after`` beats; return when it came."""
        return self._wait_for(lambda beats: any(held for _, _, held in beats[after:]))

    def wait_until_told_released(self) -> float:
        """Wait until the newest beat says released; return when it came."""
        return self._wait_for(lambda beats: not beats[-1][2])

    def wait_until_anew(self, after: int) -> float:
        """Wait until a new keeper begins to count, behind the first ``after`` beats."""
        return self._wait_for(lambda beats: any(number == 1 for _, number, _ in beats[after:]))

    @property
    def held_at_s(self) -> list[float]:
        """When each beat came that said held (steady time)."""
        with self._news:
            return [at_s for at_s, _, held in self._beats if held]

    @property
    def last_held_s(self) -> float:
        """When a beat last said held (steady time)."""
        return max(self.held_at_s, default=float("-inf"))

    def _wait_for(self, so: Callable[[list[tuple[float, int, bool]]], bool]) -> float:
        with self._news:
            assert self._news.wait_for(lambda: self._beats and so(self._beats), PATIENCE_S)
            return self._beats[-1][0]

    def numbers_rise(self) -> bool:
        """Whether every beat's number was one more than the one before (a new keeper: from 1)."""
        numbers = [number for _, number, _ in self._beats]
        return all(b in (a + 1, 1) for a, b in itertools.pairwise(numbers))
