"""From a row of numbers to a sample: the rig's columns, the rig's units."""

from collections.abc import Sequence
from dataclasses import replace
from math import inf, nan
from typing import Final

from monitor.sources.lines.line_checks import OWN_CRC, OWN_SEQUENCE
from monitor.sources.lines.strict_numbers import NO_TIME, Rejected
from rules.channels import CHANNEL_BY_NAME, NOT_SENT, ROW_NAMES, Sample, is_time, tick
from simulator.plant.truth import TRUTH_COLUMNS
from simulator.rig import ColumnMap, RigFile, TimeMap
from simulator.strict import BadInput, clean

_OWN_NAMES: Final = frozenset(ROW_NAMES[:-1])


def is_own_header(names: Sequence[str]) -> bool:
    """Whether a header is one flowdebt wrote: time_s and channels' own names, in their units.

    A sequence number, a CRC and a simulated car's truth may stand among them.

    Such a log can be read with any rig, whatever columns that maps.
    """
    beside = (OWN_SEQUENCE, OWN_CRC, *TRUTH_COLUMNS)
    channels = [name for name in names if name not in beside]
    return len(channels) > 2 and "time_s" in channels and _OWN_NAMES.issuperset(channels)


def as_own(rig_file: RigFile) -> RigFile:
    """Return a rig file that reads what flowdebt writes: our own names, in our own units.

    A rig may well map a column of one of our names in a unit of its own.
    """
    columns = {name: ColumnMap(name, unit=CHANNEL_BY_NAME[name].unit) for name in rig_file.columns}
    return replace(rig_file, columns=columns, time=TimeMap())


class Columns:
    """Where a log's columns go in a sample, and how their units convert.

    Args:
        names: The log's header, in order.
        rig_file: The rig that maps them.
        where: How messages call the log.
        time_needed: Whether the log must have the rig's time column.

    Raises:
        BadInput: A column the rig maps is missing, or a name stands twice.

    Attributes:
        rig_file: The rig by which columns are read: as given, or of our own names and units.
    """

    def __init__(
        self, names: Sequence[str], rig_file: RigFile, where: str, *, time_needed: bool = True
    ) -> None:
        names = [name.strip() for name in names]
        # What the rig says goes first; our own names only where its columns are not there.
        theirs = [column.column for column in rig_file.columns.values()]
        if is_own_header(names) and not set(theirs).issubset(names):
            rig_file = as_own(rig_file)
        self.rig_file = rig_file
        self.n_fields = len(names)
        self.time_index = self._find(names, rig_file.time.column, where, "time", time_needed)
        self.time_factor = rig_file.time.factor
        self.picks: list[tuple[int, int, float, float]] = []
        for channel, column in rig_file.columns.items():
            index = self._find(names, column.column, where, channel, True)
            # Adding minus nought changes nothing; nought would take the sign off a minus nought.
            offset = column.offset or -0.0
            self.picks.append((index, ROW_NAMES.index(channel), column.factor, offset))

    @staticmethod
    def _find(names: list[str], wanted: str, where: str, role: str, needed: bool) -> int:
        count = names.count(wanted)
        if count == 1:
            return names.index(wanted)
        if count == 0 and not needed:
            return -1
        shown = ", ".join(clean(name, 24) for name in names[:12]) + (", ..." * (len(names) > 12))
        found = f"column twice: {clean(wanted)}" if count else f"columns {shown}"
        raise BadInput(
            f'{where}: {found}; expected one column "{clean(wanted)}" for {role} (see the rig)'
        )

    def sample(self, values: Sequence[float], time_s: float) -> Sample:
        """Return the sample a log row's raw values make; ``time_s`` where there is no column.

        Raises:
            Rejected: ``NO_TIME``.
        """
        if self.time_index >= 0:
            raw = values[self.time_index]
            time_s = nan if raw == NOT_SENT else raw * self.time_factor
            if not is_time(time_s):
                raise Rejected(NO_TIME)
        row = list(tick(time_s))
        for index, place, factor, offset in self.picks:
            raw = values[index]
            if raw != NOT_SENT:
                value = raw * factor + offset  # may overflow; minus infinity would read "not sent"
                row[place] = value if -inf < value < inf else nan
        return Sample._make(row)
