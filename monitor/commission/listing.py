"""A log's columns, listed: what each holds, how often, in what unit, and what a rig maps it to."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import isfinite, isnan
from pathlib import Path
from typing import Any, Final

import numpy as np

from monitor.commission.from_log import log_of, readings_of, with_defaults
from monitor.commission.guessing import Guess, Sure, beyond, guess
from monitor.commission.words import fits, read_name
from monitor.recorder.span import counted
from monitor.sources.lines.columns import Columns, place_of
from monitor.sources.lines.unit_row import check_units
from monitor.sources.logs.bounded_lines import FIELDS
from monitor.sources.logs.open_table import Table, TableColumn, open_table
from monitor.sources.logs.own_clock import time_in_words
from monitor.words.units import Units
from rules.channels import CHANNEL_BY_NAME, label_of_channel
from simulator.rig import RigFile, quantity_of
from simulator.strict import BadInput, DegC, Kpa, Ml, MlMin, called, clean

_ASSUMED_S: Final = 0.05  # from row to row, where nothing tells: for how fast values change
_FEW: Final = 0.02  # share of changes that may follow sooner than a held value is held
_ENOUGH_CHANGES: Final = 20
_HELD_ROWS: Final = 1.6  # changes never follow sooner than so many rows: it is slower than these
_SURE: Final = {Sure.SURE: "", Sure.LIKELY: "likely ", Sure.ASK: "perhaps "}
# Kinds of which there is one unit, roughly: who knows the channel knows the unit.
_ONE_UNIT: Final = frozenset({"rotation", "angle", "plain"})
_SHOWN: Final = ((Kpa, "kPa"), (DegC, "°C"), (MlMin, "mL/min"), (Ml, "mL"))  # as ``Units`` has them


@dataclass(frozen=True, slots=True)
class Listed:
    """A column.

    Attributes:
        column: What it holds.
        is_time: Whether it is the log's time.
        unit: As a rig spells it, or as the log has it where no rig does; empty where unknown.
        absolute: For a pressure: whether it counts from vacuum.
        unit_from: Where that comes from: ``written`` (a row of units, brackets, the file itself),
            ``name``, ``values`` or ``rig``; empty where no unit is known.
        guess: What it may be; None for the time, for text, or where nothing is known.
        mapped: What the rig maps it to; empty where it doesn't, or none was given.
        doubt: What its values say against that; empty where nothing does.
        held_s: How long each of its values stands, where that is longer than a row: it is read more
            seldom than it is logged; 0 where it isn't.
    """

    column: TableColumn
    is_time: bool
    unit: str
    absolute: bool
    unit_from: str
    guess: Guess | None
    mapped: tuple[str, ...]
    doubt: str
    held_s: float


_BY_VALUES: Final = "unit by its values"


@dataclass(frozen=True, slots=True)
class Listing:
    """A log's columns.

    Attributes:
        table: The log.
        columns: In its order.
        rig: The rig's name; empty where none was given.
        refused: Why the rig can't read this log; empty where it can.
        missing: The rig's channels that have no column here.
    """

    table: Table
    columns: tuple[Listed, ...]
    rig: str
    refused: str
    missing: tuple[str, ...]

    def in_words(self, units: Units | None) -> Iterator[str]:
        """Yield it as lines for people.

        Args:
            units: Of ranges; None leaves them as the log has them.
        """
        table = self.table
        rate = "" if isnan(table.row_hz) else f" ({_round(table.row_hz)} rows a second)"
        lasts = "" if isnan(table.lasts_s) else f", 0.00 to {table.lasts_s:z.2f} s"
        yield (
            f"{called(table.path)}: {counted(len(self.columns), 'column')}, "
            f"{counted(table.rows, 'row')}{lasts}{rate}"
        )
        for words in time_in_words(table.starts, table.remark):
            yield f"  {words}"
        if table.time.column is None:
            yield f"  {table.time.why}; a rig says how far rows are apart: time.unit, time.period"
        elif not table.time.is_sure:
            yield f"  time? {table.time.why}"
        if table.steps_back:
            yield f"  its clock steps back {counted(table.steps_back, 'time')}"
        if table.left_out:
            yield f"  {counted(table.left_out, 'row')} not used: {FIELDS}"
        if self.refused:
            yield f"! {self.refused}"
        if len(self.missing) > 1:
            yield f"! not in this log: {', '.join(map(label_of_channel, self.missing))}"
        yield _row("column", "from, to", "values", "a second")
        for one in self.columns:
            yield from self._told(one, units)

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON types."""
        table = self.table
        return {
            "source": table.path.name,
            "rows": table.rows,
            "lasts_s": _or_none(table.lasts_s),
            "row_hz": _or_none(table.row_hz),
            "starts": table.starts or None,
            "steps_back": table.steps_back,
            "not_used": table.left_out,
            "remark": table.remark or None,
            "time": table.time._asdict(),
            "rig": self.rig or None,
            "refused": self.refused or None,
            "missing": list(self.missing),
            "columns": [_as_json(one) for one in self.columns],
        }

    def _told(self, one: Listed, units: Units | None) -> Iterator[str]:
        column = one.column
        rate = "" if isnan(column.rate_hz) else _round(column.rate_hz)
        yield _row(column.rig_name or "(no name)", _range(one, units), str(column.numbers), rate)
        told = [self._what(one)]
        by_values = one.unit_from == "values" and _BY_VALUES not in told[0]
        if by_values and one.guess is not None and one.guess.asked != "unit":
            told.append(_BY_VALUES)
        if column.blank:
            told.append(f"blank in {_percent(column.blank)} of the rows")
        if column.text:
            such = f' such as "{clean(column.first_text, 16)}"' if column.first_text else ""
            told.append(f"text{such} in {_percent(column.text)}")
        if one.held_s:
            told.append(f"held: a new value every {_round(one.held_s)} s")
        yield f"      {'; '.join(filter(None, told))}"
        if one.doubt:
            yield f"    ! {one.doubt}"

    def _what(self, one: Listed) -> str:
        if one.is_time:
            return (
                f"the rig's time, in {one.unit}" if one.mapped else f"time: {self.table.time.why}"
            )
        if one.mapped:
            unit = "" if one.unit in {"", "1"} else f", in {one.unit}{_abs(one)}"
            return f"the rig's {' and '.join(map(label_of_channel, one.mapped))}{unit}"
        not_mapped = ["not in the rig"] if self.rig else []
        if one.guess is None:
            return "; ".join([*not_mapped, "clock times" if one.column.is_clock else ""])
        if one.guess.channel:
            label = f"{_SURE[one.guess.sure]}{label_of_channel(one.guess.channel)}"
            return "; ".join([*not_mapped, f"{label}: {one.guess.why}"])
        return "; ".join(not_mapped or [one.guess.why])


