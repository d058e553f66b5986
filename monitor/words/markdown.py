"""Markdown: text that is shown as it is, and tables as GitHub's flavour has them."""

import re
from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from simulator.strict import clean

_LONGEST: Final = 2000
# What would be taken for more than itself, in a line's midst.
_SPECIAL: Final = re.compile(r"[\\`*_\[\]<>|~&$@]|(?<=http):|(?<=https):|(?<=www)\.")


def literal(text: str) -> str:
    """Return text that Markdown shows as it is, on one line."""
    return _SPECIAL.sub(r"\\\g<0>", clean(text, _LONGEST))


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[str]:
    """Yield a table's lines, an empty one last; the head is ours, cells are shown literally."""
    for cells in (head, ["---"] * len(head), *rows):
        yield "| " + " | ".join(cell if cells is head else literal(cell) for cell in cells) + " |"
    yield ""
