"""What logs say of a car: their columns, how they go together, and what a rig takes from them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil
from pathlib import Path
from typing import Any, Final

import numpy as np

from monitor.commission.columns import Column
from monitor.commission.drafting import FromLog
from monitor.commission.guessing import AIR_KPA, Guess, Sure, ambient_of
from monitor.commission.law import find_law
from monitor.commission.rig_text import ASKED
from monitor.commission.ties import Readings, better_default, line_follows_kpa
from monitor.commission.ties import doubts as doubts_of
from monitor.recorder.span import counted
from monitor.sources.logs.open_table import Table, TableColumn, open_table
from simulator.rig import TimeMap
from simulator.strict import BadInput, KeyPath, Seconds, called, clean

_MOST_NAMED: Final = 5
_GAP_S: Final = 10.0  # put between two logs
_AIR_J_KG_K: Final = 287.0
_CHARGE_K: Final = 315.0
_PETROL_KG_L: Final = 0.745
_AIR_TO_PETROL: Final = 14.7
_RICH: Final = 0.8  # lambda under boost where none is logged; common practice, no source
_DEAD_S: Final = 1.0e-3  # the shipped rigs' dead time
_EFFICIENCY: Final = 0.95


@dataclass(frozen=True, slots=True, eq=False)
class Log:
    """Logs read as they are.

    Attributes:
        source: Their names.
        columns: All columns but the time.
        time_s: (n,) times, s, rising.
        period_s: Time from one row to the next.
        time_column: The time column's name; empty where rows are all that tells time.
        time_unit: As a rig's ``time.unit``.
        between_s: How much of their time stands between two of them, and is no log's.
        remarks: What was made of them, a sentence each.
        time_doubt: What is in doubt of the time; empty where nothing is.
        time_why: What speaks for the time column.
    """

    source: str
    columns: tuple[Column, ...]
    time_s: Any
    period_s: float
    time_column: str
    time_unit: str
    between_s: float = 0.0
    remarks: tuple[str, ...] = ()
    time_doubt: str = ""
    time_why: str = ""


def read_logs(paths: Sequence[Path], sets: Mapping[KeyPath, Any]) -> Log:
    """Read logs, one behind the other; a column that a later one lacks was not sent there.

    Args:
        paths: The logs.
        sets: Answers given beforehand: what they say of the time.

    Raises:
        BadInput: One can't be read, has no rows, nothing tells its time, or its header is another.
    """
    first = open_table(paths[0])
    told = _time_told(first, sets)
    tables = [first if told is None else open_table(paths[0], told)]
    tables += [open_table(path, told) for path in paths[1:]]
    for path, table in zip(paths, tables, strict=True):
        _check_alike(paths[0], tables[0], path, table)
        if not len(table.time_s):
            raise BadInput(
                f"{called(path)}: found no column that tells time, expected one, or how far apart "
                "rows are: --set time.unit=rows --set time.period=20ms"
            )
    return log_of(tables)


def log_of(tables: Sequence[Table]) -> Log:
    """Return logs' tables as they go one behind the other; each has times."""
    names = dict.fromkeys(c.rig_name for table in tables for c in readings_of(table))
    parts: dict[str, list[Any]] = {name: [] for name in names}
    units = dict.fromkeys(names, "")
    times: list[Any] = []
    end_s = -_GAP_S
    remarks: list[str] = []
    for table in tables:
        time_s = np.asarray(table.time_s, dtype=float)
        usable = np.isfinite(time_s)
        usable &= np.fmax.accumulate(np.where(usable, time_s, -np.inf)) <= time_s
        if table.remark:
            remarks.append(table.remark)
        if back := int(np.count_nonzero(np.isfinite(time_s) & ~usable)):
            rows = counted(back, "row")
            remarks.append(f"{clean(table.path.name, 40)}: {rows} left out: its clock steps back")
        times.append(time_s[usable] - time_s[usable][0] + end_s + _GAP_S)
        end_s = float(times[-1][-1])
        there = {column.rig_name: column for column in readings_of(table)}
        for name in names:
            column = there.get(name)
            units[name] = units[name] or (column.unit if column is not None else "")
            values = np.full(len(time_s), np.nan) if column is None else column.values
            parts[name].append(np.asarray(values, dtype=float)[usable])
    found = tables[0].time
    steps_s = np.diff(times[0])
    return Log(
        source=_source([table.path for table in tables]),
        columns=tuple(Column(name, units[name], np.concatenate(parts[name])) for name in names),
        time_s=np.concatenate(times),
        period_s=float(np.median(steps_s[steps_s > 0.0])) if (steps_s > 0.0).any() else 0.0,
        time_column="" if found.column is None else tables[0].columns[found.column].rig_name,
        time_unit=found.unit,
        between_s=_GAP_S * (len(tables) - 1),
        remarks=tuple(remarks),
        time_doubt="" if found.is_sure else found.why,
        time_why=found.why,
    )


