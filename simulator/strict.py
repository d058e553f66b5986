"""Strict reading of TOML written by hand: one clear line for whatever is wrong.

Every mistake, from a stray byte to a wrong unit, becomes a ``BadInput`` whose text is one line,
``FILE:LINE: key.path: found X, expected Y``. Quantities are text with a unit (``"26 psi"``) and
become plain floats in the unit of their class, so nothing past this file thinks about units.
"""

import difflib
import re
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from math import isfinite
from pathlib import Path
from typing import Any, ClassVar, Final, Self, TypeVar, cast

import msgspec
from msgspec import inspect as shape

MAX_BYTES: Final = 1_000_000
MAX_LINE: Final = 4_096
# tomllib's time and memory for one dotted key grow with the square of its parts: 1 MB of such keys
# took 3.8 GB and 19 s.
MAX_DOTS: Final = 100
MAX_DEPTH: Final = 16
SHOWN: Final = 60

T = TypeVar("T")
Step = str | int
KeyPath = tuple[Step, ...]


class BadInput(Exception):
    """What a person gave can't be used; the text is one line that says where and why."""


class Mismatch(ValueError):
    """A value isn't what its key wants; the document adds file, line and key.

    Args:
        expected: What would have been right.
        found: What was there, where the bare value doesn't say enough.
    """

    def __init__(self, expected: str, found: str | None = None) -> None:
        super().__init__(expected)
        self.expected = expected
        self.found = found


def clean(text: str, limit: int = SHOWN) -> str:
    """Return ``text`` on one line, with nothing in it that doesn't print, cut at ``limit``."""
    head = text[: 4 * limit]
    kept = "".join(
        char if char.isprintable() else " " for char in head if char.isprintable() or char.isspace()
    )
    return kept if len(kept) <= limit and len(text) <= 4 * limit else kept[: limit - 1] + "…"


def show(value: object) -> str:
    """Return a short, safe description of a value out of a TOML file."""
    match value:
        case None:
            return "nothing"
        case bool():
            return "true" if value else "false"
        case str():
            return f'"{clean(value)}"'
        case int() if abs(value) >= 10**18:
            return "a huge number"
        case int() | float():
            return repr(value)
        case list() | tuple():
            return f"a list of {len(value)}"
        case dict():
            return "a table"
        case _:
            return clean(str(value))


# --------------------------------------------------------------------------- quantities

# What may be written, by kind. A closed list, since pint alone would read "26 mPa" as 0.000026 kPa,
# take "12 deg" for a percentage and mistake F for farad. Values are pint's name where it differs.
UNITS: Final[dict[str, dict[str, str]]] = {
    "pressure": dict.fromkeys(("kPa", "psi", "bar", "mbar", "hPa", "MPa", "inHg", "mmHg"), ""),
    "temperature": {"degC": "", "degF": "", "K": "", "°C": "degC", "°F": "degF"},
    "flow": {
        **dict.fromkeys(("mL/min", "ml/min", "cc/min", "L/min", "l/min", "L/h", "l/h"), ""),
        **dict.fromkeys(("mL/s", "ml/s", "gal/h", "gal/min"), ""),  # US gallons
    },
    "volume": dict.fromkeys(("mL", "ml", "cc", "L", "l", "gal", "qt", "floz"), ""),  # US measures
    "time": dict.fromkeys(("s", "ms", "us", "µs", "min", "h"), ""),
    "voltage": dict.fromkeys(("V", "mV"), ""),
    "percentage": {"%": "percent", "percent": "", "1": "dimensionless"},
    "angle": {"deg": "", "°": "deg"},
    "rotation": {"rpm": "", "1/min": "rpm", "rev/min": "rpm"},
    "plain": {"": "dimensionless", "1": "dimensionless"},
    # Retard in degrees, or whatever intensity the sensor gives: numbers pass as they are.
    "knock": {"deg": "", "V": "deg", "count": "deg"},
}
_QUANTITY: Final = re.compile(r"([+-]?[0-9]{1,12}(?:\.[0-9]{1,12})?(?:[eE][+-]?[0-9]{1,2})?) *(.*)")
# How people write it, where the nearest spelling would mislead.
_HINTS: Final = {"c": "degC", "f": "degF", "kelvin": "K", "sec": "s", "gph": "gal/h", "v": "V"}


