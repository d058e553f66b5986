"""Which of a log's columns is its time, and in which unit, where no rig says so."""

import re
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from monitor.sources.lines.unit_row import known_unit
from monitor.sources.rows import Rows
from simulator.rig import CLOCK, ROWS
from simulator.strict import clean

_ROWS_NEEDED: Final = 3
_MOST_FALLS: Final = 0.005  # share of rows: a clock that is set, or starts again, now and then
_NAME: Final = re.compile(r".*(time|zeit|clock|stamp|elapsed).*|t[0-9]*", re.IGNORECASE)
_UNIT_WORDS: Final = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), "s"),
    **dict.fromkeys(("ms", "msec", "millis", "milliseconds"), "ms"),
    **dict.fromkeys(("us", "\N{MICRO SIGN}s", "usec", "micros", "microseconds"), "us"),
    **dict.fromkeys(("min", "mins", "minutes"), "min"),
}
# Engine logs have 0.5 to 2000 rows a second: common practice, no source.
_STEP_S: Final = (0.0005, 2.0)
_FACTORS: Final = {"s": 1.0, "ms": 1.0e-3, "us": 1.0e-6}


class TimeFound(NamedTuple):
    """What tells a log's time.

    Attributes:
        column: Its place; None where none does.
        unit: As a rig writes it: ``s``, ``ms``, ``us``, ``min``, ``clock``, or ``rows`` where no
            column tells time.
        why: What speaks for it, in a sentence.
        is_sure: Whether nothing else is likely.
    """

    column: int | None
    unit: str
    why: str
    is_sure: bool


def find_time(
    names: Sequence[str], units: Sequence[str], columns: Sequence[Rows], clocks: Sequence[int]
) -> TimeFound:
    """Return the column that most likely is the time.

    Args:
        names: The header's fields.
        units: What the log states for each; empty where it doesn't.
        columns: (n,) values of each, NaN where there is none; of clock times seconds.
        clocks: Which of them hold clock times.
    """
    best: tuple[tuple[bool, bool, int], TimeFound] | None = None
    for index, values in enumerate(columns):
        steps = _steps(values)
        if steps is None:
            continue
        is_clock = index in clocks
        stated = known_unit(units[index], "time") or ""
        unit = CLOCK if is_clock else _UNIT_WORDS.get(stated, "") or _unit_in(names[index])
        is_called = _NAME.fullmatch(names[index]) is not None
        rising = steps[steps > 0.0]
        is_steady = bool(np.mean(np.abs(rising / np.median(rising) - 1.0) < 0.5) > 0.8)
        points = 4 * is_clock + 3 * is_called + 3 * bool(unit) + 2 * is_steady + (index == 0)
        # What counts rows one by one, and is not called a time, most likely counts rows.
        is_count = not (unit or is_called) and bool((steps == 1.0).all())
        if points < 3 or is_count:
            continue
        is_fine = len(rising) > 0.5 * len(steps)
        rank = (is_fine, bool((steps >= 0.0).all()), points)
        if best is None or rank > best[0]:
            step = float(np.median(rising))
            is_whole = not is_fine and step == 1.0  # whole seconds, of many rows each
            found = _found(index, names[index], unit or "s" * is_whole, step, is_called)
            best = rank, found
    if best is None:
        named = next((name for name in names if _NAME.fullmatch(name)), None)
        whose = "no column" if named is None else f'no column, "{clean(named, 24)}" neither,'
        return TimeFound(None, ROWS, f"{whose} rises as time does", is_sure=False)
    return best[1]


def _found(index: int, name: str, unit: str, step: float, is_called: bool) -> TimeFound:
    called = f'column "{clean(name, 24)}"'
    if unit == CLOCK:
        return TimeFound(index, CLOCK, f"{called} holds clock times that rise", is_sure=True)
    if unit:
        return TimeFound(index, unit, f"{called} counts {unit}", is_sure=True)
    fits = [u for u, factor in _FACTORS.items() if _STEP_S[0] <= step * factor <= _STEP_S[1]]
    unit = fits[0] if fits else "s"
    suits = f"suits {unit}" if fits else "suits neither s, ms nor us"
    why = f"{called} rises by {step:z.6g} a row, which {suits}"
    return TimeFound(index, unit, why, is_sure=is_called and len(fits) == 1)


def _steps(values: Rows) -> Rows | None:
    """Return what a column rises by from row to row; None where it doesn't throughout."""
    there = values[np.isfinite(values)]
    if len(there) < max(_ROWS_NEEDED, 0.9 * len(values)):
        return None
    steps = np.diff(there)
    falls = np.count_nonzero(steps < 0.0)
    return None if falls > _MOST_FALLS * len(steps) or not (steps > 0.0).any() else steps


def _unit_in(name: str) -> str:
    """Return the unit of time that a name ends in, such as ``time_ms``; empty where it doesn't."""
    words = re.findall(r"[^\W\d_]+", name)
    word = words[-1].lower() if words else ""
    return _UNIT_WORDS.get(word, "") if len(words) > 1 or word not in {"s", "min"} else ""
