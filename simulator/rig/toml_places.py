"""Where in a rig's text each value stands, and putting another in its place."""

import json
import tomllib
from typing import Any

from simulator.strict import KeyPath
from simulator.strict.lines import BARE, Lines, Span


class Places(Lines):
    """Where the values of a TOML text stand. Trusts that tomllib accepted the text.

    Attributes:
        values: From key path to where its value begins, and behind its end.
        names: From key path to each place where its last part is written.
        pairs: From key path to where its key begins, and behind its value.
        ends: From a table's path to behind its last value, or behind its header where it has none.
        headers: Tables with a header of their own.
        dotted: From a table that has none to the last line that gives a key of it: behind its
            value, and the key as it is written there, without its last part.
    """

    def __init__(self, text: str) -> None:
        self.values: dict[KeyPath, Span] = {}
        self.names: dict[KeyPath, list[Span]] = {}
        self.pairs: dict[KeyPath, Span] = {}
        self.ends: dict[KeyPath, int] = {}
        self.headers: set[KeyPath] = set()
        self.dotted: dict[KeyPath, tuple[int, str]] = {}
        super().__init__(text)

    def _note(self, path: KeyPath, line: int, written: Span = (0, 0)) -> None:
        super()._note(path, line, written)
        if written[1]:
            self.names.setdefault(path, []).append(written)

    def _open(self, key: list[tuple[str, Span]], double: bool, line: int) -> KeyPath:
        path = super()._open(key, double, line)
        self.ends[path] = self.pos + 1 + double
        self.headers.add(path)
        return path

    def _pair(self, table: KeyPath) -> KeyPath:
        start = self.pos
        path = super()._pair(table)
        text = self.text[start : self.pos]
        self.ends[table] = self.pos - (len(text) - len(text.rstrip()))
        self.pairs[path] = (start, self.ends[table])
        name, _, _ = text.partition("=")
        if "." in name and not set(name) & set("\"'"):
            parts = [part.strip() for part in name.split(".")]
            for count in range(1, len(parts)):
                given = ".".join(parts[:count])
                self.dotted[(*table, *parts[:count])] = (self.ends[table], given)
        return path

    def _value(self, path: KeyPath) -> None:
        while self.text[self.pos] in " \t":
            self.pos += 1
        start = self.pos
        super()._value(path)
        end = start + len(self.text[start : self.pos].rstrip())
        self.values[path] = (start, end)


def as_toml(value: Any) -> str:
    """Return a value (text, number, bool, list of these) as TOML writes it."""
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return f"[{', '.join(as_toml(item) for item in value)}]"
    return repr(value)


def put(text: str, path: KeyPath, value: Any) -> str:
    """Return a TOML text with a key's value put in; everything else stays as it is.

    A key that is not there yet comes behind the last one of its table; a table that is not there
    yet comes at the end.

    Args:
        text: TOML that tomllib accepts.
        path: The key; a list's item only where it is there.
        value: As ``as_toml`` takes it.
    """
    places = Places(text)
    if path in places.values:
        if isinstance(value, list) and value and _items(places, path) == len(value):
            for at, item in enumerate(value):  # one by one: lines and remarks in the list stay
                text = put(text, (*path, at), item)
            return text
        start, end = places.values[path]
        if tomllib.loads(f"k = {text[start:end]}")["k"] == value:
            return text
        return text[:start] + as_toml(value) + text[end:]
    line_end = "\r\n" if "\r\n" in text else "\n"
    table, key = path[:-1], str(path[-1])
    line = f"{key if BARE.fullmatch(key) else as_toml(key)} = {as_toml(value)}"
    if table in places.headers:
        return behind_line(text, places.ends[table], line, line_end)
    if table in places.dotted:
        at, given = places.dotted[table]
        return behind_line(text, at, f"{given}.{line}", line_end)
    if table in places.ends:  # a table within braces
        at = places.ends[table]
        return f"{text[:at]}, {line}{text[at:]}"
    header = ".".join(str(part) for part in table)
    body = text if not text or text.endswith("\n") else text + line_end
    return f"{body}{line_end}[{header}]{line_end}{line}{line_end}"


def _items(places: Places, path: KeyPath) -> int:
    return sum(other[:-1] == path for other in places.values)


def behind_line(text: str, at: int, line: str, line_end: str) -> str:
    """Return the text with another line behind the one that a place is in."""
    end = text.find("\n", at)
    if end < 0:
        return f"{text}{line_end}{line}{line_end}"
    return f"{text[: end + 1]}{line}{line_end}{text[end + 1 :]}"


def remarks_above(text: str, first: int) -> int:
    """Return where the remarks begin that stand right above a line.

    Args:
        text: TOML.
        first: Where the line begins.
    """
    while first:
        before = text.rfind("\n", 0, first - 1) + 1
        if not text[before:first].lstrip().startswith("#"):
            break
        first = before
    return first