def _a(noun: str) -> str:
    return f"an {noun}" if noun[0] in "aeiou" else f"a {noun}"


def _kind_of(unit: str) -> str | None:
    return next((kind for kind, units in UNITS.items() if unit and unit in units), None)


@lru_cache(maxsize=1)
def _registry() -> Any:
    # Late: pint costs 0.17 s to import and its full registry 0.12 s; --help needs neither.
    import pint

    return pint.UnitRegistry()


@lru_cache(maxsize=256)
def _linear(source: str, target: str) -> tuple[float, float]:
    """Return factor and offset with ``target_value = source_value * factor + offset``."""
    if source == target:
        return 1.0, 0.0
    registry = _registry()
    unit_from, unit_to = registry.parse_units(source), registry.parse_units(target)
    if registry.Quantity(1.0, unit_from).check("[temperature]"):
        kelvins = {"degC": 1.0, "K": 1.0}
        for name in (source, target):
            if name not in kelvins:
                kelvins[name] = registry.Quantity(1.0, f"delta_{name}").to("kelvin").magnitude
        factor = kelvins[source] / kelvins[target]
        offset = registry.Quantity(0.0, unit_from).to(unit_to).magnitude
    else:
        factor = registry.Quantity(1.0, unit_from).to(unit_to).magnitude
        offset = 0.0
    # 15 digits take off pint's last-bit noise, so that 2 L is 2000 mL and not 1999.9999999999998.
    return float(f"{factor:.15g}"), float(f"{offset:.13g}")


class Decoded:
    """Mixin of value types that read themselves from a raw TOML value."""

    EXPECTED: ClassVar[str] = ""

    @classmethod
    def from_toml(cls, value: object) -> Self:
        """Return the checked value.

        Raises:
            Mismatch: It isn't what this type wants.
        """
        raise NotImplementedError

    @classmethod
    def wanted(cls) -> str:
        """Say what this type wants, after the word "expected"."""
        return cls.EXPECTED


class PlainText(Decoded, str):
    """Text of 1 to 120 characters with none that could drive a terminal."""

    EXPECTED = "text of 1 to 120 printable characters"

    @classmethod
    def from_toml(cls, value: object) -> Self:
        """Return the text itself."""
        if not isinstance(value, str) or not 1 <= len(value) <= 120 or clean(value, 120) != value:
            raise Mismatch(cls.EXPECTED)
        return cls(value)


class Quantity(Decoded, float):
    """A float in ``UNIT``, written as text with any unit of ``KIND``, within ``LOW`` to ``HIGH``.

    Attributes:
        given_unit: The unit as written; empty for a default that stands in the code.
    """

    KIND: ClassVar[str]
    UNIT: ClassVar[str]
    EXAMPLE: ClassVar[str]
    LOW: ClassVar[float]
    HIGH: ClassVar[float]
    given_unit: str = ""

    @classmethod
    def wanted(cls) -> str:
        """Say which unit, with an example."""
        return f'text with {_a(cls.KIND)} unit such as "{cls.EXAMPLE}"'

    @classmethod
    def linear(cls, unit: str) -> tuple[float, float]:
        """Return factor and offset from ``unit`` to ``UNIT``: ``value * factor + offset``.

        Raises:
            Mismatch: The unit is unknown, or of another kind.
        """
        units = UNITS[cls.KIND]
        if unit in units:
            return _linear(units[unit] or unit, UNITS[cls.KIND][cls.UNIT] or cls.UNIT)
        if (other := _kind_of(unit)) is not None:
            raise Mismatch(cls.wanted(), f'"{unit}" ({_a(other)} unit)')
        by_case = {known.lower(): known for known in units}
        near = difflib.get_close_matches(unit.lower(), by_case, n=1)
        hint = _HINTS.get(unit.lower(), by_case[near[0]] if near else "")
        accepted = ", ".join(known for known in units if known)
        raise Mismatch(
            f"{cls.wanted()} (" + (f"closest: {hint}" if hint in units else accepted) + ")",
            f'unit "{clean(unit)}"' if unit else None,
        )

    @classmethod
    def from_toml(cls, value: object) -> Self:
        """Return the quantity in ``UNIT``.

        Raises:
            Mismatch: Not text, no plain finite number, a wrong unit, or out of range.
        """
        if not isinstance(value, str):
            raise Mismatch(cls.wanted())
        found = _QUANTITY.fullmatch(value.strip(" "))
        if found is None:
            raise Mismatch(cls.wanted() + " (a plain decimal number first)")
        try:
            factor, offset = cls.linear(found[2])
        except Mismatch as error:
            other = _kind_of(found[2])
            note = f"{show(value)} ({_a(other)} unit)" if other else None
            raise Mismatch(error.expected, note) from None
        result = cls(float(found[1]) * factor + offset)
        if not cls.LOW <= result <= cls.HIGH:
            raise Mismatch(f"{cls.LOW:g} to {cls.HIGH:g} {cls.UNIT}")
        result.given_unit = found[2]
        return result