def listing(path: Path, rig_file: RigFile | None = None) -> Listing:
    """Read a log and return its columns, whatever its length, in memory that stays the same.

    Args:
        path: The log.
        rig_file: Whose channels are named; None for what columns may be.

    Raises:
        BadInput: It can't be read, or holds no rows.
    """
    table = open_table(path, whole=True)
    names = [column.name for column in table.columns]
    refused, missing = "", tuple[str, ...]()
    mapped: dict[int, list[str]] = {}
    if rig_file is not None:
        try:
            columns = Columns(names, rig_file, "this log", extra=True)
            rig_file = columns.rig_file
            check_units(names, [column.unit for column in table.columns], columns, "this log")
            if (columns.time_index, rig_file.time.unit) != table.time[:2]:
                table = open_table(path, rig_file.time, whole=True)
        except BadInput as error:
            refused = str(error)
        index = place_of(names, rig_file.time.column)
        if table.time.column == index:
            mapped[index] = ["time"]
        for channel, column in rig_file.columns.items():
            mapped.setdefault(place_of(names, column.column), []).append(channel)
        missing = tuple(mapped.pop(-1, ()))
        for name, column in rig_file.extra.items():
            mapped.setdefault(place_of(names, column.column), []).append(name)
    guesses = _guesses(table)
    return Listing(
        table,
        tuple(
            _listed(table, index, guesses.get(column.rig_name), mapped.get(index, []), rig_file)
            for index, column in enumerate(table.columns)
        ),
        "" if rig_file is None else rig_file.rig.name,
        refused,
        missing,
    )


def _guesses(table: Table) -> dict[str, Guess]:
    """Return what columns of readings may be, by how a rig names them."""
    if not len(table.time_s):
        looked_at = max(len(column.values) for column in table.columns)
        table = replace(table, time_s=_ASSUMED_S * np.arange(looked_at, dtype=float))
    if not readings_of(table):
        return {}
    log = log_of([table])
    return {one.header: one for one in with_defaults(log, guess(log.columns, log.time_s))}


