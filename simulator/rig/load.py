"""From a rig file to the facts the rules want."""

from dataclasses import dataclass
from importlib.resources import files
from math import inf
from pathlib import Path
from typing import Any

from rules import facts
from simulator.rig import tables as rig_tables
from simulator.rig.checks import check_rig
from simulator.rig.columns import (
    TIME_FACTORS,
    ColumnMap,
    SerialTerms,
    TimeMap,
    channel_terms,
    check_channels,
    check_columns,
    column_map,
    mapped,
)
from simulator.rig.mix import density_kg_m3, mass_pct
from simulator.rig.renamed import refuse_old_names
from simulator.strict import BadInput, Document, clean, read_text


@dataclass(frozen=True, slots=True)
class RigFile:
    """A rig file, read and checked.

    Attributes:
        rig: Facts for the rules, in plain floats.
        columns: By channel name, the column and its conversion.
        time: The time column.
        serial: How the serial port speaks.
        text: The file as it was, for the recorder.
        file_name: Where it came from.
    """

    rig: facts.Rig
    columns: dict[str, ColumnMap]
    time: TimeMap
    serial: SerialTerms
    text: str
    file_name: str


def load_rig(path: str | Path) -> RigFile:
    """Read a rig file.

    Raises:
        BadInput: Unreadable, or anything in it missing, unknown or wrong.
    """
    return rig_from_text(read_text(Path(path)), str(path))


def rig_from_text(text: str, file_name: str) -> RigFile:
    """Read a rig from the text of its file.

    Args:
        text: TOML, at most 1 MB.
        file_name: How messages call the file.

    Raises:
        BadInput: Anything missing, unknown or wrong, as ``FILE:LINE: key: found X, expected Y``.
    """
    document = Document.parse(text, file_name)
    refuse_old_names(document)
    tables = document.decode(rig_tables.RigTables)
    check_channels(document, tables)
    check_columns(document, tables)
    check_rig(document, tables)
    ambient_kpa = float(tables.engine.ambient_pressure)
    channels = list(mapped(tables))
    rig = facts.Rig(
        name=str(tables.name),
        engine=_engine(tables.engine),
        injectors=_injectors(tables.injectors),
        spray=_spray(tables.spray),
        command=_command(tables.command),
        paid=facts.Paid(
            _floats(tables.paid.boost), _floats(tables.paid.timing), float(tables.paid.dry_limit)
        ),
        debt=_debt(tables.debt),
        ladder=_ladder(tables.ladder),
        limits=_limits(tables.limits),
        watch=_watch(tables.watch),
        fault_intervals=facts.FaultIntervals(
            float(tables.fault_intervals.reaction), float(tables.fault_intervals.tolerant)
        ),
        vehicle=_vehicle(tables.vehicle),
        channels=tuple(channel_terms(document, channel, table) for channel, table in channels),
    )
    columns = {
        channel.name: column_map(document, channel, table, ambient_kpa)
        for channel, table in channels
    }
    serial = tables.serial
    return RigFile(
        rig=rig,
        columns=columns,
        time=TimeMap(
            str(tables.time.column),
            TIME_FACTORS[tables.time.unit],
            tables.time.unit,
            float(tables.time.period),
        ),
        serial=SerialTerms(
            serial.baud,
            None if serial.columns is None else tuple(str(name) for name in serial.columns),
            None if serial.crc is None else str(serial.crc),
            None if serial.sequence is None else str(serial.sequence),
        ),
        text=text,
        file_name=file_name,
    )


def shipped_rigs() -> dict[str, Path]:
    """Return the rigs that come with the program, by name."""
    folder = Path(str(files("simulator") / "rigs"))
    return {path.stem: path for path in sorted(folder.glob("*.toml"))}


def find_rig(name_or_path: str | Path) -> Path:
    """Return the file of a shipped rig's name, or the path itself.

    Raises:
        BadInput: Neither a shipped rig nor anything that looks like a file.
    """
    shipped = shipped_rigs()
    if str(name_or_path) in shipped:
        return shipped[str(name_or_path)]
    path = Path(name_or_path)
    try:
        there = path.suffix == ".toml" or path.exists()
    except (OSError, ValueError):
        there = False
    if not there:
        raise BadInput(
            f'found rig "{clean(str(name_or_path))}", '
            f"expected a file or a shipped rig: {', '.join(shipped)}"
        )
    return path


