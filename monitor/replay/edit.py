"""Changing keys of a rig's text in place: everything else in the file stays as it was."""

from dataclasses import dataclass
from pathlib import Path

from simulator.rig import RigFile


@dataclass(frozen=True, slots=True)
class Value:
    """A key that ``edit`` changes.

    Attributes:
        key: As ``edit`` takes it: ``debt.pull``, ``paid.timing[1]``.
        value: Present value with its unit, as in the file where it is written there.
        given: Whether it is written in the file; else it is the default.
        wants: What is expected there, in words.
    """

    key: str
    value: str
    given: bool
    wants: str


def edit(rig_file: RigFile, *changes: str) -> RigFile:
    """Return the rig with keys changed, all at once.

    Args:
        rig_file: Its file name is kept for messages; the file itself is not touched.
        changes: As ``debt.pull = 0.6 mL``: dotted key (list items as ``paid.timing[1]``), equals
            sign, value; quotes around text may be left out.

    Raises:
        BadInput: No such key (names the nearest), a wrong value, one that contradicts others, or a
            key a recorded log can't be judged anew with (columns, time base, the car).
    """
    raise NotImplementedError


def values_of(rig_file: RigFile) -> list[Value]:
    """Return the keys ``edit`` changes, in the order of a rig file."""
    raise NotImplementedError


def save_as(rig_file: RigFile, path: Path) -> None:
    """Write a rig's text to a new file, whole or not at all.

    Raises:
        BadInput: There is one already, or it can't be written.
    """
    raise NotImplementedError
