"""Strict reading of TOML written by hand: one clear line for whatever is wrong.

Every mistake, from a stray byte to a wrong unit, becomes a ``BadInput`` whose text is one line,
``FILE:LINE: key.path: found X, expected Y``. Quantities are text with a unit (``"26 psi"``) and
become plain floats in the unit of their class, so nothing past this package thinks about units.
"""

from simulator.strict.document import MAX_DOTS, MAX_LINE, MISSING, Document, Table, decode_toml
from simulator.strict.files import (
    checked_file,
    new_file,
    open_file,
    read_text,
    refuse_taken,
    unusable,
)
from simulator.strict.lines import MAX_DEPTH, KeyPath, Step
from simulator.strict.quantities import (
    UNITS,
    Decoded,
    DegC,
    Degrees,
    Knock,
    Kpa,
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
    MAX_BYTES,
    SHOWN,
    BadInput,
    Mismatch,
    called,
    clean,
    decode_bytes,
    nearest,
    show,
)

__all__ = [
    "MAX_BYTES",
    "MAX_DEPTH",
    "MAX_DOTS",
    "MAX_LINE",
    "MISSING",
    "SHOWN",
    "UNITS",
    "BadInput",
    "Decoded",
    "DegC",
    "Degrees",
    "Document",
    "KeyPath",
    "Knock",
    "Kpa",
    "Mismatch",
    "Ml",
    "MlMin",
    "Percent",
    "Plain",
    "PlainText",
    "Quantity",
    "Rpm",
    "Seconds",
    "Step",
    "Table",
    "Volts",
    "called",
    "checked_file",
    "clean",
    "decode_bytes",
    "decode_toml",
    "nearest",
    "new_file",
    "open_file",
    "read_text",
    "refuse_taken",
    "show",
    "unusable",
]