class Kpa(Quantity):
    """Gauge pressure in kPa."""

    KIND, UNIT, EXAMPLE, LOW, HIGH = "pressure", "kPa", "180 kPa", -101.4, 3000.0


class DegC(Quantity):
    """Temperature in degC."""

    KIND, UNIT, EXAMPLE, LOW, HIGH = "temperature", "degC", "35 degC", -60.0, 1200.0


class MlMin(Quantity):
    """Volume flow in mL/min."""

    KIND, UNIT, EXAMPLE, LOW, HIGH = "flow", "mL/min", "550 mL/min", 0.0, 20000.0


class Ml(Quantity):
    """Volume in mL."""

    KIND, UNIT, EXAMPLE, LOW, HIGH = "volume", "mL", "800 mL", 0.0, 200000.0


class Seconds(Quantity):
    """Time span in s."""

    KIND, UNIT, EXAMPLE, LOW, HIGH = "time", "s", "80 ms", 0.0, 1.0e6


class Volts(Quantity):
    """Voltage in V."""

    KIND, UNIT, EXAMPLE, LOW, HIGH = "voltage", "V", "13.5 V", 0.0, 100.0


class Percent(Quantity):
    """Percentage in percent points."""

    KIND, UNIT, EXAMPLE, LOW, HIGH = "percentage", "%", "12 %", -100.0, 1000.0


class Degrees(Quantity):
    """Crank angle in degrees."""

    KIND, UNIT, EXAMPLE, LOW, HIGH = "angle", "deg", "6 deg", -90.0, 90.0


class Rpm(Quantity):
    """Speed of rotation in rpm."""

    KIND, UNIT, EXAMPLE, LOW, HIGH = "rotation", "rpm", "7000 rpm", 0.0, 30000.0


class Plain(Quantity):
    """A ratio written as text, without unit."""

    KIND, UNIT, EXAMPLE, LOW, HIGH = "plain", "1", "0.85", -1.0e6, 1.0e6


class Knock(Quantity):
    """Knock: retard in degrees, or an intensity, in the unit its column has."""

    KIND, UNIT, EXAMPLE, LOW, HIGH = "knock", "deg", "4 deg", 0.0, 1.0e6


# --------------------------------------------------------------------------- key path -> line

_STRING: Final = re.compile(
    r'"""(?:\\.|[^\\])*?""""{0,2}'
    r"|'''.*?''''{0,2}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_BARE: Final = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR: Final = re.compile(r"[^,\]}\n#]+")
_BLANK: Final = re.compile(r"[ \t]*")
_GAP: Final = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")