def _listed(
    table: Table, index: int, made: Guess | None, mapped: list[str], rig_file: RigFile | None
) -> Listed:
    column = table.columns[index]
    is_time = index == table.time.column
    unit, absolute, unit_from = column.unit, False, "written" if column.unit else ""
    doubt = ""
    if is_time:
        unit = table.time.unit
        unit_from = ""
    elif mapped and rig_file is not None:
        unit, absolute, unit_from = *_of_rig(rig_file, mapped[0]), "rig"
        if made is not None and mapped[0] in rig_file.columns:
            read = replace(made, channel=mapped[0], unit=unit, absolute=absolute)
            doubt = beyond(read)
    elif made is not None and made.unit:
        stated = read_name(made.header, column.unit)
        unit, absolute = made.unit, made.absolute
        if stated.unit == unit:
            unit_from = "written" if column.unit else "name"
        else:
            kind = quantity_of(CHANNEL_BY_NAME[made.channel]).KIND if made.channel else ""
            unit_from = "name" if kind in _ONE_UNIT else "values"
    return Listed(
        column,
        is_time,
        "" if unit == "1" else unit,
        absolute,
        "" if unit == "1" else unit_from,
        None if is_time else made,
        tuple(mapped),
        doubt,
        0.0 if is_time else _held_s(column, table),
    )


def _held_s(column: TableColumn, table: Table) -> float:
    """Return how long each value stands, where changes never follow from row to row."""
    there = np.isfinite(column.values)
    if not len(table.time_s) or isnan(column.rate_hz):
        return 0.0
    values, time_s = column.values[there], table.time_s[there]
    apart_s = np.diff(time_s[1:][np.diff(values) != 0.0])
    apart_s = apart_s[np.isfinite(apart_s)]
    if len(apart_s) < _ENOUGH_CHANGES:
        return 0.0
    least_s = float(np.quantile(apart_s, _FEW))
    return least_s if least_s > _HELD_ROWS / column.rate_hz else 0.0


def _of_rig(rig_file: RigFile, channel: str) -> tuple[str, bool]:
    """Return the unit a rig says a channel's column has, and whether that counts from vacuum."""
    if channel in rig_file.extra:
        return rig_file.extra[channel].unit, False
    column = rig_file.columns[channel]
    kind = quantity_of(CHANNEL_BY_NAME[channel]).KIND
    return column.unit, kind == "pressure" and column.offset != 0.0


def _as_json(one: Listed) -> dict[str, Any]:
    column, made = one.column, one.guess
    return {
        "name": clean(column.name, 200),
        "rig_name": clean(column.rig_name, 200),
        "from": _or_none(column.low),
        "to": _or_none(column.high),
        "unit": one.unit or None,
        "absolute": one.absolute,
        "unit_from": one.unit_from or None,
        "values": column.numbers,
        "blank": column.blank,
        "text": column.text,
        "first_text": clean(column.first_text) or None,
        "rate_hz": _or_none(column.rate_hz),
        "held_s": one.held_s or None,
        "is_time": one.is_time,
        "mapped_to": list(one.mapped),
        "may_be": None if made is None else made.channel or None,
        "sure": made.sure.word if made is not None and made.channel else None,
        "why": None if made is None else made.why,
        "doubt": one.doubt or None,
    }


def _range(one: Listed, units: Units | None) -> str:
    column = one.column
    if not column.numbers:
        return "no numbers"
    low, high, unit = column.low, column.high, one.unit
    for kind, metric in _SHOWN if units is not None else ():
        if units is not None and fits(unit, kind.KIND):
            factor, offset = kind.linear(unit)
            low, high = (units.value(end * factor + offset, metric) for end in (low, high))
            unit = units.unit(metric)
    if column.is_clock or one.is_time:
        low, high, unit = 0.0 if column.is_clock else low, high, "s" if column.is_clock else unit
    return f"{_round(low, 5)} to {_round(high, 5)} {clean(unit, 12)}{_abs(one)}".rstrip()


def _abs(one: Listed) -> str:
    return " abs" if one.absolute else ""


def _row(name: str, reads: str, values: str, rate: str) -> str:
    return f"  {clean(name, 24):<24} {reads:<31} {values:>10} {rate:>9}".rstrip()


def _round(value: float, digits: int = 3) -> str:
    return f"{float(f'{value:z.{digits}g}'):z.10g}"


def _percent(share: float) -> str:
    return "< 1 %" if share < 0.01 else f"{100.0 * share:z.0f} %"


def _or_none(value: float) -> float | None:
    return float(value) if isfinite(value) else None
