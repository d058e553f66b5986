"""A TOML document, decoded strictly, with one line of complaint for whatever is wrong in it."""

import difflib
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite
from typing import Any, Final, Self, TypeVar, cast

import msgspec
from msgspec import inspect as shape

from simulator.strict.lines import BARE, KeyPath, Lines, Step
from simulator.strict.quantities import Decoded
from simulator.strict.text import MAX_BYTES, SHOWN, BadInput, Mismatch, called, clean, show
from simulator.strict.wants import describe, known_keys, step_into

MAX_LINE: Final = 4_096
# tomllib's time and memory for one dotted key grow with the square of its parts: 1 MB of such keys
# took 3.8 GB and 19 s.
MAX_DOTS: Final = 100
MISSING: Final = "missing"

T = TypeVar("T")


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
        origins: Of a key or table that ``data`` has and the text has elsewhere: where.
    """

    text: str
    file_name: str
    data: dict[str, Any]
    origins: Mapping[KeyPath, KeyPath] = field(default_factory=dict)

    @classmethod
    def parse(cls, text: str, file_name: str) -> Self:
        """Parse a TOML text.

        Raises:
            BadInput: Over 1 MB, a line over 4096 characters or 100 dots, not UTF-8, not TOML, or
                a number that isn't finite.
        """
        name = called(file_name)
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
        lines = Lines(self.text).lines
        while path and self.origins.get(path, path) not in lines:
            path = path[:-1]
        return lines.get(self.origins.get(path, path), 1)

    def wrong(self, path: KeyPath, expected: str, found: str | None = None) -> BadInput:
        """Return the error for a wrong value, for the caller to raise.

        Args:
            path: Keys and list positions, such as ``("spray", "nozzles", 0, "count")``.
            expected: What would have been right.
            found: What was there; the raw value, shortened, unless given; ``MISSING`` where
                there should be something.
        """
        shown = "".join(
            f"[{step}]"
            if isinstance(step, int)
            else "." + (step if BARE.fullmatch(step) and len(step) <= SHOWN else show(step))
            for step in path
        ).lstrip(".")
        what = MISSING if found == MISSING else f"found {found or show(self.raw(path))}"
        return BadInput(
            f"{called(self.file_name)}:{self.line(path)}: "
            f"{clean(shown, 200) or 'top level'}: "
            f"{what}, expected {expected}"
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
            node = step_into(node, step, self.raw(path)) if node is not None else None
            path, at = (*path, step), part.end()
        if isinstance(error.__cause__, Mismatch):
            return self.wrong(path, error.__cause__.expected, error.__cause__.found)
        raw = self.raw(path)
        if message.startswith("Object contains unknown field"):
            known = known_keys(node, raw)
            keys = raw if isinstance(raw, dict) else {}
            unknown = next((key for key in keys if key not in known), "?")
            near = difflib.get_close_matches(unknown, known, n=1)
            expected = f'"{near[0]}"' if near else "one of " + ", ".join(known)
            return self.wrong((*path, unknown), expected, "an unknown key")
        if missing := re.match(r"Object missing required field `([^`]*)`", message):
            inner = step_into(node, missing[1], raw) if node is not None else None
            return self.wrong((*path, missing[1]), describe(inner), MISSING)
        return self.wrong(path, describe(node))