class _Lines:
    """Where each key of a TOML text stands. Trusts that tomllib accepted the text."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.pos = self.counted = 0
        self.line = 1
        self.lines: dict[KeyPath, int] = {}
        self.arrays: dict[KeyPath, int] = {}
        table: KeyPath = ()
        try:
            while self._skip(_GAP) < len(text):
                if text[self.pos] != "[":
                    self._pair(table)
                    continue
                double = text.startswith("[[", self.pos)
                line = self._here()
                self.pos += 1 + double
                table = self._open(self._key(), double, line)
                self.pos += 1 + double
        except (ValueError, IndexError, RecursionError):
            return  # an error message with a rough line beats none

    def _skip(self, pattern: re.Pattern[str]) -> int:
        found = pattern.match(self.text, self.pos)
        if found is None:
            raise ValueError(self.pos)
        self.pos = found.end()
        return self.pos

    def _here(self) -> int:
        self.line += self.text.count("\n", self.counted, self.pos)
        self.counted = self.pos
        return self.line

    def _note(self, path: KeyPath, line: int) -> None:
        # Deeper than any file of ours, and the tuples alone would fill the memory.
        if len(path) <= MAX_DEPTH:
            self.lines.setdefault(path, line)

    def _key(self) -> tuple[str, ...]:
        parts: list[str] = []
        while True:
            start = self._skip(_BLANK)
            if self.text[start] in "\"'":
                self._skip(_STRING)
                parts.append(tomllib.loads("k=" + self.text[start : self.pos])["k"])
            else:
                parts.append(self.text[start : self._skip(_BARE)])
            if self.text[self._skip(_BLANK)] != ".":
                return tuple(parts)
            self.pos += 1

    def _open(self, key: tuple[str, ...], double: bool, line: int) -> KeyPath:
        path: KeyPath = ()
        for index, part in enumerate(key):
            path += (part,)
            self._note(path, line)
            if double and index == len(key) - 1:
                self.arrays[path] = self.arrays.get(path, -1) + 1
            if path in self.arrays:
                path += (self.arrays[path],)
        if len(path) <= MAX_DEPTH:
            self.lines[path] = line  # the table's own header beats an earlier [parent.child]
        return path

    def _pair(self, table: KeyPath) -> None:
        line = self._here()
        path = table
        for part in self._key():
            path += (part,)
            self._note(path, line)
        self.pos += 1  # the equals sign
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        first = self.text[self._skip(_BLANK)]
        if first in "\"'":
            self._skip(_STRING)
        elif first in "[{":
            self.pos += 1
            index = 0
            while self.text[self._skip(_GAP)] not in "]}":
                if first == "{":
                    self._pair(path)
                else:
                    self._note((*path, index), self._here())
                    self._value((*path, index))
                    index += 1
                if self.text[self._skip(_GAP)] == ",":
                    self.pos += 1
            self.pos += 1
        else:
            self._skip(_SCALAR)


# --------------------------------------------------------------------------- what a type wants


def _options(node: shape.Type) -> tuple[shape.Type, ...]:
    types = node.types if isinstance(node, shape.UnionType) else (node,)
    return tuple(option for option in types if not isinstance(option, shape.NoneType))


def _choices(values: tuple[object, ...]) -> str:
    return " or ".join(show(value) for value in values)


def _step(node: shape.Type, step: Step, raw: object) -> shape.Type | None:
    """Return the type one step down the path, choosing a tagged table by its tag."""
    options = _options(node)
    tables = [option for option in options if isinstance(option, shape.StructType)]
    if tables and tables[0].tag_field is not None:
        if step == tables[0].tag_field:
            return shape.LiteralType(tuple(cast("str", table.tag) for table in tables))
        tag = raw.get(tables[0].tag_field) if isinstance(raw, dict) else None
        tables = [table for table in tables if table.tag == tag]
    for table in tables:
        for field in table.fields:
            if field.encode_name == step:
                return field.type
    for option in options:
        match option:
            case shape.DictType():
                return option.value_type
            case shape.TupleType() if isinstance(step, int) and step < len(option.item_types):
                return option.item_types[step]
            case shape.VarTupleType() | shape.ListType():
                return option.item_type
            case _:
                pass
    return None


def _known(node: shape.Type | None, raw: object) -> list[str]:
    """Return the keys a table may have."""
    keys: list[str] = []
    for option in _options(node) if node is not None else ():
        if isinstance(option, shape.StructType):
            tag = raw.get(option.tag_field) if option.tag_field and isinstance(raw, dict) else None
            if option.tag_field is None or option.tag == tag:
                keys += [field.encode_name for field in option.fields]
                keys += [option.tag_field] if option.tag_field else []
    return keys


def _range(node: shape.IntType | shape.FloatType) -> str:
    words = {"from": node.ge, "above": node.gt, "to": node.le, "below": node.lt}
    return "".join(f" {word} {bound:g}" for word, bound in words.items() if bound is not None)


def _length(low: int | None, high: int | None) -> str:
    if low and high:
        return f" of {low} to {high}"
    return f" of at least {low}" if low else f" of at most {high}" if high else ""


def _describe(node: shape.Type | None) -> str:
    """Say in words what a key wants."""
    match _options(node)[0] if node is not None else None:
        case shape.CustomType(cls=cls) if issubclass(cls, Decoded):
            return cls.wanted()
        case shape.IntType() as whole:
            return "a whole number" + _range(whole)
        case shape.FloatType() as number:
            return "a number" + _range(number)
        case shape.BoolType():
            return "true or false"
        case shape.StrType():
            return "text"
        case shape.LiteralType(values=values):
            return _choices(tuple(values))
        case shape.StructType() | shape.DictType():
            return "a table"
        case shape.TupleType(item_types=items):
            return f"a list of {len(items)}"
        case shape.VarTupleType() | shape.ListType() as many:
            inner = _describe(many.item_type)
            return f"a list{_length(many.min_length, many.max_length)}, each {inner}"
        case _:
            return "another kind of value"


# --------------------------------------------------------------------------- the document


class Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Base of every table in a file of ours: frozen, and unknown keys are errors."""


