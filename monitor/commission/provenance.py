"""Numbers put into a rig's text in place, where each comes from said behind it."""

import re
import tomllib
from typing import Final

from monitor.commission.rig_text import ASKED, DEFAULT
from simulator.rig.toml_places import Places, put
from simulator.strict import KeyPath, key_of

# What an earlier fit or sweep said; everything else behind a number is somebody's remark.
_BEFORE: Final = re.compile(r"(?:^|; )(?:fit|sweep) [0-9]{4}-[0-9]{2}-[0-9]{2} of .*$")
_DRAFTED: Final = re.compile(rf"(?:^|; )(?:{DEFAULT}|{ASKED}|log(?:: [^;]*)?)$")


def is_guess(text: str, path: KeyPath) -> bool:
    """Return whether a number stands as ``flowdebt draft`` guessed it, by the remark behind it.

    Args:
        text: TOML.
        path: A key of it.
    """
    place = Places(text).values.get(path)
    if place is None:
        return False
    behind = text[place[1] :].partition("\n")[0].strip()
    said = _DRAFTED.search(behind.lstrip("#").strip()) if behind.startswith("#") else None
    return said is not None and not said[0].endswith(ASKED)


def put_with_origin(text: str, path: KeyPath, value: str | float, origin: str) -> str:
    """Return a rig's text with a number put in, and its origin as the remark behind it.

    What a person wrote there stays in front of it; what ``flowdebt draft``, an earlier fit or a
    sweep said of the number's origin goes. Within braces, where no remark may stand, it stands
    above the line.

    Args:
        text: TOML.
        path: The key.
        value: The number, or a quantity with its unit.
        origin: One line.
    """
    text = put(text, path, value)
    start, end = Places(text).values[path]
    last = text.find("\n", end)
    last = len(text) if last < 0 else last
    last -= text[last - 1 : last] == "\r"
    behind = text[end:last].strip()
    if behind and behind[0] != "#":
        return _above(text, start, path, origin)
    said = behind.lstrip("#").strip()
    for pattern in (_BEFORE, _DRAFTED):
        said = pattern.sub("", said)
    return f"{text[:end]}  # {'; '.join(part for part in (said, origin) if part)}{text[last:]}"


def _above(text: str, start: int, path: KeyPath, origin: str) -> str:
    first = text.rfind("\n", 0, start) + 1
    line = f"# {key_of(path)}: {origin}"
    lines = text[:first].split("\n")
    before = re.compile(rf"# {re.escape(key_of(path))}: (?:fit|sweep) [0-9-]{{10}} of ")
    kept = [one for one in lines if not before.match(one)]
    kept.insert(len(kept) - 1, line + "\r" * ("\r\n" in text))
    new = "\n".join(kept) + text[first:]
    # A text that is odd enough for the remark to break it does without.
    return new if _same(new, text) else text


def _same(one: str, other: str) -> bool:
    try:
        return tomllib.loads(one) == tomllib.loads(other)
    except tomllib.TOMLDecodeError:
        return False
