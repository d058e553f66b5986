"""Lines out of bytes: bounded, and back in step after noise."""

from typing import Final

LONGEST_LINE: Final = 4096  # a header of 60 long column names is 2 kB


class LineFramer:
    """Cuts a byte stream into lines ended by LF (a CR before it is dropped).

    A line longer than ``longest`` is thrown away to its end, and counted: noise without a line end
    must not grow without bound. Bytes of an unfinished line wait for the rest.

    Attributes:
        overlong: Lines thrown away for their length.
    """

    def __init__(self, longest: int = LONGEST_LINE) -> None:
        self._longest = longest
        self._rest = b""
        self._skipping = False
        self.overlong = 0

    def feed(self, data: bytes) -> list[bytes]:
        """Return the lines that ``data`` completes, without their ends; empty ones are left out."""
        first, *following = data.split(b"\n")
        self._hold(first)
        lines: list[bytes] = []
        for piece in following:
            line = b"" if self._skipping else self._rest.removesuffix(b"\r")
            if line:
                lines.append(line)
            self._rest, self._skipping = b"", False
            self._hold(piece)
        return lines

    def _hold(self, data: bytes) -> None:
        if self._skipping:
            return
        self._rest += data
        if len(self._rest) > self._longest:
            self._rest = b""
            self._skipping = True
            self.overlong += 1
