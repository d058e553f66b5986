"""A log's own row of units, held against the rig's: units that contradict are never guessed at."""

import re
from collections.abc import Iterator, Sequence
from math import isclose
from typing import Final

from monitor.sources.lines.columns import Columns
from rules.channels import ROW_NAMES, ROW_WIDTH
from simulator.strict import UNITS, BadInput, Quantity, Seconds, clean

# How loggers write what UNITS spells otherwise, in lower case.
_SPELLINGS: Final = {
    **{"deg c": "degC", "° c": "degC", "celsius": "degC"},
    **{"deg f": "degF", "° f": "degF", "fahrenheit": "degF", "kelvin": "K"},
    **{"sec": "s", "seconds": "s", "msec": "ms", "usec": "us"},
    **{"kmh": "km/h", "km h": "km/h", "n.m": "Nm", "n-m": "Nm", "lb.ft": "lb ft", "bhp": "hp"},
    **{"volt": "V", "volts": "V", "degree": "deg", "degrees": "deg", "pct": "%"},
}
# These mean a unit only where the column's kind has it: elsewhere they may be anything.
_BY_KIND: Final = {
    "temperature": {"c": "degC", "f": "degF", "°": ""},
    "angle": {"°": "deg"},
    "knock": {"°": "deg"},
}
# Units of what no channel here holds, in lower case: they tell a row of units.
_OTHERS: Final = frozenset(
    {
        *("m/s2", "m/s\N{SUPERSCRIPT TWO}", "g", "deg/s", "hz", "khz"),
        *("kg/h", "g/s", "g/h", "lb/min", "mg", "mg/stk", "mg/str", "mg/cyl", "kg", "lb"),
        *("a", "ma", "ohm", "kohm", "m", "mm", "km", "mi", "ft", "l/100km", "mpg"),
        *("bit", "bits", "count", "counts", "step", "steps", "raw"),
    }
)
_AMBIGUOUS: Final = frozenset(word for words in _BY_KIND.values() for word in words)
# A pressure's unit, and whether it is absolute or gauge: "psia", "kPa abs", "bar(g)".
_PRESSURE: Final = re.compile(
    r"(kpa|psi|m?bar|hpa|mpa|inhg|mmhg)[ _.]?\(?(a|abs|absolute|g|gauge)\)?", re.IGNORECASE
)
_BRACKETED: Final = re.compile(r".*[\[(]([^\[\]()]{1,24})[\])]\s*")
_KNOWN: Final = {unit for units in UNITS.values() for unit in units if unit not in {"", "1"}}
# Case says nothing in a unit of two letters or more, since none differs from another by it alone.
_BY_CASE: Final = {unit.lower(): unit for unit in sorted(_KNOWN) if len(unit) > 1}


def check_units(names: Sequence[str], words: Sequence[str], columns: Columns, where: str) -> None:
    """Check the units a log says itself: in a row under its header, or with its columns.

    Spellings that aren't known are passed over, as are units that mean the same (cc/min, mL/min).

    Args:
        names: The header's fields.
        words: The row's fields.
        columns: Where the header's columns go; its rig says what unit each is in.
        where: How messages call the row.

    Raises:
        BadInput: A mapped column's unit is a known one, and another than the rig's.
    """
    for index, kind, unit, role in _wanted(columns):
        word = words[index] if index < len(words) else ""
        stated = stated_unit(names[index], word)
        # A name is loose with units: "Flow [cc]" may well be a minute's.
        if word or known_unit(stated, kind.KIND) in UNITS[kind.KIND]:
            _check(names[index], stated, kind, unit, f"{where}: ", role)
            _check_absolute(names[index], stated, columns, index, f"{where}: ")


def are_units(words: Sequence[str], columns: Columns) -> bool:
    """Whether at least half of the mapped columns' fields in a row are known units."""
    wanted = list(_wanted(columns))
    known = [
        index < len(words) and known_unit(words[index], kind.KIND) is not None
        for index, kind, _, _ in wanted
    ]
    return 2 * sum(known) >= len(wanted) > 0


