"""Runs out of logs: each pull, smoothed, with torque as logged or from how the car gained speed."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from math import inf, isfinite, nan
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np

from monitor.recorder.reader import SessionBlocks, is_session
from monitor.review.pulls import Gear, Pull, PullFinder
from monitor.sources.lines.columns import is_own_header, numbered
from monitor.sources.logs.arrow_file import ArrowFile
from monitor.sources.logs.csv_layout import read_layout
from monitor.sources.logs.file_kind import kind_of
from monitor.sources.logs.open import log_blocks
from rules.channels import CHANNEL_NAMES, ENGINE_SPEED, NOT_SENT, ROW_WIDTH, TIME
from rules.facts import Rig
from simulator.dyno.correction import Air
from simulator.dyno.curves import Floats, Sweep, TooFewReadings, sweep, torque_of_power_nm
from simulator.dyno.road_load import STILL_AIR_KG_M3, nm_per_rpm_s, torque_nm
from simulator.rig import EXTRA_KINDS, RigFile
from simulator.strict import BadInput, Document, called

NARROWEST_RPM: Final = 1000.0  # a run through less says little; common practice, no source
# What is told beside torque, and the least it can be: a smoothed step swings below nought.
BESIDE: Final = {
    "boost_kpa": -inf,
    "intake_c": -inf,
    "timing_deg": -inf,
    "knock": 0.0,
    "delivered_ml_min": 0.0,
}
_AS_READ: Final = "speed as read"
_HEAD_ROWS: Final = 1024
_AT_START_S: Final = 0.5
_SPRAYED_OF_ALL: Final = 90.0  # percentile of a run's flow that tells whether it was sprayed


class Weather(NamedTuple):
    """The air outside, as far as it is known; NaN where not."""

    ambient_c: float
    barometer_kpa: float
    humidity_pct: float

    @property
    def air(self) -> Air | None:
        """The air, where all of it is known."""
        return Air(*self) if all(map(isfinite, self)) else None

    @property
    def density_kg_m3(self) -> float:
        """Its density; vapour, which takes less than 1 % off, is left out where it isn't known."""
        if not (isfinite(self.ambient_c) and isfinite(self.barometer_kpa)):
            return STILL_AIR_KG_M3
        humidity_pct = self.humidity_pct if isfinite(self.humidity_pct) else 0.0
        return Air(self.ambient_c, self.barometer_kpa, humidity_pct).density_kg_m3


@dataclass(frozen=True, slots=True)
class Run:
    """A run at full throttle.

    Attributes:
        log: The log's name.
        start_s: When it starts, by the log's own time.
        end_s: When it ends.
        from_s: When the log starts.
        gear: Which, and how that is known.
        gear_stated: Whether nothing but a person says so.
        sweep: It, smoothed.
        torque_nm: At the crank, in step with ``sweep``, (n,), as measured.
        noise_nm: Standard deviation of what the engine speed's noise leaves in it; NaN as logged.
        as_logged: Whether torque, or power, stood in the log.
        columns: ``BESIDE``, in step with ``sweep``; NaN where not read.
        weather: The air outside.
        start_intake_c: Intake temperature as it begins, ahead of the spray where that is read; NaN.
        sprayed: Whether spray flowed, or was commanded where no flow is read; None: not to be told.
    """

    log: str
    start_s: float
    end_s: float
    from_s: float
    gear: Gear
    gear_stated: bool
    sweep: Sweep
    torque_nm: Floats
    noise_nm: float
    as_logged: bool
    columns: dict[str, Floats]
    weather: Weather
    start_intake_c: float
    sprayed: bool | None

    @property
    def span_rpm(self) -> tuple[float, float]:
        """From which engine speed to which it goes, as smoothed."""
        return float(self.sweep.speed_rpm.min()), float(self.sweep.speed_rpm.max())


class LeftOut(NamedTuple):
    """A run that isn't used; times as ``Run`` has them."""

    log: str
    start_s: float
    end_s: float
    from_s: float
    why: str


