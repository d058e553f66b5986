"""A run as a log: CSV text (RFC 4180), the same in a file and on a serial port; or Parquet.

Numbers stand in their shortest form that reads back to the same float, bit for bit. In CSV an empty
field was not sent, and ``nan`` was sent and is not a number; in Parquet that is null and NaN.
"""

import contextlib
import io
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from math import inf, isnan
from pathlib import Path
from typing import IO, Any, BinaryIO, Final, TextIO

from rules.channels import CHANNEL_BY_NAME, CHANNEL_NAMES, NOT_SENT, ROW_NAMES, Sample
from rules.facts import Rig
from simulator.strict import ending_of, new_file

# Adds rows to a log: samples (n, ROW_WIDTH), and its further columns (n, how many there are).
Write = Callable[[Any, Any], None]

LOG_ENDINGS: Final = (".csv", ".parquet")  # they say how a log is written
# The columns of a log with the truth; see ``simulator.plant.truth``.
TRUTH_COLUMNS: Final = (
    "true_flow_ml_min",
    "true_due_ml_min",
    "true_missing",
    "true_boost_kpa",
    "true_line_kpa",
    "true_tank_ml",
    "true_charge_c",
    "true_exhaust_c",
    "true_torque_nm",
    "true_timing_deg",
    "true_retard_deg",
    "true_ceiling_kpa",
    "true_knock_intensity",
    "true_harm",
    "true_knocks",
    "true_gear",
    "true_speed_kmh",
)
LINE_END: Final = "\r\n"  # RFC 4180, section 2.1
_COLUMN: Final = {name: index for index, name in enumerate(ROW_NAMES)}
_UNITS: Final = {  # by the end of a name: columns that are no channels name theirs
    "_s": "s",
    "_ml_min": "mL/min",
    "_ml": "mL",
    "_kpa": "kPa",
    "_c": "degC",
    "_nm": "N m",
    "_deg": "deg",
    "_kmh": "km/h",
    "_evidence": "nats",
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


def unit_of(name: str) -> str:
    """Return the unit of a column of a log, "1" for a plain number.

    Args:
        name: ``time_s``, a channel, or a column of the truth or of what was decided.
    """
    if name in CHANNEL_BY_NAME:
        return CHANNEL_BY_NAME[name].unit
    for ending, unit in _UNITS.items():
        if name.endswith(ending):
            return unit
    return "1"


@contextlib.contextmanager
def open_log(
    path: Path, names: Sequence[str], more: Sequence[str], about: Mapping[str, str]
) -> Iterator[Write]:
    """Open a log file for writing, its ending says which kind; give what adds rows to it.

    Args:
        path: File to write; must not be there yet.
        names: Channels to write.
        more: Names of further columns.
        about: What the log is of; kept with a Parquet file.

    Raises:
        BadInput: The file is there already or can't be written, or its ending says nothing. An
            unfinished file is taken away.
    """
    ending = ending_of(path, *LOG_ENDINGS)
    with new_file(path) as file:
        if ending == ".csv":
            with _as_text(file) as text:
                yield csv_log(text, names, more)
        else:
            with parquet_log(file, names, more, about) as write:
                yield write


@contextlib.contextmanager
def _as_text(file: BinaryIO) -> Iterator[TextIO]:
    """Write text to a file, and leave it open."""
    text = io.TextIOWrapper(file, encoding="utf-8", newline="")
    try:
        yield text
    finally:
        text.detach()  # flushes


def csv_log(file: TextIO, names: Sequence[str], more: Sequence[str] = ()) -> Write:
    """Begin a log as text; return what adds rows to it.

    Args:
        file: Where it goes.
        names: Channels to write.
        more: Names of further columns.
    """
    file.write(",".join((header(names), *more)) + LINE_END)

    def write(rows: Any, others: Any) -> None:
        texts = (line(Sample._make(row), names) for row in rows.tolist())
        if not others.shape[1]:
            file.writelines(text + LINE_END for text in texts)
            return
        file.writelines(
            ",".join((text, *map(number, other))) + LINE_END
            for text, other in zip(texts, others.tolist(), strict=True)
        )

    return write


@contextlib.contextmanager
def parquet_log(
    file: IO[bytes],
    names: Sequence[str],
    more: Sequence[str],
    about: Mapping[str, str],
    *,
    meanings: Mapping[str, str] | None = None,
    group_rows: int | None = None,
    at_the_end: Callable[[], Mapping[str, str]] = dict,
) -> Iterator[Write]:
    """Write a log as Parquet; every column says its unit.

    Args:
        file: Where it goes.
        names: Channels to write.
        more: Names of further columns.
        about: What the log is of.
        meanings: What a column holds, by its name.
        group_rows: Rows that are gathered before a group of them is written; None: each block is.
        at_the_end: Further facts, asked for when all rows are written.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    fields = []
    for name in ("time_s", *names, *more):
        said = {"unit": unit_of(name)}
        if meanings is not None:
            said["meaning"] = meanings[name]
        fields.append(pa.field(name, pa.float64(), metadata=said))
    schema = pa.schema(fields, metadata=dict(about))
    gathered: list[Any] = []

    def flush() -> None:
        if gathered:
            writer.write_table(pa.Table.from_batches(gathered), row_group_size=group_rows)
            gathered.clear()

    def write(rows: Any, others: Any) -> None:
        columns = [*columns_of(rows, names), *map(pa.array, others.T)]
        gathered.append(pa.RecordBatch.from_arrays(columns, schema=schema))
        if sum(map(len, gathered)) >= (group_rows or 0):
            flush()

    with pq.ParquetWriter(file, schema) as writer:
        yield write
        flush()
        if news := at_the_end():
            writer.add_key_value_metadata(news)


def columns_of(rows: Any, names: Sequence[str]) -> list[Any]:
    """Return time and channels of rows, (n, ROW_WIDTH), as Arrow arrays: not sent is null."""
    import pyarrow as pa

    columns = []
    for name in ("time_s", *names):
        values = rows[:, _COLUMN[name]]
        missing = values == NOT_SENT
        columns.append(pa.array(values, mask=missing if missing.any() else None))
    return columns
