"""Which keys of a rig are swept, from where to where, and the points that makes."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from math import isqrt
from typing import Any, Final

from monitor.review.edit import edit, without_place
from simulator.rig import RigFile
from simulator.strict import BadInput, clean

MOST_KEYS: Final = 8
POINTS: Final = (9, 25, 32)  # with one key, two, more
_AS: Final = "KEY=LOW..HIGH, such as debt.cut=0.3 s..0.8 s"
_NUMBER: Final = re.compile(r"([+-]?[0-9]{1,12}(?:\.[0-9]{1,12})?(?:[eE][+-]?[0-9]{1,2})?) *(.*)")
_BY_FACTORS: Final = 10.0  # from so many times LOW on, steps are factors
_DIGITS: Final = (3, 4, 5, 6, 9)


@dataclass(frozen=True, slots=True)
class SweptKey:
    """A key, and from where to where it is swept.

    Attributes:
        key: As ``--set`` takes it.
        low: The least value, in ``unit``.
        high: The most.
        unit: Of both; "" where there is none.
    """

    key: str
    low: float
    high: float
    unit: str

    @property
    def by_factors(self) -> bool:
        """Whether steps are factors rather than sums."""
        return self.low > 0.0 and self.high >= _BY_FACTORS * self.low

    def at(self, share: float) -> float:
        """Return the value at a share (0 to 1) of the way."""
        if self.by_factors:
            return self.low * float((self.high / self.low) ** share)
        return self.low + share * (self.high - self.low)

    def figures(self, shares: Sequence[float]) -> dict[float, str]:
        """Return values without their unit, by share of the way, in as few digits as tell them."""
        texts: dict[float, str] = {}
        for digits in _DIGITS:
            rounded = {share: float(f"{self.at(share):z.{digits}g}") for share in shares}
            texts = {share: f"{x:z.12g}" for share, x in rounded.items()}
            if len(set(texts.values())) == len(texts):
                break
        return texts

    def written(self, shares: Sequence[float]) -> dict[float, str]:
        """Return the same with their unit."""
        return {share: f"{x} {self.unit}".strip() for share, x in self.figures(shares).items()}

    @property
    def ends(self) -> str:
        """From where to where, in words."""
        low, high = self.written((0.0, 1.0)).values()
        return f"{low} to {high}"


@dataclass(frozen=True, slots=True)
class Setting:
    """A point of a sweep.

    Attributes:
        place: Where it is, 0 to 1 for each key.
        values: Each key's value, with its unit.
        rig_file: The rig so changed.
    """

    place: tuple[float, ...]
    values: tuple[str, ...]
    rig_file: RigFile


def swept_keys(texts: Sequence[str]) -> tuple[SweptKey, ...]:
    """Return the keys that are to be swept.

    Raises:
        BadInput: A text isn't as it should be, or there are too many, or two of one key.
    """
    keys = tuple(_key(text) for text in texts)
    if len(keys) > MOST_KEYS:
        raise BadInput(f"--sweep: found {len(keys)} keys, expected at most {MOST_KEYS}")
    names = [key.key for key in keys]
    for name in names:
        if names.count(name) > 1:
            raise BadInput(f"--sweep: found {clean(name)} twice, expected each key once")
    return keys


def settings(
    rig_file: RigFile, keys: Sequence[SweptKey], points: int | None
) -> tuple[list[Setting], str]:
    """Return the points: a grid with one or two keys, else Sobol's; and why some are left out.

    Args:
        rig_file: The rig as it is.
        keys: At least one.
        points: So many at most; None: as is usual with so many keys.

    Raises:
        BadInput: A key or a value is wrong at every point.
    """
    places = _places(len(keys), points or POINTS[min(len(keys), len(POINTS)) - 1])
    written = [key.written(sorted({place[i] for place in places})) for i, key in enumerate(keys)]
    found, refused = [], []
    for place in places:
        values = tuple(texts[share] for texts, share in zip(written, place, strict=True))
        changes = [f"{key.key} = {value}" for key, value in zip(keys, values, strict=True)]
        try:
            found.append(Setting(place, values, edit(rig_file, *changes)))
        except BadInput as error:
            refused.append(f"--sweep: {without_place(str(error), rig_file)}")
    if not found:
        raise BadInput(refused[0])
    left_out = f"{len(refused)} of {len(places)} points left out; {refused[0]}" if refused else ""
    return found, left_out


def _key(text: str) -> SweptKey:
    name, _, ends = text.partition("=")
    low, _, high = ends.partition("..")
    found = [_NUMBER.fullmatch(end.strip()) for end in (low, high)]
    if not name.strip() or not text.isprintable() or not found[0] or not found[1]:
        raise BadInput(f'--sweep: found "{clean(text)}", expected {_AS}')
    (low_value, low_unit), (high_value, high_unit) = (match.groups() for match in found if match)
    if low_unit != high_unit:
        raise BadInput(
            f'--sweep: found "{clean(text)}", expected LOW and HIGH each with the same unit, as in '
            f"{_AS}"
        )
    key = SweptKey(name.strip(), float(low_value), float(high_value), low_unit)
    if not key.low < key.high:
        raise BadInput(f'--sweep: found "{clean(text)}", expected LOW below HIGH')
    return key


def _places(keys: int, points: int) -> list[tuple[float, ...]]:
    if keys <= 2:
        side = max(points if keys == 1 else isqrt(points), 2)
        steps = [i / (side - 1) for i in range(side)]
        return list(product(steps, repeat=keys))
    # In the middle of their cells: Sobol's first point is a corner, and nothing here is drawn.
    from scipy.stats.qmc import Sobol

    bits = (points - 1).bit_length()
    sobol: Any = Sobol(keys, scramble=False)
    cells = sobol.random_base2(bits)[:points] + 0.5 / 2**bits
    return [tuple(cell) for cell in cells.tolist()]