@dataclass(frozen=True, slots=True)
class _Smoothed:
    """What is kept of a pull: a run but for its gear, which is known once the log is at its end."""

    sweep: Sweep
    logged_nm: Floats
    columns: dict[str, Floats]
    weather: Weather
    start_intake_c: float
    sprayed: bool | None


def runs_in(
    path: Path, name: str, rig_file: RigFile, gear: int | None, weather: Weather, window_s: float
) -> tuple[list[Run], list[LeftOut]]:
    """Return the runs of a log, and what was left out of it.

    Args:
        path: Log or session's folder.
        name: How the log is called.
        rig_file: The rig that maps its columns.
        gear: In which gear runs were driven of which the log doesn't tell it; None: not stated.
        weather: The air outside where the log holds none; NaN for what isn't stated.
        window_s: What runs are smoothed over.

    Raises:
        BadInput: It can't be read, holds no run, or lacks what torque could be told by.
    """
    finder = PullFinder(rig_file.rig)
    read: list[tuple[Pull, _Smoothed | str]] = []
    from_s = nan

    def keep(pulls: list[Pull]) -> None:
        for pull in pulls:
            read.append((pull, _smoothed(pull, rig_file.rig, weather, window_s)))
            pull.rows = {}  # a log may be longer than memory

    for columns in _columns(path, rig_file):
        if not isfinite(from_s) and len(columns["time_s"]):
            from_s = float(columns["time_s"][0])
        keep(finder.take(columns))
    keep(finder.finish())
    if not read:
        raise BadInput(
            f"{called(path)}: found no run at full throttle, expected one of a second or longer"
        )
    found: list[Run] = []
    left_out: list[LeftOut] = []
    for pull, smooth in read:
        place = (name, pull.start_s, pull.end_s, from_s)
        if isinstance(smooth, str):
            left_out.append(LeftOut(*place, smooth))
            continue
        stated = gear is not None and pull.gear.number is None
        told = Gear(gear, "as stated") if stated else pull.gear
        torque = _torque(smooth, told, rig_file)
        if isinstance(torque, str):
            left_out.append(LeftOut(*place, torque))
            continue
        found.append(
            Run(
                *place,
                gear=told,
                gear_stated=stated,
                sweep=smooth.sweep,
                torque_nm=torque[0],
                noise_nm=torque[1],
                as_logged=not isfinite(torque[1]),
                columns=smooth.columns,
                weather=smooth.weather,
                start_intake_c=smooth.start_intake_c,
                sprayed=smooth.sprayed,
            )
        )
    return found, left_out


def _columns(path: Path, rig_file: RigFile) -> Iterator[dict[str, Any]]:
    """Yield a log's rows as columns by name, the rig's ``[extra]`` among them."""
    by_torque = False
    if is_session(path):
        blocks: Iterable[Any] = SessionBlocks(path)
    else:
        there = _there(path, rig_file)
        by_torque = not there.columns.keys() & {"throttle_pct", "boost_kpa"}
        blocks = log_blocks(path, there, extra=True)
    for rows in blocks:
        rows = np.where(rows == NOT_SENT, np.nan, rows)
        columns = {"time_s": rows[:, TIME], _AS_READ: rows[:, ENGINE_SPEED]}
        columns |= {name: rows[:, place] for place, name in enumerate(CHANNEL_NAMES, start=1)}
        for place, name in enumerate(EXTRA_KINDS, ROW_WIDTH):
            columns[name] = rows[:, place] if place < rows.shape[1] else np.full(len(rows), np.nan)
        if by_torque:  # a dyno's log that holds nothing else is of a run
            told = np.isfinite(columns["torque_nm"]) | np.isfinite(columns["power_kw"])
            columns["throttle_pct"] = np.where(told, 100.0, np.nan)
        yield columns


def _there(path: Path, rig_file: RigFile) -> RigFile:
    """Return the rig without what a log lacks: a dyno's hardly holds more than torque."""
    if kind_of(path) is None:
        names = [*read_layout(path, rig_file).names]
    else:
        names = ArrowFile(path, _HEAD_ROWS).schema.names
    names = [name.strip() for name in names]
    written = {*names, *numbered(names)}
    ours = set(names) if is_own_header(names) else set()
    columns = {
        channel: column
        for channel, column in rig_file.columns.items()
        if column.column in written or channel in ours or channel == "engine_speed_rpm"
    }
    return replace(rig_file, columns=columns)