def _check_alike(first: Path, of_first: Table, path: Path, table: Table) -> None:
    """Refuse a log whose header isn't the first one's: it may only have fewer columns, or more."""
    there = dict.fromkeys(column.name for column in of_first.columns if column.name)
    here = dict.fromkeys(column.name for column in table.columns if column.name)
    more = [name for name in here if name not in there]
    fewer = [name for name in there if name not in here]
    if more and fewer:
        raise BadInput(
            f'{called(path)}: found a header with "{clean(more[0], 24)}" and without '
            f'"{clean(fewer[0], 24)}", expected that of {called(first)}: a draft is of one car '
            "and logger"
        )


def _source(paths: Sequence[Path]) -> str:
    """Return the logs' names in a few words."""
    named = [clean(path.name, 40) for path in paths[:_MOST_NAMED]]
    more = len(paths) - len(named)
    return ", ".join(named) + (f" and {more} more" if more else "")


def _time_told(table: Table, sets: Mapping[KeyPath, Any]) -> TimeMap | None:
    """Return the time that somebody told, the rest of it as it was found; None where none did."""
    said = {str(path[1]): value for path, value in sets.items() if path[0] == "time"}
    if not said:
        return None
    found = table.time
    name = "" if found.column is None else table.columns[found.column].rig_name
    usual = TimeMap()
    return TimeMap(
        column=str(said.get("column", name or usual.column)),
        unit=str(said.get("unit", found.unit)),
        period_s=float(Seconds.from_toml(said["period"])) if "period" in said else usual.period_s,
    )


def readings_of(table: Table) -> list[TableColumn]:
    """Return a table's columns that hold readings: not its time, nor text, nor clocks."""
    return [
        column
        for index, column in enumerate(table.columns)
        if index != table.time.column and not column.is_clock and column.name and column.text < 0.5
    ]


def in_unit(log: Log, unit: str) -> Log:
    """Return a log whose time was said to be in a unit."""
    ratio = TimeMap(unit=unit).factor / TimeMap(unit=log.time_unit).factor
    return replace(
        log,
        time_s=log.time_s * ratio,
        between_s=log.between_s * ratio,
        period_s=log.period_s * ratio,
        time_unit=unit,
        time_doubt="",
        time_why=ASKED,
    )


def with_defaults(log: Log, guesses: Sequence[Guess]) -> list[Guess]:
    """Return the guesses with those in doubt as injector duty and engine speed speak for."""
    readings = Readings(log.columns, guesses, log.time_s, _ambient_kpa(log))
    return [better_default(one, readings) for one in guesses]


def doubts(log: Log, guesses: Sequence[Guess]) -> list[str]:
    """Return a sentence for each thing in the logs that speaks against the guesses."""
    return doubts_of(Readings(log.columns, guesses, log.time_s, _ambient_kpa(log)))


