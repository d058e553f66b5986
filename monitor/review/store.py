"""Rows of a log, read once: in memory as long as they fit, else in a temporary file."""

import os
import tempfile
from pathlib import Path
from typing import IO, Any, Final

import numpy as np

from simulator.strict import BadInput, clean

MOST_IN_MEMORY: Final = 192 << 20  # bytes; of a log's rows that is 3.5 hours at 100 Hz


class RowStore:
    """Takes (n, width) float64 blocks, one after the other, and gives them back as one matrix.

    Args:
        width: Columns.
        most_in_memory: Bytes from which on a temporary file is used; it has no name and is gone
            with this process, however that ends.

    Attributes:
        rows: How many it has taken.
    """

    def __init__(self, width: int, most_in_memory: int = MOST_IN_MEMORY) -> None:
        self.rows = 0
        self._width = width
        self._most = most_in_memory
        self._blocks: list[Any] = []
        self._file: IO[bytes] | None = None
        self._whole: Any = None

    @property
    def on_disk(self) -> bool:
        """Whether the rows are in a temporary file."""
        return self._file is not None

    def add(self, block: Any) -> None:
        """Take a block.

        Raises:
            BadInput: There is no room for a temporary file.
        """
        self.rows += len(block)
        try:
            if self._file is not None:
                self._file.write(np.ascontiguousarray(block).data)
                return
            self._blocks.append(block)
            if 8 * self._width * self.rows > self._most:
                self._file = tempfile.TemporaryFile(prefix="flowdebt-", dir=_folder())  # noqa: SIM115
                for kept in self._blocks:
                    self._file.write(np.ascontiguousarray(kept).data)
                self._blocks = []
        except OSError as error:
            raise _no_room(error) from None

    def whole(self) -> Any:
        """Return everything taken, (rows, width); read-only.

        Raises:
            BadInput: There is no room for a temporary file.
        """
        if self._whole is not None:
            return self._whole
        if self._file is not None:
            try:
                self._file.flush()
            except OSError as error:
                raise _no_room(error) from None
            self._whole = np.memmap(self._file, np.float64, "r", shape=(self.rows, self._width))
            return self._whole
        whole = np.empty((self.rows, self._width))
        at = 0
        self._blocks.reverse()
        while self._blocks:  # let go of each, so that memory holds them once
            block = self._blocks.pop()
            whole[at : at + len(block)] = block
            at += len(block)
        whole.flags.writeable = False
        self._whole = whole
        return whole

    def close(self) -> None:
        """Let go of the rows."""
        self._blocks, self._whole, self.rows = [], None, 0
        if self._file is not None:
            self._file.close()
            self._file = None


def _folder() -> str:
    """Return where temporary files go: the usual place is often memory, which this is to spare."""
    on_disk = Path("/var/tmp")
    asked = any(os.environ.get(name) for name in ("TMPDIR", "TEMP", "TMP"))
    return str(on_disk) if not asked and os.access(on_disk, os.W_OK) else tempfile.gettempdir()


def _no_room(error: OSError) -> BadInput:
    where = _folder()
    return BadInput(
        f"{where}: found {clean(error.strerror or str(error))}, "
        "expected room for the rows of a long log (a temporary file)"
    )
