"""A log that export wrote is read by our own names, and judged as it was."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from monitor.source_facts import SourceStatistics
from monitor.sources.lines.columns import NO_TIME
from rules.channels import CHANNEL_BY_NAME, TIME, TIME_BOUND_S
from simulator.rig import ColumnMap, RigFile, TimeMap


def as_exported(rig_file: RigFile) -> RigFile:
    """Return a rig file that reads what ``export`` writes: our own names, in our own units.

    A rig may well map a column of one of our names in a unit of its own.
    """
    columns = {name: ColumnMap(name, unit=CHANNEL_BY_NAME[name].unit) for name in rig_file.columns}
    return replace(rig_file, columns=columns, time=TimeMap())


def with_time(rows: Any, statistics: SourceStatistics, *, ticked: bool) -> Iterator[Any]:
    """Yield a block's rows that have a usable time, where there are any; count all of them.

    Of a ``ticked`` log, an exported session, all: it is judged as it was.
    """
    usable = (abs(rows[:, TIME]) < TIME_BOUND_S) | ticked  # NaN isn't
    statistics.received += len(rows)
    if not usable.all():
        statistics.rejected[NO_TIME] += int(len(rows) - usable.sum())
        rows = rows[usable]
    statistics.decoded += len(rows)
    if len(rows):
        yield rows
