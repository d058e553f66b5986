"""Keys of a rig file that have another name now: refused where one is written, read in a session.

A session brings the rig it was decided with, in the words of its day, and must decide the same.
"""

import re
from collections.abc import Mapping
from typing import Final

from simulator.strict import Document
from simulator.strict.lines import KeyPath, Lines

RENAMED: Final[Mapping[KeyPath, str]] = {
    ("debt", "timing"): "delay_tolerance",
    ("fault_timing",): "fault_intervals",
}


def refuse_old_names(document: Document) -> None:
    """Refuse a rig that uses a key's old name.

    Raises:
        BadInput: It does; the message says the new one.
    """
    for path, name in RENAMED.items():
        if document.raw(path) is not None:
            raise document.wrong(path, f'"{name}"', "an old name")


def with_new_names(text: str) -> str:
    """Return a rig's text with every key by its name of today; nothing else changes."""
    rows = text.split("\n")
    for path, line in Lines(text).lines.items():
        for old, name in RENAMED.items():
            if path[: len(old)] == old and line <= len(rows):
                word = rf"(?<![\w-]){re.escape(str(old[-1]))}(?=[\"']?\s*[=.\]])"
                rows[line - 1] = re.sub(word, name, rows[line - 1], count=1)
    return "\n".join(rows)
