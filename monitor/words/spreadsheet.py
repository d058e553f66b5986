"""Text for a cell of a spreadsheet."""

from typing import Final

from simulator.strict import clean

_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")  # what a spreadsheet would work out
_LONGEST: Final = 200


def cell(text: str) -> str:
    """Return text that stays text: bounded, and no formula whoever wrote it."""
    plain = clean(text, _LONGEST)
    return f"'{plain}" if plain.startswith(_FORMULA) else plain
