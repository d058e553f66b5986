"""From a row of numbers to a sample: the rig's columns, the rig's units."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from math import inf, nan
from typing import Final

from monitor.sources.lines.line_checks import OWN_CRC, OWN_SEQUENCE
from monitor.sources.lines.strict_numbers import NO_TIME, Rejected
from rules.channels import (
    CHANNEL_BY_NAME,
    NOT_SENT,
    ROW_NAMES,
    ROW_WIDTH,
    Sample,
    is_time,
    tick,
)
from simulator.logfile import TRUTH_COLUMNS
from simulator.rig import EXTRA_KINDS, ColumnMap, RigFile, TimeMap, quantity_of
from simulator.strict import BadInput, Quantity, clean, nearest_of

_OWN_NAMES: Final = frozenset(ROW_NAMES[:-1])
_COMPARED: Final = 2000  # of a header's names, which may be many: enough for any logger
_PLACE: Final = re.compile(r"(.*)#([1-9][0-9]{0,2})", re.DOTALL)  # "Flow#2": the second called Flow


def is_own_header(names: Sequence[str]) -> bool:
    """Whether a header is one flowdebt wrote: time_s and channels' own names, in their units.

    A sequence number, a CRC, a simulated car's truth and ``[extra]`` columns may stand among them.

    Such a log can be read with any rig, whatever columns that maps.
    """
    beside = (OWN_SEQUENCE, OWN_CRC, *TRUTH_COLUMNS, *EXTRA_KINDS)
    channels = [name for name in names if name not in beside]
    return len(channels) > 2 and "time_s" in channels and _OWN_NAMES.issuperset(channels)


def as_own(rig_file: RigFile) -> RigFile:
    """Return a rig file that reads what flowdebt writes: our own names, in our own units.

    A rig may well map a column of one of our names in a unit of its own.
    """
    columns = {name: ColumnMap(name, unit=CHANNEL_BY_NAME[name].unit) for name in rig_file.columns}
    return replace(rig_file, columns=columns, time=TimeMap())


def names_wanted(rig_file: RigFile) -> frozenset[str]:
    """Return the names that a log's header has for a rig's columns, its time among them."""
    maps = (*rig_file.columns.values(), *rig_file.extra.values())
    theirs = [column.column for column in maps] + [rig_file.time.column]
    places = [place[1] for place in map(_PLACE.fullmatch, theirs) if place and place[1]]
    return frozenset((*theirs, *places))


def numbered(names: Sequence[str]) -> list[str]:
    """Return how a rig names each of a header's columns: ``Flow#2`` is the second called Flow."""
    counts, so_far = Counter(names), Counter[str]()
    found = []
    for name in names:
        so_far[name] += 1
        found.append(f"{name}#{so_far[name]}" if counts[name] > 1 else name)
    return found


def place_of(names: Sequence[str], wanted: str) -> int:
    """Return where a header has the column that a rig means; -1 where it hasn't, or has it twice.

    Args:
        names: The header's fields, blanks around them taken off.
        wanted: As the rig has it: ``Flow``, or ``Flow#2`` for the second of that name.
    """
    count = names.count(wanted)
    if count == 1:
        return names.index(wanted)
    place = _PLACE.fullmatch(wanted)
    if count or place is None or names.count(place[1]) < int(place[2]):
        return -1
    return [i for i, name in enumerate(names) if name == place[1]][int(place[2]) - 1]


class Columns:
    """Where a log's columns go in a sample, and how their units convert.

    Args:
        names: The log's header, in order.
        rig_file: The rig that maps them.
        where: How messages call the log.
        time_needed: Whether the log must have the rig's time column.
        extra: Whether the columns of the rig's ``[extra]`` are read too, where the log has them:
            behind a sample, at ``ROW_WIDTH`` on, in the order of ``EXTRA_KINDS``.

    Raises:
        BadInput: A column the rig maps is missing, or its name stands twice and the rig doesn't
            say which of the two.

    Attributes:
        rig_file: The rig by which columns are read: as given, or of our own names and units.
        time_index: Where the time stands; -1 where there is none.
        picks: For each column that is read where it stands, its place in a row, factor and offset.
        width: Places in a row.
    """

    def __init__(
        self,
        names: Sequence[str],
        rig_file: RigFile,
        where: str,
        *,
        time_needed: bool = True,
        extra: bool = False,
    ) -> None:
        names = [name.strip() for name in names]
        # What the rig says goes first; our own names only where its columns are not there.
        theirs = [column.column for column in rig_file.columns.values()]
        if is_own_header(names) and not set(theirs).issubset(names):
            rig_file = as_own(rig_file)
        self.rig_file = rig_file
        self.n_fields = len(names)
        self.time_name = rig_file.time.column
        self.time_index = -1
        if not rig_file.time.counts_rows:
            self.time_index = self._find(names, self.time_name, where, "time", time_needed)
        self.time_factor = rig_file.time.factor
        self.picks: list[tuple[int, int, float, float]] = []
        for channel, column in rig_file.columns.items():
            index = self._find(names, column.column, where, channel, True)
            # Adding minus nought changes nothing; nought would take the sign off a minus nought.
            offset = column.offset or -0.0
            self.picks.append((index, ROW_NAMES.index(channel), column.factor, offset))
        self.width = ROW_WIDTH
        if not extra:
            return
        self.width += len(EXTRA_KINDS)
        for place, name in enumerate(EXTRA_KINDS, ROW_WIDTH):
            if name in rig_file.extra:
                column = rig_file.extra[name]
                index = self._find(names, column.column, where, name, False)
                if index >= 0:
                    self.picks.append((index, place, column.factor, column.offset or -0.0))

    def meaning(self, place: int) -> tuple[type[Quantity], str, str]:
        """Return what the rig says of a place it maps: its quantity, its unit, the rig's key."""
        if place < ROW_WIDTH:
            name = ROW_NAMES[place]
            unit = self.rig_file.columns[name].unit
            return quantity_of(CHANNEL_BY_NAME[name]), unit, f"[channels.{name}]"
        name = tuple(EXTRA_KINDS)[place - ROW_WIDTH]
        return EXTRA_KINDS[name], self.rig_file.extra[name].unit, f"[extra.{name}]"

    @staticmethod
    def _find(names: list[str], wanted: str, where: str, role: str, needed: bool) -> int:
        index, count = place_of(names, wanted), names.count(wanted)
        if index >= 0 or (not count and not needed):
            return index
        if count:
            raise BadInput(
                f'{where}: column twice: {clean(wanted)}; expected one column "{clean(wanted)}" '
                f'for {role} (see the rig; the first of them is "{clean(wanted)}#1")'
            )
        key = '[time], or there unit = "rows"' if role == "time" else f"[channels.{role}]"
        near = ", ".join(f'"{clean(name, 40)}"' for name in nearest_of(wanted, names[:_COMPARED]))
        raise BadInput(
            f'{where}: found no column "{clean(wanted)}", expected it, or its name here in the '
            f"rig's {key}; nearest: {near}"
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