_WHERE: Final = re.compile(r" - at `(?:key` in `)?\$([^`]*)`$")
_PART: Final = re.compile(r"\.([^.\[\]]+)|\[(\d+)\]")
_AT_LINE: Final = re.compile(r" ?\(at (?:line (\d+), column \d+|end of document)\)$")


def _hook(kind: type, value: object) -> object:
    if issubclass(kind, Decoded):
        return kind.from_toml(value)
    raise NotImplementedError(kind)


@dataclass(frozen=True, slots=True)
class Document:
    """A TOML text that parsed, and the means to say where in it something is wrong.

    Attributes:
        text: The file's text.
        file_name: How messages call the file.
        data: What tomllib made of it.
    """

    text: str
    file_name: str
    data: dict[str, Any]

    @classmethod
    def parse(cls, text: str, file_name: str) -> Self:
        """Parse a TOML text.

        Raises:
            BadInput: Over 1 MB, a line over 4096 characters or 100 dots, not UTF-8, not TOML, or
                a number that isn't finite.
        """
        name = clean(file_name, 200)
        try:
            size = len(text.encode())
        except UnicodeEncodeError as error:
            line = text.count("\n", 0, error.start) + 1
            raise BadInput(f"{name}:{line}: found a lone surrogate, expected UTF-8 text") from None
        if size > MAX_BYTES:
            raise BadInput(f"{name}:1: found {size} bytes, expected at most {MAX_BYTES}")
        lines = text.split("\n")
        for number, content in enumerate(lines, 1):
            if len(content) > MAX_LINE or content.count(".") > MAX_DOTS:
                raise BadInput(
                    f"{name}:{number}: found a line of {len(content)} characters and "
                    f"{content.count('.')} dots, expected at most {MAX_LINE} and {MAX_DOTS}"
                )
        try:
            document = cls(text, file_name, tomllib.loads(text))
        except RecursionError:
            raise BadInput(
                f"{name}:1: found lists or tables nested too deeply, expected a few levels"
            ) from None
        except ValueError as error:
            message = str(error)
            where = _AT_LINE.search(message)
            number = int(where[1]) if where and where[1] else len(lines) if where else 1
            wrong = lines[min(number, len(lines)) - 1].strip()
            reason = clean(_AT_LINE.sub("", message), 120)
            found = show(wrong) if wrong else "the end of the text" if where else "a value"
            raise BadInput(
                f"{name}:{number}: found {found}, expected valid TOML: {reason}"
            ) from None
        document._check_finite()
        return document

    def _check_finite(self) -> None:
        stack: list[tuple[KeyPath, Any]] = [((), self.data)]
        while stack:
            path, value = stack.pop()
            if isinstance(value, dict):
                stack += [((*path, key), inner) for key, inner in value.items()]
            elif isinstance(value, list):
                stack += [((*path, index), inner) for index, inner in enumerate(value)]
            elif isinstance(value, float) and not isfinite(value):
                raise self.wrong(path, "a finite number")

    def raw(self, path: KeyPath) -> object:
        """Return the raw value at ``path``, or None where there is none."""
        value: Any = self.data
        for step in path:
            try:
                value = value[step]
            except (KeyError, IndexError, TypeError):
                return None
        return cast("object", value)

    def line(self, path: KeyPath) -> int:
        """Return the line of ``path``, or of the nearest table around it."""
        lines = _Lines(self.text).lines
        while path and path not in lines:
            path = path[:-1]
        return lines.get(path, 1)

    def wrong(self, path: KeyPath, expected: str, found: str | None = None) -> BadInput:
        """Return the error for a wrong value, for the caller to raise.

        Args:
            path: Keys and list positions, such as ``("spray", "nozzles", 0, "count")``.
            expected: What would have been right.
            found: What was there; the raw value, shortened, unless given.
        """
        shown = "".join(
            f"[{step}]"
            if isinstance(step, int)
            else "." + (step if _BARE.fullmatch(step) and len(step) <= SHOWN else show(step))
            for step in path
        ).lstrip(".")
        return BadInput(
            f"{clean(self.file_name, 200)}:{self.line(path)}: "
            f"{clean(shown, 200) or 'top level'}: "
            f"found {found or show(self.raw(path))}, expected {expected}"
        )

    def decode(self, struct_type: type[T]) -> T:
        """Convert the document to ``struct_type`` (a ``Table``).

        Raises:
            BadInput: Anything missing, unknown, of a wrong type or unit, or out of range.
        """
        try:
            return msgspec.convert(self.data, struct_type, strict=True, dec_hook=_hook)
        except msgspec.ValidationError as error:
            raise self._explain(error, shape.type_info(struct_type)) from None
        except RecursionError:
            raise self.wrong((), "fewer levels") from None

    def _explain(self, error: msgspec.ValidationError, root: shape.Type) -> BadInput:
        message = str(error)
        where = _WHERE.search(message)
        path: KeyPath = ()
        node: shape.Type | None = root
        at = 0
        while where and (part := _PART.match(where[1], at)):
            step: Step = int(part[2]) if part[2] else part[1]
            node = _step(node, step, self.raw(path)) if node is not None else None
            path, at = (*path, step), part.end()
        if isinstance(error.__cause__, Mismatch):
            return self.wrong(path, error.__cause__.expected, error.__cause__.found)
        raw = self.raw(path)
        if message.startswith("Object contains unknown field"):
            known = _known(node, raw)
            unknown = (
                next((key for key in raw if key not in known), "?")
                if isinstance(raw, dict)
                else "?"
            )
            near = difflib.get_close_matches(unknown, known, n=1)
            expected = f'"{near[0]}"' if near else "one of " + ", ".join(known)
            return self.wrong((*path, unknown), expected, "an unknown key")
        if missing := re.match(r"Object missing required field `([^`]*)`", message):
            inner = _step(node, missing[1], raw) if node is not None else None
            return self.wrong((*path, missing[1]), _describe(inner), "no such key")
        return self.wrong(path, _describe(node))


