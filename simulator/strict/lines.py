"""On which line each key of a TOML text stands."""

import re
import tomllib
from typing import Final

Step = str | int
KeyPath = tuple[Step, ...]
Span = tuple[int, int]

MAX_DEPTH: Final = 16
_STRING: Final = re.compile(
    r'"""(?:\\.|[^\\])*?""""{0,2}'
    r"|'''.*?''''{0,2}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
BARE: Final = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR: Final = re.compile(r"[^,\]}\n#]+")
_BLANK: Final = re.compile(r"[ \t]*")
_GAP: Final = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")


def key_of(path: KeyPath) -> str:
    """Return a key path as people write it: ``spray.nozzles[0].count``."""
    return "".join(f"[{s}]" if isinstance(s, int) else f".{s}" for s in path).lstrip(".")


class Lines:
    """Where each key of a TOML text stands. Trusts that tomllib accepted the text.

    Attributes:
        lines: From key path to line, counted from 1.
    """

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

    def _note(self, path: KeyPath, line: int, written: Span = (0, 0)) -> None:
        # Deeper than any file of ours, and the tuples alone would fill the memory.
        if len(path) <= MAX_DEPTH:
            self.lines.setdefault(path, line)

    def _key(self) -> list[tuple[str, Span]]:
        parts: list[tuple[str, Span]] = []
        while True:
            start = self._skip(_BLANK)
            quoted = self.text[start] in "\"'"
            end = self._skip(_STRING if quoted else BARE)
            text = self.text[start:end]
            parts.append((tomllib.loads(f"k={text}")["k"] if quoted else text, (start, end)))
            if self.text[self._skip(_BLANK)] != ".":
                return parts
            self.pos += 1

    def _open(self, key: list[tuple[str, Span]], double: bool, line: int) -> KeyPath:
        path: KeyPath = ()
        for index, (part, written) in enumerate(key):
            path += (part,)
            self._note(path, line, written)
            if double and index == len(key) - 1:
                self.arrays[path] = self.arrays.get(path, -1) + 1
            if path in self.arrays:
                path += (self.arrays[path],)
        if len(path) <= MAX_DEPTH:
            self.lines[path] = line  # the table's own header beats an earlier [parent.child]
        return path

    def _pair(self, table: KeyPath) -> KeyPath:
        line = self._here()
        path = table
        for part, written in self._key():
            path += (part,)
            self._note(path, line, written)
        self.pos += 1  # the equals sign
        self._value(path)
        return path

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
