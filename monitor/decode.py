"""From a line of text to a sample: strict numbers, the rig's columns, the rig's units."""

from collections.abc import Sequence
from typing import Final

from rules.channels import NOT_SENT, OPERATOR_NOTHING, ROW_NAMES, ROW_WIDTH, Sample
from simulator.rig import ColumnMap, RigFile, TimeMap
from simulator.strict import BadInput, clean

MOST_FIELDS: Final = 256
_NUMBER_BYTES: Final = b"0123456789+-.eE"
_LONGEST_NUMBER: Final = 32
_NAN: Final = float("nan")
_INFINITE: Final = float("inf")


class Rejected(Exception):
    """A line that can't be used. ``reason`` is one of a few fixed words, for counting."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


def strict_number(field: bytes) -> float:
    """Return the float a field holds; ``NOT_SENT`` where it is empty.

    Accepts an ASCII decimal number of at most 32 characters, and ``nan`` in any case (the logger
    says it doesn't know). What would overflow to infinity reads as NaN. Python's own ``float``
    also takes "inf", "1_000" and non-ASCII digits; on a wire those are noise.

    Raises:
        Rejected: Anything else.
    """
    field = field.strip()
    if not field:
        return NOT_SENT
    if len(field) > _LONGEST_NUMBER:
        raise Rejected("not a number")
    if field.translate(None, _NUMBER_BYTES):
        if field.lower() == b"nan":
            return _NAN
        raise Rejected("not a number")
    try:
        value = float(field)
    except ValueError:
        raise Rejected("not a number") from None
    return value if -_INFINITE < value < _INFINITE else _NAN


OWN_TIME: Final = TimeMap("time_s", 1.0)
_OWN_NAMES: Final = frozenset(ROW_NAMES[:-1])


def is_own_header(names: Sequence[str]) -> bool:
    """Whether a header is one flowdebt wrote: time_s and channels' own names, in their units.

    Such a log can be read with any rig, whatever columns that maps.
    """
    return len(names) > 2 and "time_s" in names and _OWN_NAMES.issuperset(names)


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
        """Return the sample a log row's raw values make; ``time_s`` where there is no column."""
        row = [NOT_SENT] * ROW_WIDTH
        row[-1] = OPERATOR_NOTHING
        if self.time_index >= 0:
            raw = values[self.time_index]
            time_s = _NAN if raw == NOT_SENT else raw * self.time_factor
        row[0] = time_s
        for index, place, factor, offset in self.picks:
            raw = values[index]
            if raw != NOT_SENT:
                value = raw * factor + offset  # may overflow; minus infinity would read "not sent"
                row[place] = value if -_INFINITE < value < _INFINITE else _NAN
        return Sample._make(row)


class LineDecoder:
    """Decodes a stream of CSV text lines: a header (again and again, if it likes), then numbers.

    A stream joined in the middle is of no use until its header comes by; a rig may instead say what
    the columns are (``[serial] columns``).
    """

    def __init__(self, rig_file: RigFile, where: str) -> None:
        self._rig_file = rig_file
        self._where = where
        self._columns: Columns | None = None
        self.header_fault: str | None = None
        if rig_file.serial.columns is not None:
            self._columns = Columns(rig_file.serial.columns, rig_file, where, time_needed=False)

    def decode(self, line: bytes, arrived_s: float) -> Sample | None:
        """Return the sample in a line (without its end), or None for a header.

        Args:
            line: At most a few hundred bytes.
            arrived_s: Time to give the sample where the log has no time column.

        Raises:
            Rejected: Not a usable line.
        """
        fields = line.split(b",", MOST_FIELDS)
        columns = self._columns
        try:
            values = [strict_number(field) for field in fields]
        except Rejected:
            if self._is_header(fields):
                return None
            raise
        if columns is None:
            raise Rejected("no header yet" if self.header_fault is None else "wrong columns")
        if len(values) != columns.n_fields:
            raise Rejected("number of fields")
        return columns.sample(values, arrived_s)

    def _is_header(self, fields: list[bytes]) -> bool:
        names = [_text(field).strip() for field in fields]
        known = {column.column for column in self._rig_file.columns.values()}
        if not is_own_header(names) and sum(name in known for name in names) < 2:
            worded = [name for name in names if any(c.isalpha() for c in name)]
            if self._columns is None and self.header_fault is None and len(worded) > 1:
                shown = clean(", ".join(names), 80)
                self.header_fault = (
                    f'{self._where}: found "{shown}", none of the rig\'s columns; expected a '
                    "header line with them"
                )
            return False
        try:
            self._columns = Columns(names, self._rig_file, self._where, time_needed=False)
            self.header_fault = None
        except BadInput as error:
            self._columns = None
            self.header_fault = str(error)
        return True


def _text(field: bytes) -> str:
    """Return a header's field as text; a degree sign in one name must not hide the others."""
    try:
        return field.decode("utf-8")
    except UnicodeDecodeError:
        return field.decode("latin-1")
