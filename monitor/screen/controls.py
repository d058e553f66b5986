"""What can be done from the keyboard, in one table: bindings, footer, help and palette read it."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

from textual.binding import Binding, BindingType

# Textual's long names of keys that write something, beside those with an underscore.
_WRITING: Final = frozenset({"space", "comma", "minus", "plus", "slash", "colon", "semicolon"})
NEVER: Final = 1000  # rank of a control that the footer leaves out


@dataclass(frozen=True, slots=True)
class Control:
    """One thing that a person can do.

    Attributes:
        keys: Textual's names of the keys that do it, with commas between; none where several
            controls stand in footer and help as one.
        shown: The keys as people read them; the footer shows the first.
        action: Textual's name of what is done, with its arguments.
        word: For the footer; the application may say a better one at the moment. Empty: only the
            finder has it.
        help: For help and palette: one clause.
        rank: Place in the footer, the lowest first; ``NEVER`` is not there.
        asks: Whether it is also offered in the palette.
    """

    keys: str
    shown: str
    action: str
    word: str
    help: str
    rank: int = NEVER
    asks: bool = True


def bindings(controls: Iterable[Control]) -> list[BindingType]:
    """Return Textual's bindings.

    A key that no text can be written with takes precedence over whatever has the focus; any other
    is a letter where something is being typed.
    """
    return [
        Binding(key, one.action, one.word, priority=not _writes(key))
        for one in controls
        for key in one.keys.split(",")
        if key
    ]


def _writes(key: str) -> bool:
    return len(key) == 1 or "_" in key or key in _WRITING


def offers(controls: Iterable[Control], words: dict[str, str], *, footer: bool) -> list[Control]:
    """Return what is offered, in the footer's order or in the table's, as it stands now.

    Args:
        controls: The table.
        words: Better words by action; an empty word takes the control out.
        footer: Whether for the footer, which leaves some out.
    """
    found = [one for one in controls if words.get(one.action, one.word)]
    if footer:
        found = sorted((one for one in found if one.rank != NEVER), key=lambda one: one.rank)
    return [
        replace(
            one,
            shown=one.shown.partition(",")[0] if footer else one.shown,
            word=words.get(one.action, one.word),
        )
        for one in found
    ]
