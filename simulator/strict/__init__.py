"""Strict reading of TOML written by hand: one clear line for whatever is wrong.

Every mistake, from a stray byte to a wrong unit, becomes a ``BadInput`` whose text is one line,
``FILE:LINE: key.path: found X, expected Y``. Quantities are text with a unit (``"26 psi"``) and
become plain floats in the unit of their class, so nothing past this package thinks about units.
"""

from simulator.strict.document import MISSING, Document, Table
from simulator.strict.files import (
    checked_file,
    ending_of,
    new_file,
    open_file,
    read_text,
    refuse_taken,
    replace_text,
    unusable,
    write_whole,
)
from simulator.strict.lines import KeyPath, key_of
from simulator.strict.quantities import (
    UNITS,
    Decoded,
    DegC,
    Degrees,
    Kg,
    Knock,
    Kpa,
    Kw,
    Ml,
    MlMin,
    Percent,
    Plain,
    PlainText,
    Quantity,
    Rpm,
    Seconds,
    Volts,
)
from simulator.strict.text import (
    BadInput,
    Mismatch,
    called,
    clean,
    decode_bytes,
    nearest,
    show,
)

__all__ = [
    "MISSING",
    "UNITS",
    "BadInput",
    "Decoded",
    "DegC",
    "Degrees",
    "Document",
    "KeyPath",
    "Kg",
    "Knock",
    "Kpa",
    "Kw",
    "Mismatch",
    "Ml",
    "MlMin",
    "Percent",
    "Plain",
    "PlainText",
    "Quantity",
    "Rpm",
    "Seconds",
    "Table",
    "Volts",
    "called",
    "checked_file",
    "clean",
    "decode_bytes",
    "ending_of",
    "key_of",
    "nearest",
    "new_file",
    "open_file",
    "read_text",
    "refuse_taken",
    "replace_text",
    "show",
    "unusable",
    "write_whole",
]