def from_log(log: Log, guesses: Sequence[Guess], *, healthy: bool | None) -> FromLog:
    """Return what a rig takes from logs.

    Args:
        log: The logs.
        guesses: What each column is, as far as that is known.
        healthy: Whether somebody said that the spray worked all through; None: nobody did. If it
            didn't, nothing is concluded from the flow.
    """
    # A unit in doubt hides no shape: when spray begins, and what it goes by, can be told.
    settled = [
        one
        if one.sure is not Sure.ASK or one.channel == "boost_kpa" or one.asked == "unit"
        else _without(one)
        for one in guesses
    ]
    if healthy is False:
        settled = [_without(g) if g.channel == "delivered_ml_min" else g for g in settled]
    readings = Readings(log.columns, settled, log.time_s, _ambient_kpa(log))
    speed, boost = readings.get("engine_speed_rpm"), readings.get("boost_kpa")
    law = find_law(readings)
    return FromLog(
        source=log.source,
        guesses=tuple(guesses),
        law=law,
        top_kpa=None if boost is None else float(np.quantile(boost, 0.995)),
        period_s=log.period_s,
        time_column=log.time_column,
        time_unit=log.time_unit,
        ambient=ambient_of(log.columns),
        redline_rpm=0.0 if speed is None else 250.0 * ceil(float(np.max(speed)) / 250.0),
        full_boost_rpm=_full_boost_rpm(speed, boost),
        injector_ml_min=_injectors_ml_min(readings),
        refresh_s=_refresh_s(log, settled),
        line_kpa=_line_kpa(readings),
        line_follows=line_follows_kpa(readings) is not None,
        healthy=healthy,
    )


def _without(guess: Guess) -> Guess:
    return replace(guess, channel="")


def _ambient_kpa(log: Log) -> float:
    found = ambient_of(log.columns)
    return AIR_KPA if found is None else found[0]


def _full_boost_rpm(speed: Any, boost: Any) -> float | None:
    """Return the engine speed at which pulls had full boost: the least of them, roughly."""
    if speed is None or boost is None:
        return None
    top_kpa = float(np.quantile(boost, 0.995))
    at = speed[boost > 0.93 * top_kpa] if top_kpa > 8.0 else speed[:0]
    return 50.0 * round(float(np.quantile(at, 0.05)) / 50.0) if len(at) > 50 else None


def _injectors_ml_min(readings: Readings) -> float | None:
    """Return what all injectors give at 100 %, for 1 L of displacement: speed-density at high load.

    Air drawn in is the displacement's half a turn, of the manifold's density at 315 K and a
    volumetric efficiency of 95 % (common practice, no source).
    """
    speed, boost = readings.get("engine_speed_rpm"), readings.get("boost_kpa")
    duty = readings.get("injector_duty_pct")
    if speed is None or boost is None or duty is None:
        return None
    high = boost > float(np.min(boost)) + 0.8 * float(np.ptp(boost))
    high &= (speed > 1500.0) & (duty > 10.0) & (duty < 99.0)
    if high.sum() < 50:
        return None
    ratio = readings.get("lambda_ratio")
    rich = _RICH if ratio is None else np.clip(ratio[high], 0.6, 1.1)
    kpa = boost[high] + readings.ambient_kpa
    air_kg_min = _EFFICIENCY * 1e-3 * 0.5 * speed[high] * 1e3 * kpa / (_AIR_J_KG_K * _CHARGE_K)
    petrol_ml_min = 1e3 * air_kg_min / (_AIR_TO_PETROL * rich) / _PETROL_KG_L
    open_share = 0.01 * duty[high] - _DEAD_S * speed[high] / 120.0
    each = petrol_ml_min / np.clip(open_share, 0.02, None)
    return float(np.median(each))


def _line_kpa(readings: Readings) -> float | None:
    """Return the line's pressure in full spray; None where it isn't logged."""
    line, flow = readings.get("line_kpa"), readings.get("delivered_ml_min")
    if flow is None:
        flow = readings.get("commanded_ml_min")
    if line is None or flow is None or float(np.max(flow)) <= 0.0:
        return None
    return float(np.median(line[flow > 0.7 * float(np.max(flow))]))


def _refresh_s(log: Log, guesses: Sequence[Guess]) -> float:
    """Return how long the flow sensor holds a reading while it sprays; 0 where it doesn't."""
    for column, guess in zip(log.columns, guesses, strict=True):
        if guess.channel != "delivered_ml_min":
            continue
        there = np.isfinite(column.values)
        values, time_s = column.values[there], log.time_s[there]
        sprays = values > 0.3 * float(np.max(values, initial=0.0))
        turns = np.flatnonzero((np.diff(values) != 0.0) & sprays[1:] & sprays[:-1])
        if len(turns) < 20:
            return 0.0
        apart_s = np.diff(time_s[turns])
        usual_s = float(np.median(apart_s[apart_s < 2.0])) if (apart_s < 2.0).any() else 0.0
        return min(round(usual_s, 3), 2.0) if usual_s > 1.6 * log.period_s else 0.0
    return 0.0
