"""A stream of CSV text lines into samples: header, units, CRC, sequence, numbers."""

from typing import Final

from monitor.sources.lines.columns import Columns, is_own_header, names_wanted, numbered
from monitor.sources.lines.line_checks import BAD_CRC, LineChecks
from monitor.sources.lines.sequence import SequenceCheck
from monitor.sources.lines.strict_numbers import Rejected, strict_number
from monitor.sources.lines.unit_row import are_units, check_units
from rules.channels import Sample
from simulator.rig import RigFile
from simulator.strict import BadInput, clean

MOST_FIELDS: Final = 256
GARBLED: Final = "garbled header"
MOST_STRAY: Final = 2
_NUMBERS: Final = "0123456789+-.eE"


class LineDecoder:
    """Decodes a stream of CSV text lines: a header (again and again, if it likes), then numbers.

    A stream joined in the middle is of no use until its header comes by; a rig may instead say what
    the columns are (``[serial] columns``). A row of units may stand under the header. Lines whose
    CRC is wrong, or whose sequence number is not new, are rejected.

    So is a header that looks garbled (something stray before a name, or its beginning lost): the
    mapping in force stays. One that comes twice alike is meant so.

    Args:
        rig_file: The rig.
        where: How messages call the line.
        midway: Whether the first line may have lost its beginning, as when a port is opened. What
            is left of it may look whole; without a header and a CRC nobody can tell, so it goes.

    Attributes:
        header_fault: What is wrong with the header, in words.
        sequence: What the sequence numbers say was lost.
    """

    def __init__(self, rig_file: RigFile, where: str, *, midway: bool = False) -> None:
        self._rig_file = rig_file
        self._where = where
        self._names: list[str] = []
        self._doubted: list[str] = []
        self._columns: Columns | None = None
        self._checks: LineChecks | None = None
        self.header_fault: str | None = None
        self.sequence = SequenceCheck()
        self._maybe_cut = midway
        if rig_file.serial.columns is not None:
            self._use(list(rig_file.serial.columns))

    @property
    def tick_s(self) -> float:
        """What one count of the time column is, s; 1 where that isn't known."""
        return 1.0 if self._columns is None else self._columns.time_factor

    def decode(self, line: bytes, arrived_s: float) -> Sample | None:
        """Return the sample in a line (without its end), or None for a header or a row of units.

        Args:
            line: At most a few hundred bytes.
            arrived_s: Time to give the sample where the log has no time column.

        Raises:
            Rejected: Not a usable line.
        """
        checks = self._checks
        maybe_cut, self._maybe_cut = self._maybe_cut, False
        body = line
        if checks is not None and checks.has_crc:
            checked = checks.body(line)
            if checked is None:
                if self._is_header(line.split(b",", MOST_FIELDS)):
                    return None
                raise Rejected(BAD_CRC)
            body = checked
        fields = body.split(b",", MOST_FIELDS)
        try:
            values = [strict_number(field) for field in fields]
        except Rejected:
            if self._is_header(fields):
                return None
            raise
        columns = self._columns
        if columns is None or checks is None:
            raise Rejected("no header yet" if self.header_fault is None else "wrong columns")
        if len(values) != columns.n_fields - checks.has_crc:
            raise Rejected("number of fields")
        if maybe_cut and not checks.has_crc:
            raise Rejected("perhaps cut")
        if checks.sequence_index >= 0:
            self.sequence.take(values[checks.sequence_index])
        return columns.sample(values, arrived_s)

    def _is_header(self, fields: list[bytes]) -> bool:
        names = [_text(field).strip() for field in fields]
        names[0] = names[0].removeprefix("\ufeff")
        known = names_wanted(self._rig_file)
        if is_own_header(names) or sum(name in known for name in names) >= 2:
            self._doubt(names)
            self._use(names)
            return True
        # Noise has letters too; whole words of them hardly ever.
        worded = [n for n in names if n.isascii() and n.isprintable() and any(map(str.isalpha, n))]
        if self._columns is not None:
            return self._is_unit_row(names, self._columns)
        if self.header_fault is None and len(worded) > 1:
            shown = clean(", ".join(names), 80)
            self.header_fault = (
                f'{self._where}: found "{shown}", none of the rig\'s columns; expected a '
                "header line with them"
            )
        return False

    def _doubt(self, names: list[str]) -> None:
        """Refuse a header that looks garbled, the first time."""
        doubted, self._doubted = self._doubted, []
        wanted = [self._rig_file.time.column, *self._names]
        wanted += [column.column for column in self._rig_file.columns.values()]
        found = {*names, *numbered(names)}
        missing = [name for name in wanted if name not in found]
        own = is_own_header(names)  # taken whatever the rig calls its columns
        if own or names == doubted or not _looks_garbled(names, missing):
            return
        self._doubted = names
        if self._columns is None:
            shown = clean(", ".join(names), 80)
            self.header_fault = (
                f'{self._where}: found "{shown}", which looks garbled; expected a header line with '
                "the rig's columns"
            )
        raise Rejected(GARBLED)

    def _use(self, names: list[str]) -> None:
        self._columns = self._checks = None
        try:
            columns = Columns(names, self._rig_file, self._where, time_needed=False)
            own = is_own_header(names)
            self._checks = LineChecks(names, self._rig_file.serial, own, self._where)
        except BadInput as error:
            self.header_fault = str(error)
            return
        self._names, self._columns = names, columns
        self.header_fault = None

    def _is_unit_row(self, words: list[str], columns: Columns) -> bool:
        if len(words) != columns.n_fields or not are_units(words, columns):
            return False
        try:
            check_units(self._names, words, columns, self._where)
        except BadInput as error:
            # Numbers in units nobody is sure of are not used, until a header comes without them.
            self._columns = self._checks = None
            self.header_fault = str(error)
        return True


def _looks_garbled(names: list[str], missing: list[str]) -> bool:
    """Whether a header's names are rather those that are missing, damaged on the wire.

    A renamed column must not pass for a damaged one, or its numbers would be read as the old one's:
    so only what stands before a name counts (a few characters, or the rest of a line of numbers),
    the beginning of the line lost, and what never prints.
    """
    if not all(name.isprintable() for name in names):
        return True
    for wanted in missing:
        if 1 < len(names[0]) < len(wanted) and wanted.endswith(names[0]):
            return True
        for name in names:
            stray = name.removesuffix(wanted)
            few = len(stray) <= MOST_STRAY < len(wanted)
            if stray != name and (few or not stray.strip(_NUMBERS)):
                return True
    return False


def _text(field: bytes) -> str:
    """Return a header's field as text; a degree sign in one name must not hide the others."""
    try:
        return field.decode("utf-8")
    except UnicodeDecodeError:
        return field.decode("latin-1")
