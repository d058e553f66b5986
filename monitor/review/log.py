"""A log or a session, read block by block, or once and its rows kept."""

import os
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, Final

import numpy as np

from monitor.recorder import layout
from monitor.recorder.reader import SessionBlocks, is_session
from monitor.review.done_then import DoneThen, ThenCounter
from monitor.sources.align import GapFiller
from monitor.sources.logs.open import log_blocks, rig_of_log
from monitor.sources.logs.own_clock import OwnClock
from monitor.sources.logs.read_ahead import read_ahead
from rules.channels import ROW_WIDTH, TIME
from simulator.rig import EXTRA_KINDS, RigFile, find_rig, load_rig, rig_from_text
from simulator.strict import BadInput, called, clean, open_file

Progress = Callable[[float], None]
Stop = Callable[[], bool]
_A_FEW_ROWS: Final = 100_000
MOST_IN_MEMORY: Final = 192 << 20  # bytes; of a log's rows that is 3.5 hours at 100 Hz


class Stopped(Exception):
    """The ``stop`` that was handed in said so; nothing has changed."""


@dataclass(frozen=True, slots=True)
class Block:
    """Some rows of a log, as a guard saw them.

    Attributes:
        rows: (n, ROW_WIDTH), ticks for silence included.
        as_read: The same as they stand in a log, without the ticks that were put in.
        decided: What was decided then, (n, len(DECIDED)); None where that isn't known.
        rig_file: The rig in force from its first row on, where that is another one; else None.
        hole: Where rows are missing before it: what the guard remembered behind them, empty where
            that isn't known; None where none are.
        by_older: Whether an older version's rules decided then: there is nothing to compare with.
        extra: What the rig's ``[extra]`` maps, by name, (n,) each; empty unless it was asked for.
    """

    rows: Any
    as_read: Any
    decided: Any = None
    rig_file: RigFile | None = None
    hole: tuple[float, ...] | None = None
    by_older: bool = False
    extra: dict[str, Any] = field(default_factory=dict)


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


