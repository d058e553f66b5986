"""A session as one CSV or Parquet file, a block at a time."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import chain
from math import inf
from pathlib import Path
from typing import IO, Any, Final

import numpy as np
import pyarrow as pa
from pyarrow import csv as pacsv

from monitor.recorder import layout
from monitor.recorder.reader import SessionBlocks
from monitor.recorder.span import Span, readings_of
from rules.channels import BESIDE, CHANNEL_BY_NAME, TIME
from rules.facts import Action
from rules.step.state import FINDING_NAMES
from simulator.logfile import LINE_END, LOG_ENDINGS, columns_of, header, mapped, parquet_log
from simulator.strict import BadInput, called, ending_of, new_file

ROW_GROUP: Final = 65_536
RIG_CHANGED: Final = "rig_toml is the first of several"
DECIDED_BY_OLDER: Final = "an older version's rules; NaN: what these did not decide"
_MEANINGS: Final = {
    "action": ", ".join(f"{action.value} {action.word}" for action in Action),
    "finding": ", ".join(f"{i} {name}" for i, name in enumerate(FINDING_NAMES)) + ", else none",
    "late": "1 where the sample came too late to be used",
    "evidence": "that spray is missing",
    "missing_share": "share of the expected flow",
    "clock_pace": "seconds the source's clock ran in one of ours, where it was found to run wrong",
    "operator": "1 where the operator acknowledged",
}


@dataclass(slots=True)
class Exported:
    """What became of an export.

    Attributes:
        rows: Rows written that hold a reading.
        cut: Why the session is not whole, as far as it was read; None where it is.
        rig_changed: Whether the rig was changed while the guard ran: no one rig then decides the
            same on the file.
    """

    rows: int = 0
    cut: str | None = None
    rig_changed: bool = False


def export(session: Path, to: Path, from_s: float = -inf, until_s: float = inf) -> Exported:
    """Write a session as CSV or Parquet.

    CSV has the channels by our own names and units, and the operator's hand; every number reads
    back to the last bit, and ``review`` decides the same on it by the same rig. Parquet has what
    was decided too, and units with its columns.

    Args:
        session: The session's folder.
        to: File to write, ``.csv`` or ``.parquet``; must not be there yet.
        from_s: Only rows of this time or later, as ``review`` shows times, s.
        until_s: Only rows up to this time, s.

    Raises:
        BadInput: No session, nothing in the range, another kind of file, or one that is there
            already or can't be written. An unfinished file is taken away.
    """
    ending_of(to, *LOG_ENDINGS)
    if not from_s <= until_s:
        raise BadInput(f"--from: found {from_s:zg} s, expected no more than --until {until_s:zg} s")
    blocks = SessionBlocks(session)
    rig_file = blocks.rig_file()
    channels = mapped(rig_file.rig)
    seen = Span()
    chosen = _chosen(blocks, from_s, until_s, seen)
    # Read before the file is made: where nothing is to be written, no file is.
    first = next(chosen, None)
    if first is None:
        why = "" if blocks.statistics.decoded or blocks.cut is None else f" ({blocks.cut})"
        raise BadInput(
            f"{called(session)}: found no rows{_range_in_words(from_s, until_s)}{why}, expected "
            + ("some" if seen.readings is None else f"some of its {seen.in_words()}")
        )
    about = {name: str(blocks.about.get(name, "")) for name in ("rig", "source", "started")}

    def at_the_end() -> dict[str, str]:
        changed = {"rig_changed": RIG_CHANGED} if blocks.rig_changed else {}
        if blocks.decided_by_older:
            changed["decided_by"] = DECIDED_BY_OLDER
        return changed | ({"not_whole": blocks.cut} if blocks.cut is not None else {})

    rows = write_file(to, chain([first], chosen), channels, about, rig_file.text, at_the_end)
    return Exported(rows, blocks.cut, blocks.rig_changed)


def write_file(
    to: Path,
    chosen: Iterator[tuple[Any, Any]],
    channels: tuple[str, ...],
    about: dict[str, str],
    rig_text: str,
    at_the_end: Callable[[], dict[str, str]],
) -> int:
    """Write rows and what was decided on them as CSV or Parquet; see ``export``.

    Args:
        to: File to write; must not be there yet.
        chosen: Blocks of rows (n, ROW_WIDTH) and decided (n, len(DECIDED)).
        channels: Channels to write.
        about: ``rig``, ``source`` and ``started``, for Parquet.
        rig_text: The rig, for Parquet.
        at_the_end: Further facts for Parquet, asked for when all blocks have been written.

    Returns:
        Rows written that hold a reading.

    Raises:
        BadInput: Another kind of file, or one that is there already or can't be written. An
            unfinished file is taken away.
    """
    ending = ending_of(to, *LOG_ENDINGS)
    with new_file(to) as file:
        if ending == ".csv":
            return _write_csv(file, chosen, channels)
        facts = {**about, "format": layout.FORMAT, "rig_toml": rig_text}
        return _write_parquet(file, chosen, channels, facts, at_the_end)


def _chosen(
    blocks: SessionBlocks, from_s: float, until_s: float, seen: Span
) -> Iterator[tuple[Any, Any]]:
    whole = from_s == -inf and until_s == inf
    for rows in blocks:
        decided = blocks.decided
        if not whole:
            seen.take(rows)
            within = (rows[:, TIME] >= from_s) & (rows[:, TIME] <= until_s)
            if not within.any():
                continue
            rows, decided = rows[within], decided[within]
        yield rows, decided


def _write_csv(
    file: IO[bytes], chosen: Iterator[tuple[Any, Any]], channels: tuple[str, ...]
) -> int:
    names = (*channels, *BESIDE)
    file.write((header(names) + LINE_END).encode("ascii"))
    options = pacsv.WriteOptions(include_header=False)
    count = 0
    for rows, _ in chosen:
        text = pa.BufferOutputStream()
        batch = pa.RecordBatch.from_arrays(columns_of(rows, names), ["time_s", *names])
        # Shortest text that reads back to the same float.
        pacsv.write_csv(batch, text, options)
        file.write(text.getvalue().to_pybytes().replace(b"\n", LINE_END.encode()))
        count += int(np.count_nonzero(readings_of(rows)))
    return count


def _write_parquet(
    file: IO[bytes],
    chosen: Iterator[tuple[Any, Any]],
    channels: tuple[str, ...],
    facts: dict[str, str],
    at_the_end: Callable[[], dict[str, str]],
) -> int:
    meanings = {
        "time_s": "time",
        **{name: CHANNEL_BY_NAME[name].label for name in channels},
        **{name: _MEANINGS[name] for name in BESIDE},
        **{f"decided_{name}": _MEANINGS.get(name, name) for name in layout.DECIDED},
    }
    count = 0
    with parquet_log(
        file,
        (*channels, *BESIDE),
        [f"decided_{name}" for name in layout.DECIDED],
        facts,
        meanings=meanings,
        group_rows=ROW_GROUP,
        at_the_end=at_the_end,
    ) as write:
        for rows, decided in chosen:
            write(rows, decided)
            count += int(np.count_nonzero(readings_of(rows)))
    return count


def _range_in_words(from_s: float, until_s: float) -> str:
    if from_s == -inf and until_s == inf:
        return ""
    if until_s == inf:
        return f" from {from_s:zg} s on"
    return f" up to {until_s:zg} s" if from_s == -inf else f" from {from_s:zg} to {until_s:zg} s"
