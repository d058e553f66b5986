"""Reading MQTT packets within a bound: one that is too long is thrown away as it comes.

The library reads a packet whole before anyone sees it, and asks for all of it at once: 200 MB on a
topic of ours took 550 MB, and held up the readings behind it. (MQTT 5 lets a client say how much it
takes, but not every broker speaks that.)
"""

from collections.abc import Callable
from typing import Final

# The longest that can be of use, a SenML pack (64 kB) and its topic (at most 64 kB), fits.
MOST_BYTES: Final = 1 << 17
AT_ONCE: Final = 1 << 16
# Thrown away before other things have their turn; more is read when the loop comes by again.
A_TURN: Final = 1 << 22


class PacketReader:
    """Stands between a connection and the library: reads as the connection does, but bounded.

    Knows of MQTT only what a packet's head says (MQTT 3.1.1, 2.2: one byte of type and flags, then
    one to four bytes of the remaining length, seven bits each, the lowest first).

    Args:
        receive: Reads at most that many bytes; raises ``BlockingIOError`` where there are none, and
            returns none at the end.
        too_long: Told the remaining length of each packet that is thrown away.
        most: Longest remaining length that is read.
    """

    def __init__(
        self,
        receive: Callable[[int], bytes],
        too_long: Callable[[int], None],
        most: int = MOST_BYTES,
    ) -> None:
        self._receive = receive
        self._too_long = too_long
        self._most = most
        self._head = b""  # as far as it has come
        self._whole_head = b""  # of a packet to pass on, not yet passed on
        self._body = 0  # bytes to pass on
        self._rest = 0  # bytes to throw away

    def __call__(self, size: int) -> bytes:
        """Read at most ``size`` bytes of packets that are short enough; as ``receive`` does."""
        turn = A_TURN
        while True:
            if self._whole_head:
                given, self._whole_head = self._whole_head[:size], self._whole_head[size:]
                return given
            data = self._receive(self._wanted(size))
            if not data:
                return data
            if self._body:
                self._body -= len(data)
                return data
            if not self._rest:
                self._take(data)
                continue
            self._rest -= len(data)
            turn -= len(data)
            if turn <= 0:
                raise BlockingIOError

    def _wanted(self, size: int) -> int:
        if self._body:
            return min(size, self._body)
        return min(AT_ONCE, self._rest) if self._rest else 1

    def _take(self, byte: bytes) -> None:
        """Take in another byte of a head."""
        self._head += byte
        lengths = self._head[1:]
        if not lengths or (lengths[-1] & 0x80 and len(lengths) < 4):
            return
        head, self._head = self._head, b""
        length = sum((part & 0x7F) << (7 * i) for i, part in enumerate(lengths))
        # A length that goes on beyond four bytes is none: the library will say so.
        if length > self._most and not lengths[-1] & 0x80:
            self._rest = length
            self._too_long(length)
        else:
            self._whole_head, self._body = head, length