class Log:
    """What is read back. ``open_log`` makes it.

    ``stream`` reads it block by block and keeps nothing; ``read`` (or ``decide``) keeps its rows,
    and ``pieces`` yields them again.

    Attributes:
        path: Session's folder, or the log's file.
        session: Whether it is a session.
        rig_file: The rig asked for, else the session's own.
        own_terms: Whether that is the session's own, with its changes while it ran.
        own: The rig a session began with; None for a log.
        rigs: Rigs changed to while the session ran, by the first row of each. Known once read.
        holes: What the guard remembered behind missing rows, by the first row behind each. Known
            once read.
        reader: What reads it: ``cut`` (why it ends early) and ``statistics`` are known once read.
        cut: Why a session or a log ends early; None where it doesn't. Known once read.
        rejected: Rows not used, by reason. Known once read.
        recorded: What was decided then, (n, len(DECIDED)); None for a log, before it is read, and
            once it has been compared with.
        reproduced: Whether the session's own rig decided the same again; None where not compared.
        differs_at: First row at which it didn't.
        done_then: What an older version's rules did in a session; None where today's decided, or
            nothing did. Known once read.
    """

    def __init__(
        self,
        path: Path,
        rig_file: RigFile,
        blocks: Any,
        *,
        own_terms: bool,
        most_in_memory: int = MOST_IN_MEMORY,
    ) -> None:
        self.path = path
        self.session = isinstance(blocks, SessionBlocks)
        self.rig_file = rig_file
        self.own_terms = own_terms
        self.own = None if not self.session else rig_file if own_terms else blocks.rig_file()
        self.rigs: dict[int, RigFile] = {}
        self.holes: dict[int, tuple[float, ...]] = {}
        self.cut: str | None = None
        self.rejected: dict[str, int] = {}
        self.recorded: Any = None
        self.reproduced: bool | None = None
        self.differs_at: int | None = None
        self.done_then: tuple[DoneThen, ...] | None = None
        self.reader = blocks
        self._most = most_in_memory
        self._rows: RowStore | None = None
        self._was_decided: RowStore | None = None

    @property
    def name(self) -> str:
        """How messages call it."""
        return called(self.path.name)

    @property
    def clock(self) -> OwnClock:
        """The log's own clock; a session's times are as they were. Known once read."""
        return self.reader.clock or OwnClock()

    @property
    def is_read(self) -> bool:
        """Whether its rows are there."""
        return self._rows is not None

    @property
    def rows(self) -> Any:
        """All rows, (n, ROW_WIDTH), ticks included; in memory or in a temporary file.

        Raises:
            ValueError: It hasn't been read.
        """
        if self._rows is None:
            raise ValueError("found a log that is not read, expected read() first")
        return self._rows.whole()

    def stream(self) -> Iterator[Block]:
        """Read block by block.

        Raises:
            BadInput: The log can't be read (on).
        """
        return self._of_log() if self.own is None else self._of_session(self.own)

    def _of_log(self) -> Iterator[Block]:
        filler = GapFiller()
        for wide in read_ahead(self.reader):
            rows = wide if wide.shape[1] == ROW_WIDTH else np.ascontiguousarray(wide[:, :ROW_WIDTH])
            filled = rows if self.reader.ticked else filler.fill(rows)
            yield Block(filled, rows, extra=_beside(wide, filled))

    def _of_session(self, own: RigFile) -> Iterator[Block]:
        self.reader = blocks = SessionBlocks(self.path)  # one that was stopped has counted already
        now, counter = own, ThenCounter()
        self.done_then = None
        for rows in blocks:
            new = None
            text = blocks.rig_text or own.text
            if text != now.text:
                new = now = rig_from_text(text, str(self.path))
            if blocks.decided_by_older:
                counter.take(rows, blocks.decided)
                self.done_then = counter.done()
            yield Block(rows, rows, blocks.decided, new, blocks.hole, blocks.decided_by_older)

    def read(self, progress: Progress | None = None, stop: Stop | None = None) -> None:
        """Read the rows and keep them; does nothing the second time.

        Args:
            progress: Told how far it is, 0 to 1.
            stop: Asked now and then, from whatever thread reads.

        Raises:
            BadInput: The log can't be read (on), or holds no rows.
            Stopped: ``stop`` said so.
        """
        if self._rows is not None:
            return
        share = len(layout.DECIDED) / (len(layout.DECIDED) + ROW_WIDTH) if self.session else 0.0
        rows = RowStore(ROW_WIDTH, int(self._most * (1.0 - share)))
        decided = RowStore(len(layout.DECIDED), int(self._most * share))
        self.rigs, self.holes = {}, {}
        expected = self.expected_rows()
        try:
            for block in self.stream():
                if block.rig_file is not None:
                    self.rigs[rows.rows] = block.rig_file
                if block.hole is not None:
                    self.holes[rows.rows] = block.hole
                rows.add(block.rows)
                if block.decided is not None and not block.by_older:
                    decided.add(block.decided)
                if stop is not None and stop():
                    raise Stopped
                if progress is not None:
                    progress(self.share(rows.rows, expected))
            if not rows.rows:
                cut = self.reader.cut
                why = "" if cut is None else f" ({clean(cut, 200)})"
                raise BadInput(f"{called(self.path)}: found no rows{why}, expected some")
            rows.whole()
            as_today = self.session and self.done_then is None
            self.recorded = decided.whole() if as_today else None
        except BaseException:
            rows.close()
            decided.close()
            raise
        self._rows, self._was_decided = rows, decided
        self.cut = self.reader.cut
        self.rejected = dict(self.reader.statistics.rejected)

    @staticmethod
    def share(rows: int, expected: int) -> float:
        """Return how far so many rows are of about so many expected, 0 to 1."""
        return rows / max(expected, rows + _A_FEW_ROWS)

    def pieces(self, most_rows: int) -> Iterator[tuple[int, Block]]:
        """Yield its rows again: the first row's number, and at most so many rows.

        Raises:
            ValueError: It hasn't been read.
        """
        rows, recorded = self.rows, self.recorded
        cuts = sorted({*range(0, len(rows), most_rows), *self.rigs, *self.holes})
        for start, end in zip(cuts, [*cuts[1:], len(rows)], strict=True):
            then = None if recorded is None else recorded[start:end]
            new, hole = self.rigs.get(start), self.holes.get(start)
            by_older = self.done_then is not None
            yield start, Block(rows[start:end], rows[start:end], then, new, hole, by_older)

    def compared(self, reproduced: bool | None, differs_at: int | None) -> None:
        """Note what came of the comparison with what was decided then, and let go of that."""
        self.reproduced, self.differs_at = reproduced, differs_at
        self.recorded = None
        if self._was_decided is not None:
            self._was_decided.close()

    def close(self) -> None:
        """Let go of the rows, and of the temporary file where there is one."""
        self.recorded = None
        for store in (self._rows, self._was_decided):
            if store is not None:
                store.close()
        self._rows = self._was_decided = None

    def expected_rows(self) -> int:
        """Return about how many rows there are, for the progress; 0 where unknown."""
        if self.session:
            return next((note.rows for note in self.reader.notes if note.ends), 0)
        try:
            with open_file(self.path) as file:
                head = file.read(1 << 16)
            lines = head.count(b"\n")
            return self.path.stat().st_size * lines // len(head) if lines > 1 else 0
        except (OSError, ZeroDivisionError):
            return 0


def _beside(wide: Any, rows: Any) -> dict[str, Any]:
    """Return what stands behind samples, in the rows that ticks were put into."""
    if wide.shape[1] == ROW_WIDTH:
        return {}
    values = wide[:, ROW_WIDTH:]
    if len(rows) != len(wide):
        times = wide[:, TIME]
        at = np.clip(np.searchsorted(times, rows[:, TIME]), 0, len(times) - 1)
        values = np.where((times[at] == rows[:, TIME])[:, None], values[at], np.nan)
    return dict(zip(EXTRA_KINDS, values.T, strict=True))


def open_log(
    source: str | Path,
    rig: str | RigFile | None = None,
    *,
    most_in_memory: int = MOST_IN_MEMORY,
    extra: bool = False,
) -> Log:
    """Open a session's folder, or a log (CSV, Parquet, Arrow IPC).

    Args:
        source: Folder or file.
        rig: Rig file or shipped name, or one that was read; a session brings its own.
        most_in_memory: Bytes of rows from which on a temporary file holds them.
        extra: Have what the rig's ``[extra]`` maps beside each block of a log.

    Raises:
        BadInput: Anything that can't be read or used; a log without a rig.
    """
    path = Path(source)
    if is_session(path):
        session = SessionBlocks(path)
        if rig is None:
            rig_file = session.rig_file()
        else:
            rig_file = rig if isinstance(rig, RigFile) else load_rig(find_rig(rig))
        return Log(path, rig_file, session, own_terms=rig is None, most_in_memory=most_in_memory)
    rig_file = rig_of_log(path, rig)
    blocks = log_blocks(path, rig_file, extra=extra and bool(rig_file.extra))
    return Log(path, rig_file, blocks, own_terms=False, most_in_memory=most_in_memory)


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