def decode_toml(text: str, struct_type: type[T], file_name: str) -> T:
    """Decode a TOML text strictly into ``struct_type``.

    Args:
        text: The file's text, at most 1 MB.
        struct_type: A ``Table``.
        file_name: How messages call the file.

    Raises:
        BadInput: With one line that says where and what is wrong.
    """
    return Document.parse(text, file_name).decode(struct_type)


def decode_bytes(raw: bytes, file_name: str) -> str:
    """Return the bytes of a file as text, without a byte order mark.

    Raises:
        BadInput: Over 1 MB, or not UTF-8 (with the line of the first wrong byte).
    """
    name = clean(file_name, 200)
    if len(raw) > MAX_BYTES:
        raise BadInput(f"{name}:1: found more than {MAX_BYTES} bytes, expected at most that")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        # The codec counts from behind a byte order mark, where there is one.
        line = error.object.count(b"\n", 0, error.start) + 1
        byte = error.object[error.start]
        raise BadInput(f"{name}:{line}: found byte 0x{byte:02x}, expected UTF-8 text") from None


def read_text(path: Path) -> str:
    """Return a file's text, at most 1 MB of UTF-8.

    Raises:
        BadInput: Missing, unreadable, not a regular file, too large, or not UTF-8.
    """
    name = clean(str(path), 200)
    try:
        if path.exists() and not path.is_file():
            kind = "a directory" if path.is_dir() else "no regular file"
            raise BadInput(f"{name}: found {kind}, expected a readable TOML file")
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise BadInput(
            f"{name}: found {clean(reason).lower()}, expected a readable TOML file"
        ) from None
    return decode_bytes(raw, str(path))
