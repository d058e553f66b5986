"""A log or a session, opened for replay: its rows are read once and kept."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from monitor.recorder import layout
from monitor.recorder.reader import SessionBlocks, is_session
from monitor.review.store import MOST_IN_MEMORY, RowStore
from monitor.sources.align import GapFiller
from monitor.sources.logs.ahead import ahead
from monitor.sources.logs.open import log_blocks, rig_of_log
from rules.channels import ROW_WIDTH
from simulator.rig import RigFile, find_rig, load_rig, rig_from_text
from simulator.strict import BadInput, called, clean, open_file

Progress = Callable[[float], None]
Stop = Callable[[], bool]
_A_FEW_ROWS: Final = 100_000


class Stopped(Exception):
    """The ``stop`` that was handed in said so; nothing has changed."""


@dataclass(frozen=True, slots=True)
class Hole:
    """Rows are missing before a row.

    Attributes:
        row: The first row behind the hole.
        state: What the guard remembered there; empty where that isn't known.
    """

    row: int
    state: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class RigFrom:
    """From which row on which rig was in force.

    Attributes:
        row: First row decided by it.
        rig_file: The rig.
    """

    row: int
    rig_file: RigFile


class Log:
    """What is replayed. ``open_log`` makes it; ``read`` (or ``decide``) reads its rows.

    Attributes:
        path: Session's folder, or the log's file.
        session: Whether it is a session.
        rig_file: The rig asked for, else the session's own.
        own_terms: Whether that is the session's own, with its changes while it ran.
        terms: Rigs in the order in which they were in force; the first from row 0. Known once read.
        holes: Where rows are missing. Known once read.
        cut: Why a session or a log ends early; None where it doesn't. Known once read.
        rejected: Rows not used, by reason. Known once read.
        recorded: What was decided then, (n, len(DECIDED)); None for a log, before it is read, and
            once it has been compared with.
        reproduced: Whether the session's own rig decided the same again; None where not compared.
        differs_at: First row at which it didn't.
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
        own = blocks.rig_file() if self.session and not own_terms else rig_file
        self.terms = [RigFrom(0, own)]
        self.holes: list[Hole] = []
        self.cut: str | None = None
        self.rejected: dict[str, int] = {}
        self.recorded: Any = None
        self.reproduced: bool | None = None
        self.differs_at: int | None = None
        self._blocks = blocks
        self._most = most_in_memory
        self._rows: RowStore | None = None
        self._was_decided: RowStore | None = None

    @property
    def name(self) -> str:
        """How messages call it."""
        return called(self.path.name)

    @property
    def is_read(self) -> bool:
        """Whether its rows are there."""
        return self._rows is not None

    @property
    def on_disk(self) -> bool:
        """Whether its rows are in a temporary file."""
        return self._rows is not None and self._rows.on_disk

    @property
    def rows(self) -> Any:
        """All rows, (n, ROW_WIDTH), ticks included; in memory or in a temporary file.

        Raises:
            ValueError: It hasn't been read.
        """
        if self._rows is None:
            raise ValueError("found a log that is not read, expected read() first")
        return self._rows.whole()

    def read(self, progress: Progress | None = None, stop: Stop | None = None) -> None:
        """Read the rows; does nothing the second time.

        Args:
            progress: Hears how far it is, 0 to 1.
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
        self.terms, self.holes = self.terms[:1], []
        self._blocks.statistics.rejected.clear()
        expected = self._expected_rows()
        blocks = self._of_session(rows, decided) if self.session else self._of_log(rows)
        try:
            for _ in blocks:
                if stop is not None and stop():
                    raise Stopped
                if progress is not None:
                    progress(rows.rows / max(expected, rows.rows + _A_FEW_ROWS))
            if not rows.rows:
                cut = self._blocks.cut
                why = "" if cut is None else f" ({clean(cut, 200)})"
                raise BadInput(f"{called(self.path)}: found no rows{why}, expected some")
            rows.whole()
            self.recorded = decided.whole() if self.session else None
        except BaseException:
            rows.close()
            decided.close()
            raise
        self._rows, self._was_decided = rows, decided
        self.cut = self._blocks.cut
        self.rejected = dict(self._blocks.statistics.rejected)

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

    def _of_log(self, rows: RowStore) -> Iterator[None]:
        filler = GapFiller()
        for block in ahead(self._blocks):
            rows.add(block if self._blocks.ticked else filler.fill(block))
            yield

    def _of_session(self, rows: RowStore, decided: RowStore) -> Iterator[None]:
        blocks = SessionBlocks(self.path)  # anew: one that was stopped has counted already
        self._blocks = blocks
        own = now = self.terms[0].rig_file
        for block in blocks:
            text = blocks.rig_text or own.text
            if text != now.text:
                now = rig_from_text(text, str(self.path))
                self.terms.append(RigFrom(rows.rows, now))
            if blocks.hole is not None:
                self.holes.append(Hole(rows.rows, blocks.hole.state))
            rows.add(block)
            decided.add(blocks.decided)
            yield

    def _expected_rows(self) -> int:
        """Return about how many rows there are, for the progress; 0 where unknown."""
        if self.session:
            told = [e.get("rows") for e in self._blocks.events if e.get("kind") == "end"]
            return told[0] if told and isinstance(told[0], int) else 0
        try:
            with open_file(self.path) as file:
                head = file.read(1 << 16)
            lines = head.count(b"\n")
            return self.path.stat().st_size * lines // len(head) if lines > 1 else 0
        except (OSError, ZeroDivisionError):
            return 0


def open_log(
    source: str | Path, rig: str | None = None, *, most_in_memory: int = MOST_IN_MEMORY
) -> Log:
    """Open a session's folder, or a log (CSV, Parquet, Arrow IPC).

    Args:
        source: Folder or file.
        rig: Rig file or shipped name; a session brings its own.
        most_in_memory: Bytes of rows from which on a temporary file holds them.

    Raises:
        BadInput: Anything that can't be read or used; a log without a rig.
    """
    path = Path(source)
    if is_session(path):
        session = SessionBlocks(path)
        rig_file = session.rig_file() if rig is None else load_rig(find_rig(rig))
        return Log(path, rig_file, session, own_terms=rig is None, most_in_memory=most_in_memory)
    rig_file = rig_of_log(path, rig)
    blocks = log_blocks(path, rig_file)
    return Log(path, rig_file, blocks, own_terms=False, most_in_memory=most_in_memory)