def _floats(values: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(float(value) for value in values)


def _action(word: str) -> facts.Action:
    return facts.Action[word.upper()]


def _engine(table: rig_tables.EngineTable) -> facts.Engine:
    return facts.Engine(
        displacement_l=float(table.displacement) / 1000.0,
        cylinders=table.cylinders,
        redline_rpm=float(table.redline),
        volumetric_efficiency=table.volumetric_efficiency_pct / 100.0,
        ambient_kpa=float(table.ambient_pressure),
        charger=facts.Charger[table.charger.upper()],
        compression_ratio=table.compression_ratio,
        petrol_octane=table.petrol_octane,
        full_boost_from_rpm=(
            None if table.full_boost_from is None else float(table.full_boost_from)
        ),
    )


def _vehicle(table: rig_tables.VehicleTable) -> facts.Vehicle:
    return facts.Vehicle(
        mass_kg=table.mass_kg,
        drag_area_m2=table.drag_area_m2,
        gears=table.gears,
        final_drive=table.final_drive,
        tyre_radius_m=table.tyre_radius_m,
    )


def _injectors(table: rig_tables.InjectorsTable) -> facts.Injectors:
    return facts.Injectors(
        count=table.count,
        rated_ml_min=float(table.rated_flow),
        rated_kpa=float(table.rated_pressure),
        fuel_kpa=float(table.fuel_pressure),
        dead_time_ms=float(table.dead_time) * 1000.0,
    )


def _spray(table: rig_tables.SprayTable) -> facts.Spray:
    methanol_mass_pct = mass_pct(table.methanol_by_volume_pct)
    regulated = table.pump.regulated
    return facts.Spray(
        nozzles=tuple(
            facts.Nozzle(float(nozzle.rated_flow), float(nozzle.rated_pressure), nozzle.count)
            for nozzle in table.nozzles
        ),
        pump=facts.Pump(
            float(table.pump.shut_off),
            float(table.pump.free_flow),
            inf if regulated is None else float(regulated),
            float(table.pump.run_down),
        ),
        fluid_kg_m3=density_kg_m3(methanol_mass_pct),
        methanol_mass_pct=methanol_mass_pct,
        check_valve_kpa=float(table.check_valve),
        transport_delay_s=float(table.transport_delay),
        lag_s=float(table.lag),
        tank_ml=float(table.tank),
    )


def _command(table: rig_tables.CommandTable) -> facts.Command:
    more: dict[str, Any] = {}
    match table:
        case rig_tables.LogFlow():
            kind = facts.CommandKind.LOG_FLOW
        case rig_tables.LogPercent():
            kind = facts.CommandKind.LOG_PERCENT
        case rig_tables.Fixed(rate=rate):
            kind = facts.CommandKind.FIXED
            more = {"rate_ml_min": inf if rate is None else float(rate)}
        case rig_tables.ByBoost(full_boost=full):
            kind = facts.CommandKind.BOOST
            more = {"full_boost_kpa": float(full)}
        case rig_tables.ByDuty(start_duty=start, full_duty=full_duty):
            kind = facts.CommandKind.INJECTOR_DUTY
            more = {"start_duty_pct": float(start), "full_duty_pct": float(full_duty)}
        case rig_tables.ByMap():
            kind = facts.CommandKind.MAP
            more = {
                "map_boost_kpa": _floats(table.map_boost),
                "map_duty_pct": _floats(table.map_duty),
                "map_pct": tuple(_floats(row) for row in table.map_pct),
            }
    return facts.Command(kind=kind, start_boost_kpa=float(table.start_boost), **more)


def _debt(table: rig_tables.DebtTable) -> facts.DebtTerms:
    return facts.DebtTerms(
        share=float(table.share) / 100.0,
        floor_ml_min=float(table.floor),
        delay_tolerance_s=float(table.delay_tolerance),
        warn_ml=float(table.warn),
        pull_ml=float(table.pull),
        cut_ml=float(table.cut),
        lead=float(table.lead) / 100.0,
        arrears_share=float(table.arrears_share) / 100.0,
        arrears_ml=float(table.arrears),
    )


def _ladder(table: rig_tables.LadderTable) -> facts.Ladder:
    return facts.Ladder(
        margin=float(table.margin),
        step_deg=float(table.step),
        max_retard_deg=float(table.max_retard),
        shortfall_outlasts_s=float(table.shortfall_outlasts),
        release_below_kpa=float(table.release_below),
        release_after_s=float(table.release_after),
        acknowledge_to_release=table.acknowledge_to_release,
        on_blind=_action(table.on_blind),
        blind_after_s=float(table.blind_after),
        give_back_deg_s=table.give_back_deg_per_s,
    )


def _watch(table: rig_tables.WatchTable) -> facts.Watch:
    return facts.Watch(
        no_delivery_for_s=float(table.no_delivery_for),
        no_command_above_kpa=_or(table.no_command_above, inf),
        no_command_for_s=float(table.no_command_for),
        unasked_ml_min=float(table.unasked_above),
        unasked_for_s=float(table.unasked_for),
        over_ml=_or(table.over, inf),
        over_action=_action(table.over_action),
        least_drop_k=table.least_drop_k,
        most_rise_k=_or(table.most_rise_k, inf),
        cooling_for_s=float(table.cooling_for),
        cooling_action=_action(table.cooling_action),
        knock_persists_for_s=float(table.knock_persists_for),
        tank_reserve_ml=float(table.tank_reserve),
        tank_time_s=float(table.tank_time),
        confirm_within_s=float(table.confirm_within),
        confirm_timing_deg=float(table.confirm_timing),
        confirm_boost_kpa=float(table.confirm_boost),
        not_followed_action=_action(table.not_followed_action),
        logger_stuck_after_s=float(table.logger_stuck_after),
        disagree_share=float(table.disagree_above) / 100.0,
        contradicted_share=float(table.contradicted_above) / 100.0,
        cross_check_for_s=float(table.cross_check_for),
    )


def _or(value: float | None, default: float) -> float:
    return default if value is None else float(value)


def _limits(table: rig_tables.LimitsTable) -> facts.Limits:
    given = {
        name: facts.Limit(float(limit.above), float(limit.for_), _action(limit.action))
        for name, limit in (
            ("boost_kpa", table.boost_kpa),
            ("injector_duty_pct", table.injector_duty_pct),
            ("intake_c", table.intake_c),
            ("knock", table.knock),
        )
        if limit is not None
    }
    return facts.Limits(**given)
