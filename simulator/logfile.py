"""A run as text: one CSV line a sample (RFC 4180), the same in a file and on a serial line.

Numbers stand in their shortest form that reads back to the same float, bit for bit. An empty
field was not sent; ``nan`` was sent and is not a number.
"""

from collections.abc import Iterable, Sequence
from math import inf, isnan
from pathlib import Path
from typing import Final

from rules.channels import CHANNEL_NAMES, NOT_SENT, ROW_NAMES, Sample
from rules.facts import Rig

LINE_END: Final = "\r\n"  # RFC 4180, section 2.1
_COLUMN: Final = {name: index for index, name in enumerate(ROW_NAMES)}


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
    return text[:-2] if text.endswith(".0") else text


def write_csv(
    samples: Iterable[Sample], path: str | Path, names: Sequence[str] = CHANNEL_NAMES
) -> int:
    """Write a log file; return the number of samples.

    Args:
        samples: In the order of time.
        path: File to write or overwrite.
        names: Channels to write.

    Raises:
        OSError: The file cannot be written.
    """
    count = 0
    with Path(path).open("w", encoding="utf-8", newline="") as file:
        file.write(header(names) + LINE_END)
        for sample in samples:
            file.write(line(sample, names) + LINE_END)
            count += 1
    return count
