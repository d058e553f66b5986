"""A run as a log: CSV text (RFC 4180), the same in a file and on a serial port; or Parquet.

Numbers stand in their shortest form that reads back to the same float, bit for bit. In CSV an empty
field was not sent, and ``nan`` was sent and is not a number; in Parquet that is null and NaN.
"""

import contextlib
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from math import inf, isnan
from pathlib import Path
from typing import Any, BinaryIO, Final, Protocol, TextIO

from rules.channels import CHANNEL_BY_NAME, CHANNEL_NAMES, NOT_SENT, ROW_NAMES, Sample
from rules.facts import Rig
from simulator.strict import BadInput, called, new_file

LINE_END: Final = "\r\n"  # RFC 4180, section 2.1
_COLUMN: Final = {name: index for index, name in enumerate(ROW_NAMES)}
_UNITS: Final = {  # by the end of a name; the truth's columns name theirs
    "_s": "s",
    "_ml_min": "mL/min",
    "_ml": "mL",
    "_kpa": "kPa",
    "_c": "degC",
    "_nm": "N m",
    "_deg": "deg",
}


def mapped(rig: Rig) -> tuple[str, ...]:
    """Return the channels a rig maps, in the order of ``rules.channels.CHANNELS``."""
    names = {channel.name for channel in rig.channels}
    return tuple(name for name in CHANNEL_NAMES if name in names)


def header(names: Sequence[str] = CHANNEL_NAMES) -> str:
    """Return the header line, without line end.

    Args:
        names: Channels, in the order of the columns; time comes first by itself.
    """
    return ",".join(("time_s", *names))


def line(sample: Sample, names: Sequence[str] = CHANNEL_NAMES) -> str:
    """Return a sample's line, without line end.

    Args:
        sample: The sample.
        names: The same channels as in the header.

    Raises:
        KeyError: A name is no channel.
    """
    return ",".join([number(sample.time_s), *[number(sample[_COLUMN[name]]) for name in names]])


def number(value: float) -> str:
    """Return a float's shortest text: ``float(number(x))`` is ``x``, except for "not sent"."""
    if value == NOT_SENT:
        return ""
    if isnan(value):
        return "nan"
    if value == inf:
        return "inf"
    text = repr(float(value))
    return text.removesuffix(".0")


def write_csv(
    samples: Iterable[Sample], path: str | Path, names: Sequence[str] = CHANNEL_NAMES
) -> int:
    """Write a log file; return the number of samples.

    Args:
        samples: In the order of time.
        path: File to write; must not be there yet.
        names: Channels to write.

    Raises:
        BadInput: The file is there already or can't be written.
    """
    count = 0
    with new_file(Path(path)) as raw, _as_text(raw) as file:
        file.write(header(names) + LINE_END)
        for sample in samples:
            file.write(line(sample, names) + LINE_END)
            count += 1
    return count


class Log(Protocol):
    """A log being written."""

    def write(self, rows: Any, more: Any) -> None:
        """Add rows.

        Args:
            rows: Samples, (n, ROW_WIDTH).
            more: The further columns, (n, how many there are).
        """


def unit_of(name: str) -> str:
    """Return the unit of a column of a log, "1" for a plain number.

    Args:
        name: ``time_s``, a channel, or a column of the truth.
    """
    if name in CHANNEL_BY_NAME:
        return CHANNEL_BY_NAME[name].unit
    for ending, unit in _UNITS.items():
        if name.endswith(ending):
            return unit
    return "1"


def kind_of(path: Path) -> str:
    """Return the ending that says how a log is written.

    Raises:
        BadInput: It is neither ``.csv`` nor ``.parquet``.
    """
    ending = path.suffix.lower()
    if ending not in (".csv", ".parquet"):
        raise BadInput(f"{called(path)}: found no such kind of log, expected .csv or .parquet")
    return ending


@contextlib.contextmanager
def open_log(
    path: Path, names: Sequence[str], more: Sequence[str], about: Mapping[str, str]
) -> Iterator[Log]:
    """Open a log file for writing; its ending says which kind.

    Args:
        path: File to write; must not be there yet.
        names: Channels to write.
        more: Names of further columns.
        about: What the log is of; kept with a Parquet file.

    Raises:
        BadInput: The file is there already or can't be written, or its ending says nothing. An
            unfinished file is taken away.
    """
    ending = kind_of(path)
    with new_file(path) as file:
        if ending == ".csv":
            with _as_text(file) as text:
                yield CsvLog(text, names, more)
        else:
            with ParquetLog(file, names, more, about) as log:
                yield log


@contextlib.contextmanager
def _as_text(file: BinaryIO) -> Iterator[TextIO]:
    """Write text to a file, and leave it open."""
    text = io.TextIOWrapper(file, encoding="utf-8", newline="")
    try:
        yield text
    finally:
        text.detach()  # flushes


class CsvLog:
    """A log as text.

    Args:
        file: Where it goes.
        names: Channels to write.
        more: Names of further columns.
    """

    def __init__(self, file: TextIO, names: Sequence[str], more: Sequence[str] = ()) -> None:
        self._file = file
        self._names = names
        file.write(",".join((header(names), *more)) + LINE_END)

    def write(self, rows: Any, more: Any) -> None:
        """Add rows; see ``Log``."""
        texts = (line(Sample._make(row), self._names) for row in rows.tolist())
        if not more.shape[1]:
            self._file.writelines(text + LINE_END for text in texts)
            return
        self._file.writelines(
            ",".join((text, *map(number, others))) + LINE_END
            for text, others in zip(texts, more.tolist(), strict=True)
        )


class ParquetLog:
    """A log as Parquet; every column says its unit.

    Args:
        file: Where it goes.
        names: Channels to write.
        more: Names of further columns.
        about: What the log is of.

    Raises:
        OSError: The file can't be written.
    """

    def __init__(
        self, file: BinaryIO, names: Sequence[str], more: Sequence[str], about: Mapping[str, str]
    ) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        self._names = ("time_s", *names)
        fields = [
            pa.field(name, pa.float64(), metadata={"unit": unit_of(name)})
            for name in (*self._names, *more)
        ]
        self._schema = pa.schema(fields, metadata=dict(about))
        self._writer = pq.ParquetWriter(file, self._schema)

    def __enter__(self) -> "ParquetLog":
        """Return itself."""
        return self

    def __exit__(self, *reason: object) -> None:
        """Write the file's end, without which it can't be read."""
        self._writer.close()

    def write(self, rows: Any, more: Any) -> None:
        """Add rows; see ``Log``."""
        import pyarrow as pa

        columns = [
            pa.array(values, mask=values == NOT_SENT)
            for values in (rows[:, _COLUMN[name]] for name in self._names)
        ]
        columns += [pa.array(more[:, i]) for i in range(more.shape[1])]
        self._writer.write_table(pa.table(columns, schema=self._schema))
