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
        head, *tail = data.split(b"\n")
        if not tail:
            self._hold(head)
            return []
        lines: list[bytes] = []
        self._hold(head)
        if self._skipping:
            self._skipping = False
        else:
            lines.append(self._rest)
        self._rest = b""
        lines += tail[:-1]
        self._hold(tail[-1])
        kept: list[bytes] = []
        for line in lines:
            if len(line) > self._longest:
                self.overlong += 1
            elif stripped := line.removesuffix(b"\r"):
                kept.append(stripped)
        return kept

    def reset(self) -> None:
        """Forget the unfinished line (the stream was cut: what follows is another line)."""
        self._rest = b""
        self._skipping = False

    def _hold(self, data: bytes) -> None:
        if self._skipping:
            return
        self._rest += data
        if len(self._rest) > self._longest:
            self._rest = b""
            self._skipping = True
            self.overlong += 1