def _smoothed(pull: Pull, rig: Rig, weather: Weather, window_s: float) -> _Smoothed | str:
    """Return what is kept of a pull, or why nothing is."""
    read = pull.columns
    t_s, spans_rpm = read["time_s"], pull.high_rpm - pull.low_rpm
    if not isfinite(spans_rpm):
        return "no engine speed is read"
    if spans_rpm < NARROWEST_RPM:
        return f"engine speed spans {spans_rpm:z.0f} rpm, expected {NARROWEST_RPM:zg} or more"
    try:
        smooth = sweep(t_s, read[_AS_READ], window_s)
    except TooFewReadings as error:
        return str(error)
    torque = smooth.along(t_s, read["torque_nm"])
    if np.isnan(torque).any():
        torque = torque_of_power_nm(smooth.along(t_s, read["power_kw"]), smooth.speed_rpm)
    return _Smoothed(
        sweep=smooth,
        logged_nm=torque,
        columns={
            channel: np.maximum(smooth.along(t_s, read[channel]), least)
            for channel, least in BESIDE.items()
        },
        weather=_weather_in(read, weather),
        start_intake_c=_intake_at_start(read),
        sprayed=_sprayed(read, rig),
    )


def _torque(smooth: _Smoothed, gear: Gear, rig_file: RigFile) -> tuple[Floats, float] | str:
    """Return torque and what noise leaves in it (NaN as logged), or why it can't be told."""
    if np.isfinite(smooth.logged_nm).all():
        return smooth.logged_nm, nan
    _check_vehicle(rig_file)
    rig, run = rig_file.rig, smooth.sweep
    if gear.number is None:
        return f"no torque is logged, and nothing tells its gear ({gear.why}; --gear states it)"
    if not 1 <= gear.number <= len(rig.vehicle.gears):
        return f"{gear.number} is no gear of [vehicle]"
    torque = torque_nm(
        rig, gear.number, run.speed_rpm, run.rise_rpm_s, smooth.weather.density_kg_m3
    )
    return torque, run.rise_noise_rpm_s * nm_per_rpm_s(rig, gear.number)


def _weather_in(read: dict[str, Floats], stated: Weather) -> Weather:
    """Return the weather in a run: as logged, else as stated."""
    logged = [_median(read[name]) for name in Weather._fields]
    return Weather(
        *(own if isfinite(own) else said for own, said in zip(logged, stated, strict=True))
    )


def _intake_at_start(read: dict[str, Floats]) -> float:
    t_s = read["time_s"]
    first = t_s <= t_s[0] + _AT_START_S
    dry_c, intake_c = (_median(read[name][first]) for name in ("dry_intake_c", "intake_c"))
    return dry_c if isfinite(dry_c) else intake_c


def _sprayed(read: dict[str, Floats], rig: Rig) -> bool | None:
    floor = rig.flow_sensor.floor_ml_min
    for name, least in (
        ("delivered_ml_min", 3.0 * floor),
        ("commanded_ml_min", floor),
        ("command_pct", 2.0),
    ):
        known = read[name][np.isfinite(read[name])]
        if len(known):
            return bool(np.percentile(known, _SPRAYED_OF_ALL) > least)
    return None


def _median(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else nan


def _check_vehicle(rig_file: RigFile) -> None:
    """Refuse a rig without the car's own mass, drag and gears: defaults would be another car's."""
    document = Document.parse(rig_file.text, rig_file.file_name)
    needed = ("mass_kg", "drag_area_m2", "gears", "final_drive", "tyre_radius_m")
    lacking = [key for key in needed if document.raw(("vehicle", key)) is None]
    if lacking:
        raise BadInput(
            f"{rig_file.file_name}: vehicle: found no {', '.join(lacking)}, expected the car's own "
            "(or torque or power in the log, and [extra.torque_nm] or [extra.power_kw]): torque is "
            "told from mass, gearing and drag"
        )
