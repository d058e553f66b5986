"""Thresholds changed to see what would have been: the edits, and what they make different."""

import re
from dataclasses import dataclass, field
from typing import Final

from monitor.review.compare import Difference
from monitor.review.edit import Value
from simulator.strict import BadInput, called

MOST_UNDONE: Final = 100
LONGEST_SHOWN: Final = 60
_BARE: Final = re.compile(r"[+-]?[0-9]{1,9}(?:\.[0-9]{1,9})?", re.ASCII)
_MEASURE: Final = re.compile(rf"{_BARE.pattern} ?([A-Za-z%].*)", re.ASCII)
_ITEM: Final = re.compile(r"\.([0-9]{1,4})(?=\.|\[|$)")  # paid.timing.1 is paid.timing[1]


@dataclass(frozen=True, slots=True)
class Change:
    """One changed key: ``key``, and its values ``before`` (in the log's own rig) and ``after``."""

    key: str
    before: str
    after: str

    @property
    def edit(self) -> str:
        """As the rig's text is changed by it."""
        return f"{self.key} = {self.after}"

    @property
    def words(self) -> str:
        """For the top line."""
        return f"{self.key} {self.before} -> {self.after}"


@dataclass(slots=True)
class WhatIf:
    """What is being tried.

    Attributes:
        changes: Those in force, by key, in the order in which they were made.
        values: The keys that can be changed, with the values in force.
        differences: What comes out otherwise, by time.
        at: Place of the chosen key, from 1 (0 is the line to type one in); or of the chosen
            difference, from 0.
        among_differences: Whether the differences are being gone through.
        saved: Whether what is in force has been saved.
    """

    changes: dict[str, Change] = field(default_factory=dict)
    values: list[Value] = field(default_factory=list)
    differences: list[Difference] = field(default_factory=list)
    at: int = 1
    among_differences: bool = False
    saved: bool = True
    _before: list[dict[str, Change]] = field(default_factory=list)

    @property
    def words(self) -> str:
        """What is changed, for the top line; empty where nothing is."""
        return "; ".join(change.words for change in self.changes.values())

    def with_typed(self, typed: str, own: dict[str, str]) -> dict[str, Change]:
        """Return the changes with what was typed: ``key = value``, several with ``;`` between.

        A bare number has the unit of what it stands for.

        Args:
            typed: What was typed.
            own: Values of the log's own rig, by key.

        Raises:
            BadInput: Not of that form.
        """
        found = dict(self.changes)
        for part in (part.strip() for part in typed.split(";")):
            if not part:
                continue
            key, equals, value = (word.strip() for word in part.partition("="))
            if not (key and equals and value):
                raise BadInput(
                    f"what if: found {called(part[:LONGEST_SHOWN])}, "
                    "expected a key and a value as debt.cut = 0.3 s"
                )
            key = _ITEM.sub(r"[\1]", key)
            before = own.get(key, "unset")
            change = Change(key, before, _with_unit(value, before))
            found.pop(key, None)
            if _same(change.before, change.after):
                continue  # back to what it was
            found[key] = change
        return found

    def take(self, changes: dict[str, Change]) -> None:
        """Put changes in force; ``undo`` brings back those before."""
        self._before.append(self.changes)
        del self._before[:-MOST_UNDONE]
        self.changes, self.saved = changes, not changes

    def undone(self) -> dict[str, Change] | None:
        """Return the changes before the last ones; None where there were none."""
        return self._before[-1] if self._before else None

    def undo(self) -> None:
        """Put those before in force again."""
        self.changes = self._before.pop()
        self.saved = not self.changes

    def move(self, step: int) -> None:
        """Choose another key, or another difference."""
        most = len(self.differences) - 1 if self.among_differences else len(self.values)
        self.at = min(max(0, most), max(0, self.at + step))

    def switch(self) -> None:
        """Go from the keys to the differences, or back."""
        self.among_differences = not self.among_differences and bool(self.differences)
        self.at = 0 if self.among_differences else 1

    def stay_within(self) -> None:
        """Keep the choice among what there is, after either list changed."""
        self.among_differences &= bool(self.differences)
        self.move(0)

    @property
    def chosen_value(self) -> Value | None:
        """The chosen key; None on the line to type one in, or among the differences."""
        if self.among_differences or not 0 < self.at <= len(self.values):
            return None
        return self.values[self.at - 1]


def _with_unit(value: str, before: str) -> str:
    """Return a bare number with the unit that is there; anything else as it was typed."""
    was = _MEASURE.fullmatch(before)
    return f"{value} {was[1]}" if was and _BARE.fullmatch(value) else value


def _same(one: str, other: str) -> bool:
    return one.replace('"', "").split() == other.replace('"', "").split()
