"""Records of named numbers: every field is declared once, with its unit and its meaning.

A record is a dataclass with slots. Its fields are numbers, or blocks of them: lists of a fixed
length (see ``block``). The same functions read and write it in either of two forms:

- an object, for interpreted code: plain floats are several times faster there than what numpy
  hands out;
- a numpy array of one record, for compiled code, which takes ``s = states[0]`` inside its loop
  (a record as an argument costs tens of microseconds a call).

Written down a record is flat: its numbers one after another, in the order of the declaration. An
array of records that hold floats alone is flat already: ``array.view(float64)``.
"""

from array import array
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields
from operator import attrgetter
from typing import TYPE_CHECKING, Any, NamedTuple, Self

if TYPE_CHECKING:
    import numpy as np

NUMBER_BYTES = 8


def block(names: Sequence[object], value: float = 0.0, start: int = 0) -> Any:
    """Declare a block: one number for each name.

    Args:
        names: What the numbers are of; a ``range`` where they have no names.
        value: What each is at first.
        start: The index of the first one. What stands before belongs to nobody and is not flat.
    """
    numbers = [0.0] * start + [value] * len(names)
    return field(default_factory=numbers.copy, metadata={"names": names, "start": start})


@dataclass(slots=True, eq=False)
class Record:
    """Named numbers and blocks of them; what is derived from it is ``@dataclass(slots=True)``."""

    @classmethod
    def names(cls) -> tuple[str, ...]:
        """Return what the flat numbers are called: ``field``, or ``field_name`` in a block."""
        return tuple(
            f"{one.name}_{name}" if name is not None else one.name
            for one in fields(cls)
            for name in one.metadata.get("names", (None,))
        )

    @classmethod
    def of_flat(cls, numbers: Sequence[float]) -> Self:
        """Return the record that these flat numbers are.

        Raises:
            ValueError: There are more or fewer than the record holds.
        """
        layout = _layout(cls)
        if len(numbers) != layout.length:
            found = f"found {len(numbers)} numbers, expected {layout.length}"
            raise ValueError(f"{cls.__name__}: {found}")
        values: list[Any] = []
        for at, end, nobodys in layout.runs:
            if nobodys is None:
                values += numbers[at:end]
            else:
                values.append([*nobodys, *numbers[at:end]])
        return cls(*values)

    def flat(self) -> list[float]:
        """Return the numbers one after another."""
        layout = _layout(type(self))
        numbers: list[float] = []
        values = layout.values(self)
        at = 0
        for begins, ends, nobodys in layout.runs:
            if nobodys is None:
                numbers += values[at : at + ends - begins]
                at += ends - begins
            else:
                numbers += values[at][len(nobodys) :]
                at += 1
        return numbers

    @classmethod
    def copy_of(cls, larger: Self) -> Self:
        """Return a copy of a record; of a derived one, a copy of the fields it has from here."""
        layout = _layout(cls)
        copy = cls(*layout.values(larger))
        for name in layout.blocks:
            setattr(copy, name, getattr(copy, name)[:])
        return copy

    @classmethod
    def named(cls, rows: "np.ndarray[Any, np.dtype[np.float64]]") -> "np.ndarray[Any, Any]":
        """Return rows of flat numbers, (n, length) and contiguous, to be read by name.

        ``named(rows)["debt_ml"]`` is (n,), a block is (n, start + count).
        """
        return rows.view(cls.dtype())[:, 0]

    @classmethod
    def dtype(cls) -> "np.dtype[np.void]":
        """Return numpy's description of this record, in the order of the flat numbers.

        Always the same object: compiled code knows that one again at once, another only after a
        comparison field by field.
        """
        known = _DTYPES.get(cls)
        if known is None:
            known = _DTYPES[cls] = _dtype_of(cls)
        return known

    def array(self) -> "np.ndarray[tuple[int], np.dtype[np.void]]":
        """Return a copy as an array of one record."""
        import numpy as np

        made = np.frombuffer(array("d", self.flat()), self.dtype())
        for one in fields(self):
            if one.type in (int, list[int]):
                start = one.metadata.get("start", 0)
                value = getattr(self, one.name)
                made[one.name][..., start:] = value[start:] if one.metadata else value
        return made


class _Layout(NamedTuple):
    """How a record is laid out.

    Attributes:
        values: Returns the value of every field.
        runs: Where in the flat numbers a block stands, from and to, and what is before it in the
            block; or a run of fields that are none, with None.
        blocks: Names of the blocks.
        length: How many flat numbers there are.
    """

    values: Callable[[Record], tuple[Any, ...]]
    runs: list[tuple[int, int, list[float] | None]]
    blocks: list[str]
    length: int


_LAYOUTS: dict[type[Record], _Layout] = {}


def _layout(record: type[Record]) -> _Layout:
    known = _LAYOUTS.get(record)
    if known is None:
        runs: list[tuple[int, int, list[float] | None]] = []
        at = 0
        for one in fields(record):
            if one.metadata:
                end = at + len(one.metadata["names"])
                runs.append((at, end, [0.0] * one.metadata["start"]))
            else:
                end = at + 1
                begins = runs.pop()[0] if runs and runs[-1][2] is None else at
                runs.append((begins, end, None))
            at = end
        names = [one.name for one in fields(record)]
        blocks = [one.name for one in fields(record) if one.metadata]
        known = _LAYOUTS[record] = _Layout(attrgetter(*names), runs, blocks, at)
    return known


_DTYPES: "dict[type[Record], np.dtype[np.void]]" = {}


def _dtype_of(record: type[Record]) -> "np.dtype[np.void]":
    import numpy as np

    # A block that doesn't start at 0 reaches back into what stands before it, so that nothing lies
    # between the numbers.
    formats, offsets, at = [], [], 0
    for one in fields(record):
        number = np.int64 if one.type in (int, list[int]) else np.float64
        names, start = one.metadata.get("names"), one.metadata.get("start", 0)
        formats.append(number if names is None else (number, (start + len(names),)))
        offsets.append((at - start) * NUMBER_BYTES)
        at += 1 if names is None else len(names)
    return np.dtype(
        {
            "names": [one.name for one in fields(record)],
            "formats": formats,
            "offsets": offsets,
            "itemsize": at * NUMBER_BYTES,
        }
    )