def _wanted(columns: Columns) -> Iterator[tuple[int, type[Quantity], str, str]]:
    rig_file = columns.rig_file
    if columns.time_index >= 0 and rig_file.time.unit in UNITS[Seconds.KIND]:
        yield columns.time_index, Seconds, rig_file.time.unit, "[time]"
    for index, place, _, _ in columns.picks:
        yield index, *columns.meaning(place)


def known_unit(cell: str, kind: str) -> str | None:
    """Return the unit a cell names, as ``UNITS`` spells it; None where that isn't known.

    Args:
        cell: Text such as "kPa", "[psi]" or "\N{DEGREE SIGN}C".
        kind: Kind of quantity of the cell's column, a key of ``UNITS``.
    """
    text = _bare(cell)
    # Look-alikes of the micro and degree signs.
    text = text.replace("\N{GREEK SMALL LETTER MU}", "\N{MICRO SIGN}")
    text = text.replace("\N{MASCULINE ORDINAL INDICATOR}", "\N{DEGREE SIGN}")
    pressure = _PRESSURE.fullmatch(text)
    text = pressure[1] if pressure else text
    lower = text.lower()
    if lower in _AMBIGUOUS:
        return _BY_KIND.get(kind, {}).get(lower) or None
    if text in _KNOWN:
        return text
    return _SPELLINGS.get(lower) or _BY_CASE.get(lower)


def stated_unit(name: str, word: str) -> str:
    """Return the unit a log states for a column, as written; empty where it states none.

    Args:
        name: The column, perhaps with its unit in brackets: "Boost [kPa]".
        word: What stands under it in a row of units; empty where there is no such row.
    """
    bracketed = _BRACKETED.fullmatch(name)
    if word or bracketed is None or not is_unit(bracketed[1]):
        return word
    return bracketed[1].strip()


def is_unit(cell: str) -> bool:
    """Whether a cell names a unit, of whatever a car's log may hold."""
    if _bare(cell).lower() in _OTHERS:
        return True
    return any(known_unit(cell, kind) is not None for kind in ("", *_BY_KIND))


def _check(name: str, word: str, kind: type[Quantity], unit: str, where: str, role: str) -> None:
    found = known_unit(word, kind.KIND)
    if found is None or (found in UNITS[kind.KIND] and _same(kind, found, unit)):
        return
    column, cell = clean(name, 24), clean(word, 24)
    raise BadInput(
        f'{where}{column}: found unit "{cell}", expected "{unit}" as the rig says in {role} '
        "(one of the two is wrong)"
    )


def _check_absolute(name: str, word: str, columns: Columns, index: int, where: str) -> None:
    says = says_absolute(word)
    for place in (pick[1] for pick in columns.picks if pick[0] == index and pick[1] < ROW_WIDTH):
        channel = ROW_NAMES[place]
        is_absolute = columns.rig_file.columns[channel].offset != 0.0  # what is taken off
        if says is not None and says != is_absolute:
            found, other = ("absolute", "gauge") if says else ("gauge", "absolute")
            raise BadInput(
                f'{where}{clean(name, 24)}: found {found} pressure "{clean(word, 24)}", expected '
                f"{other} as the rig says in [channels.{channel}] (one of the two is wrong)"
            )


def says_absolute(cell: str) -> bool | None:
    """Whether a pressure's unit says absolute ("psia", "kPa abs") or gauge; None where neither."""
    pressure = _PRESSURE.fullmatch(_bare(cell))
    return None if pressure is None else pressure[2][0] in "aA"


def _bare(cell: str) -> str:
    """Return a cell's text without blanks and brackets around it."""
    return cell.strip().strip("[](){}<>").strip()


def _same(kind: type[Quantity], found: str, unit: str) -> bool:
    pairs = zip(kind.linear(found), kind.linear(unit), strict=True)
    return all(isclose(a, b, rel_tol=1e-9, abs_tol=1e-12) for a, b in pairs)
