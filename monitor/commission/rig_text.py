"""A rig's text in the making: values put in, tables taken out, the origin behind each number."""

import re
import tomllib
from typing import Any, Final

from simulator.rig.toml_places import Places, put, remarks_above
from simulator.strict import KeyPath, key_of

DEFAULT: Final = "default"
ASKED: Final = "asked"
TO_DO: Final = "# TO DO: "
_IN_REMARK: Final = re.compile(r"\n# \[([A-Za-z0-9_.-]+)\]")
_HEADER: Final = re.compile(r"^\[{1,2}([A-Za-z0-9_.-]+)\]{1,2}", re.MULTILINE)


class RigText:
    """A rig's text, with what is known of where its numbers come from.

    Args:
        text: A rig in TOML, a table a block, as the shipped ones are.

    Attributes:
        toml: As it is now.
        to_do: Keys that somebody must still decide: what is said of them above the key.
    """

    def __init__(self, text: str) -> None:
        self.toml = text
        self.to_do: dict[KeyPath, str] = {}
        self._origins: dict[KeyPath, str] = {}

    def raw(self, *path: str | int) -> Any:
        """Return a key's value as TOML has it; None where it isn't there."""
        value: Any = tomllib.loads(self.toml)
        for step in path:
            try:
                value = value[step]
            except (KeyError, IndexError):
                return None
        return value

    def put(self, path: KeyPath, value: Any, origin: str = DEFAULT, to_do: str = "") -> None:
        """Put a value in.

        Args:
            path: The key.
            value: As ``toml_places.put`` takes it.
            origin: Where it comes from, in a few words; empty where that goes without saying.
            to_do: What is said of it above the key, where somebody must still decide it.
        """
        self.toml = put(self.toml, path, value)
        self.note(path, origin, to_do)

    def note(self, path: KeyPath, origin: str, to_do: str = "") -> None:
        """Note where a value that stands there already comes from; see ``put``."""
        self._origins[path] = origin
        self.to_do.pop(path, None)
        if to_do:
            self.to_do[path] = to_do

    def origin(self, path: KeyPath) -> str:
        """Return where a value comes from."""
        return self._origins.get(path, DEFAULT)

    def cut(self, path: KeyPath) -> None:
        """Take a key out, with the line it stands in."""
        pair = Places(self.toml).pairs.get(path)
        if pair is not None:
            first = self.toml.rfind("\n", 0, pair[0]) + 1
            last = self.toml.find("\n", pair[1]) + 1 or len(self.toml)
            self.toml = self.toml[:first] + self.toml[last:]

    def blocks(self) -> dict[str, tuple[int, int]]:
        """Return where each table stands, the remarks right above it included, by its name."""
        headers = list(_HEADER.finditer(self.toml))
        starts = [remarks_above(self.toml, header.start()) for header in headers]
        ends = [*starts[1:], len(self.toml)]
        return {header[1]: (a, b) for header, a, b in zip(headers, starts, ends, strict=True)}

    def drop(self, *tables: str) -> None:
        """Take tables out, with the remarks right above them."""
        for table in tables:
            place = self.blocks().get(table)
            if place is not None:
                self.toml = self.toml[: place[0]] + self.toml[place[1] :]

    def replace(self, table: str, block: str) -> None:
        """Put another text in place of a table's; at the end where there is none."""
        start, end = self.blocks().get(table, (len(self.toml), len(self.toml)))
        gap = "" if start == 0 or self.toml[:start].endswith("\n\n") else "\n"
        self.toml = f"{self.toml[:start]}{gap}{block.rstrip()}\n\n{self.toml[end:].lstrip()}"

    def finished(self) -> str:
        """Return the text with each number's origin behind it, and what is to do above it."""
        places = Places(self.toml)
        text = self.toml
        for path, (start, end) in sorted(places.pairs.items(), key=lambda item: -item[1][0]):
            if path == ("name",) or path[:-1] not in places.headers:
                continue
            last = text.find("\n", end)
            last = len(text) if last < 0 else last
            said = text[end:last].strip().lstrip("#").strip()
            origin = self._origins.get(path, DEFAULT)
            told = "; ".join(part for part in (said, origin) if part)
            text = f"{text[:end]}{'  # ' if told else ''}{told}{text[last:]}"
            if path in self.to_do:
                first = text.rfind("\n", 0, start) + 1
                text = f"{text[:first]}{TO_DO}{self.to_do[path]}\n{text[first:]}"
        return text.rstrip() + "\n"


def left_to_do(text: str) -> list[str]:
    """Return the keys, or the tables in remarks, above which a mark says: somebody must decide.

    Args:
        text: A rig in TOML.
    """
    starts = sorted((start, path) for path, (start, _) in Places(text).pairs.items())
    found = []
    for mark in re.finditer(f"^{TO_DO}.*$", text, re.MULTILINE):
        remark = _IN_REMARK.match(text, mark.end())
        below = (key_of(path) for start, path in starts if start > mark.end())
        found.append(remark[1] if remark else next(below, ""))
    return found
