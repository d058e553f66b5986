"""What a text line says about itself: a CRC behind its fields, a number in a sequence."""

import binascii
from collections.abc import Sequence
from typing import Final

from simulator.rig import SerialTerms
from simulator.strict import BadInput, clean

# What flowdebt's own lines call these columns.
OWN_SEQUENCE: Final = "sequence"
OWN_CRC: Final = "crc16"
BAD_CRC: Final = "crc"
_HEX: Final = b"0123456789abcdefABCDEF"


def crc16(data: bytes) -> int:
    """Return the CRC-16/IBM-3740 of some bytes (also called CCITT-FALSE).

    Polynomial 0x1021, initial value 0xFFFF, nothing reflected, nothing added at the end; its check
    value, over the ASCII digits 1 to 9, is 0x29B1. Source: RevEng's CRC catalogue.
    """
    return binascii.crc_hqx(data, 0xFFFF)


def with_crc(text: str) -> str:
    """Return a line with its CRC field put behind it: it covers all before it, last comma too."""
    text += ","
    return f"{text}{crc16(text.encode('ascii')):04X}"


class LineChecks:
    """The CRC and sequence columns of a text line.

    Args:
        names: The header's names, in order.
        serial: What the rig says of them: a column that it names must be there.
        own: Whether the header is one flowdebt wrote: then its own names count, where they stand.
        where: How messages call the line.

    Raises:
        BadInput: A column the rig names is missing, stands twice, or the CRC isn't the last.

    Attributes:
        has_crc: Whether the last field is a CRC.
        sequence_index: Where the sequence number stands; negative where there is none.
    """

    def __init__(self, names: Sequence[str], serial: SerialTerms, own: bool, where: str) -> None:
        crc, sequence = (OWN_CRC, OWN_SEQUENCE) if own else (serial.crc, serial.sequence)
        crc_index = _find(names, crc, "the CRC", where, not own)
        self.sequence_index = _find(names, sequence, "the sequence number", where, not own)
        self.has_crc = crc_index >= 0
        if self.has_crc and crc_index != len(names) - 1:
            raise BadInput(f'{where}: found "{clean(str(crc))}" first, expected it last')

    @staticmethod
    def body(line: bytes) -> bytes | None:
        """Return what stands before the CRC field, where that is right; None where it isn't."""
        head, comma, field = line.rpartition(b",")
        field = field.strip()
        if len(field) != 4 or field.translate(None, _HEX) or int(field, 16) != crc16(head + comma):
            return None
        return head


def _find(names: Sequence[str], name: str | None, role: str, where: str, needed: bool) -> int:
    if name is None or name not in names:
        if name is None or not needed:
            return -1
        shown = clean(", ".join(names[:12]), 80)
        raise BadInput(
            f'{where}: found columns {shown}; expected "{clean(name)}" for {role} (see the rig)'
        )
    if names.count(name) > 1:
        raise BadInput(f'{where}: found "{clean(name)}" twice, expected {role} once')
    return names.index(name)
