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
from functools import cache
from operator import attrgetter
from typing import TYPE_CHECKING, Any, Self

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
    numbers = [value] * (start + len(names))
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
        # mypy takes classes whose objects can't be hashed for such themselves.
        places, length = _places(cls)  # type: ignore[arg-type]
        if len(numbers) != length:
            raise ValueError(f"{cls.__name__}: found {len(numbers)} numbers, expected {length}")
        return cls(
            *[
                numbers[at] if count == 0 else [*nobodys, *numbers[at : at + count]]
                for at, count, nobodys in places
            ]
        )

    def flat(self) -> list[float]:
        """Return the numbers one after another."""
        numbers: list[float] = []
        for one in fields(self):
            value = getattr(self, one.name)
            if one.metadata:
                numbers += value[one.metadata["start"] :]
            else:
                numbers.append(value)
        return numbers

    @classmethod
    def copy_of(cls, larger: Self) -> Self:
        """Return a copy of a record; of a derived one, a copy of the fields it has from here."""
        values = _getter(cls)(larger)  # type: ignore[arg-type]  # as above
        return cls(*[value.copy() if type(value) is list else value for value in values])

    @classmethod
    def dtype(cls) -> "np.dtype[np.void]":
        """Return numpy's description of this record, in the order of the flat numbers."""
        return _dtype(cls)  # type: ignore[arg-type]  # as above

    def array(self) -> "np.ndarray[tuple[int], np.dtype[np.void]]":
        """Return a copy as an array of one record."""
        import numpy as np

        made = np.frombuffer(array("d", self.flat()), self.dtype())
        for name, start in _whole(type(self)):  # type: ignore[arg-type]  # as above
            value = getattr(self, name)
            made[name][..., start:] = value if start is None else value[start:]
        return made


@cache
def _places(record: type[Record]) -> tuple[list[tuple[int, int, list[float]]], int]:
    """Return where each field's flat numbers begin, how many a block has, and what stands before.

    And how many numbers there are in all.
    """
    places, at = [], 0
    for one in fields(record):
        count = len(one.metadata.get("names", ()))
        places.append((at, count, [0.0] * one.metadata.get("start", 0)))
        at += max(count, 1)
    return places, at


@cache
def _whole(record: type[Record]) -> list[tuple[str, int | None]]:
    """Return the fields of whole numbers, and where those that are blocks start."""
    whole = [one for one in fields(record) if one.type in (int, list[int])]
    return [(one.name, one.metadata.get("start")) for one in whole]


@cache
def _dtype(record: type[Record]) -> "np.dtype[np.void]":
    import numpy as np

    # A block that doesn't start at 0 reaches back into what stands before it, so that nothing
    # lies between the numbers.
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


@cache
def _getter(record: type[Record]) -> Callable[[Record], tuple[Any, ...]]:
    return attrgetter(*(one.name for one in fields(record)))
