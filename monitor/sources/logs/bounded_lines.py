"""A text file whose lines have a bound: reading on into a longer one is an error, not a surprise.

Parsers take a line whole, so a file without line ends would fill the memory.
"""

import io
from pathlib import Path
from typing import BinaryIO, Final

from simulator.strict import BadInput, called, open_file

LONGEST_LINE: Final = 65_536  # bytes; 256 columns of long numbers take a tenth of it
FIELDS: Final = "number of fields"  # why a row of a CSV log is not used
_COUNTED_AT_ONCE: Final = 1 << 20
_ENDS: Final = (b"\n", b"\r")


class BoundedLines(io.RawIOBase):
    """A file's bytes, as long as no line of it is longer than ``LONGEST_LINE``.

    Lines end in CR, LF or both.

    Args:
        path: The file.

    Raises:
        OSError: It can't be opened, or is no regular file.
        BadInput: From reads: a line is longer. Says which.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file: BinaryIO = open_file(path)
        self._read = 0  # bytes, before what is read next
        self._begun = 0  # and of the line that goes on into that

    def readable(self) -> bool:
        """Return that it can be read."""
        return True

    def close(self) -> None:
        """Close the file."""
        self._file.close()
        super().close()

    def read(self, size: int = -1) -> bytes:
        """Return the next bytes, checked."""
        chunk = self._file.read(size)
        self._check(chunk)
        return chunk

    def readinto(self, into: bytearray | memoryview) -> int:  # type: ignore[override]  # any buffer
        """Read the next bytes, checked; return how many."""
        chunk = self.read(len(into))
        into[: len(chunk)] = chunk
        return len(chunk)

    def _check(self, chunk: bytes) -> None:
        start = -self._begun
        # From line end to line end, each time the last one within the bound: few steps a chunk.
        while len(chunk) - start > LONGEST_LINE:
            end = _last_end(chunk, start, start + LONGEST_LINE + 1)
            if end < 0:
                raise self._too_long(self._read + max(start, 0))
            start = end + 1
        end = _last_end(chunk, start, len(chunk))
        self._begun = len(chunk) - (end + 1 if end >= 0 else start)
        self._read += len(chunk)

    def _too_long(self, begins: int) -> BadInput:
        """Return what is wrong with the line that begins behind so many bytes."""
        counts = dict.fromkeys(_ENDS, 0)
        with open_file(self._path) as file:
            while begins > 0 and (chunk := file.read(min(begins, _COUNTED_AT_ONCE))):
                begins -= len(chunk)
                for end in _ENDS:
                    counts[end] += chunk.count(end)
        line = (counts[b"\n"] or counts[b"\r"]) + 1
        return BadInput(
            f"{called(self._path)}:{line}: found a line over {LONGEST_LINE} bytes, expected "
            "shorter ones"
        )


def _last_end(chunk: bytes, start: int, stop: int) -> int:
    """Return where the last line end is between two places; -1 where there is none."""
    return max(chunk.rfind(end, max(start, 0), max(stop, 0)) for end in _ENDS)
