"""From a row of numbers to a sample: the rig's columns, the rig's units."""

from collections.abc import Sequence
from typing import Final

from monitor.sources.lines.line_checks import OWN_CRC, OWN_SEQUENCE
from monitor.sources.lines.strict_numbers import NO_TIME, Rejected
from rules.channels import NOT_SENT, OPERATOR_NOTHING, ROW_NAMES, ROW_WIDTH, Sample, is_time
from simulator.rig import ColumnMap, RigFile, TimeMap
from simulator.strict import BadInput, clean

_NAN: Final = float("nan")
_INFINITE: Final = float("inf")

OWN_TIME: Final = TimeMap()
_OWN_NAMES: Final = frozenset(ROW_NAMES[:-1])


def is_own_header(names: Sequence[str]) -> bool:
    """Whether a header is one flowdebt wrote: time_s and channels' own names, in their units.

    A sequence number and a CRC may stand among them.

    Such a log can be read with any rig, whatever columns that maps.
    """
    channels = [name for name in names if name not in (OWN_SEQUENCE, OWN_CRC)]
    return len(channels) > 2 and "time_s" in channels and _OWN_NAMES.issuperset(channels)


class Columns:
    """Where a log's columns go in a sample, and how their units convert.

    Args:
        names: The log's header, in order.
        rig_file: The rig that maps them.
        where: How messages call the log.
        time_needed: Whether the log must have the rig's time column.

    Raises:
        BadInput: A column the rig maps is missing, or a name stands twice.
    """

    def __init__(
        self, names: Sequence[str], rig_file: RigFile, where: str, *, time_needed: bool = True
    ) -> None:
        names = [name.strip() for name in names]
        # What the rig says goes first; our own names only where its columns are not there.
        theirs = [column.column for column in rig_file.columns.values()]
        own = is_own_header(names) and not set(theirs).issubset(names)
        time = OWN_TIME if own else rig_file.time
        self.own = own
        self.n_fields = len(names)
        self.time_index = self._find(names, time.column, where, "time", time_needed)
        self.time_factor = time.factor
        self.picks: list[tuple[int, int, float, float]] = []
        for channel, mapped in rig_file.columns.items():
            column = ColumnMap(channel, 1.0, 0.0) if own else mapped
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
        row = [NOT_SENT] * ROW_WIDTH
        row[-1] = OPERATOR_NOTHING
        if self.time_index >= 0:
            raw = values[self.time_index]
            time_s = _NAN if raw == NOT_SENT else raw * self.time_factor
            if not is_time(time_s):
                raise Rejected(NO_TIME)
        row[0] = time_s
        for index, place, factor, offset in self.picks:
            raw = values[index]
            if raw != NOT_SENT:
                value = raw * factor + offset  # may overflow; minus infinity would read "not sent"
                row[place] = value if -_INFINITE < value < _INFINITE else _NAN
        return Sample._make(row)
