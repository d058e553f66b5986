"""Text that someone else wrote: bounded, on one line, and one clear error where it's wrong."""

from collections.abc import Sequence
from difflib import SequenceMatcher
from pathlib import Path
from typing import Final

MAX_BYTES: Final = 1_000_000
SHOWN: Final = 60
LONGEST_PATH: Final = 200
NEAREST: Final = 3


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


def fit_for_a_name(text: str) -> str:
    """Return text with an underscore for all that is best left out of a file's name."""
    return "".join(letter if letter.isalnum() else "_" for letter in text) or "_"


def called(path: Path | str) -> str:
    """Return how messages call a file: its path, safe to print and not needlessly cut."""
    return clean(str(path), LONGEST_PATH)


def nearest(name: str, known: Sequence[str], where: str) -> str:
    """Return the known names that are nearest to one that is not known, and where all are listed.

    Args:
        name: What was found.
        known: What there is.
        where: The command that lists all of it.
    """
    return f"{', '.join(nearest_of(name, known))} ({where} lists all {len(known)})"


def nearest_of(name: str, known: Sequence[str]) -> list[str]:
    """Return the few of some names, which may be a stranger's, that are nearest to one."""
    lowered = clean(name).lower()

    def far(one: str) -> float:
        return -SequenceMatcher(None, lowered, clean(one).lower()).ratio()

    return sorted(known, key=far)[:NEAREST]


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


def decode_bytes(raw: bytes, file_name: str) -> str:
    """Return the bytes of a file as text, without a byte order mark.

    Raises:
        BadInput: Over 1 MB, or not UTF-8 (with the line of the first wrong byte).
    """
    name = called(file_name)
    if len(raw) > MAX_BYTES:
        raise BadInput(f"{name}:1: found more than {MAX_BYTES} bytes, expected at most that")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        # The codec counts from behind a byte order mark, where there is one.
        line = error.object.count(b"\n", 0, error.start) + 1
        byte = error.object[error.start]
        raise BadInput(f"{name}:{line}: found byte 0x{byte:02x}, expected UTF-8 text") from None
