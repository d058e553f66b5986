"""What a rig file may say, table by table. The defaults are those of ``rules.facts``."""

from typing import Annotated, Final, Generic, Literal, TypeVar

from msgspec import Meta, field

from rules import facts
from simulator.strict import (
    DegC,
    Degrees,
    Knock,
    Kpa,
    Ml,
    MlMin,
    Percent,
    PlainText,
    Quantity,
    Rpm,
    Seconds,
    Table,
)

_ENGINE: Final = facts.Engine(displacement_l=1.0, cylinders=1, redline_rpm=1.0)
_INJECTORS: Final = facts.Injectors(count=1, rated_ml_min=1.0)
_SPRAY: Final = facts.Spray(nozzles=(), pump=facts.Pump(1.0, 1.0))
_DEBT: Final = facts.DebtTerms()
_LADDER: Final = facts.Ladder()
_LIMIT: Final = facts.Limit()
_WATCH: Final = facts.Watch()
_INTERVALS: Final = facts.FaultIntervals()
_VEHICLE: Final = facts.Vehicle()

ActionWord = Literal["warn", "pull_timing", "cut_boost"]
Pct = Annotated[float, Meta(ge=0.0, le=100.0)]
FillingPct = Annotated[float, Meta(ge=50.0, le=130.0)]
Ratio = Annotated[float, Meta(ge=0.3, le=8.0)]
Q = TypeVar("Q", bound=Quantity)


# Narrower than the units' own bounds: a slip of a unit or of a digit should not pass.
class Displacement(Ml):
    """Engine displacement in mL."""

    EXAMPLE, LOW, HIGH = "1.8 L", 50.0, 12000.0


class Redline(Rpm):
    """Highest engine speed in rpm."""

    LOW = 1000.0


class Ambient(Kpa):
    """Ambient pressure in kPa, absolute."""

    EXAMPLE, LOW, HIGH = "101.3 kPa", 40.0, 110.0


class Boost(Kpa):
    """Boost in kPa, gauge."""

    HIGH = 450.0


class PositiveKpa(Kpa):
    """A pressure, or a pressure across something, that can't be nil."""

    EXAMPLE, LOW = "300 kPa", 1.0


class PressureDrop(Kpa):
    """A pressure lost, possibly nil."""

    EXAMPLE, LOW = "35 kPa", 0.0


class PositiveFlow(MlMin):
    """A flow that can't be nil."""

    LOW = 1.0


class DeadTime(Seconds):
    """Injector dead time in s."""

    EXAMPLE, HIGH = "1.0 ms", 0.02


class Delay(Seconds):
    """A delay or lag in s."""

    HIGH = 10.0


class Span(Seconds):
    """An on- or off-delay in s."""

    EXAMPLE, HIGH = "0.5 s", 600.0


class PositiveSpan(Span):
    """A time that can't be nil."""

    LOW = 0.001


class Tank(Ml):
    """Tank volume in mL."""

    EXAMPLE, LOW = "5 L", 50.0


class Share(Percent):
    """A part of a whole in percent."""

    LOW, HIGH = 0.0, 100.0


class Duty(Percent):
    """Injector duty in percent."""

    EXAMPLE, LOW, HIGH = "80 %", 0.0, 130.0


class Retard(Degrees):
    """Timing added or taken back, in degrees, never negative."""

    LOW, HIGH = 0.0, 60.0


class EngineTable(Table, frozen=True):
    """``[engine]``."""

    displacement: Displacement
    cylinders: Annotated[int, Meta(ge=1, le=16)]
    redline: Redline
    volumetric_efficiency_pct: FillingPct = _ENGINE.volumetric_efficiency * 100.0
    full_boost_from: Redline | None = None
    ambient_pressure: Ambient = Ambient(_ENGINE.ambient_kpa)
    # The rest is for the simulated car alone.
    charger: Literal["none", "turbocharger", "centrifugal", "displacement"] = "turbocharger"
    compression_ratio: Annotated[float, Meta(ge=6.0, le=16.0)] = _ENGINE.compression_ratio
    petrol_octane: Annotated[float, Meta(ge=85.0, le=110.0)] = _ENGINE.petrol_octane


class VehicleTable(Table, frozen=True):
    """``[vehicle]``: the car around the engine, for the simulated car alone."""

    mass_kg: Annotated[float, Meta(ge=300.0, le=5000.0)] = _VEHICLE.mass_kg
    drag_area_m2: Annotated[float, Meta(ge=0.2, le=3.0)] = _VEHICLE.drag_area_m2
    gears: Annotated[tuple[Ratio, ...], Meta(min_length=2, max_length=8)] = _VEHICLE.gears
    final_drive: Annotated[float, Meta(ge=1.0, le=8.0)] = _VEHICLE.final_drive
    tyre_radius_m: Annotated[float, Meta(ge=0.2, le=0.6)] = _VEHICLE.tyre_radius_m


class InjectorsTable(Table, frozen=True):
    """``[injectors]``."""

    count: Annotated[int, Meta(ge=1, le=64)]
    rated_flow: PositiveFlow
    rated_pressure: PositiveKpa = PositiveKpa(_INJECTORS.rated_kpa)
    fuel_pressure: PositiveKpa = PositiveKpa(_INJECTORS.fuel_kpa)
    dead_time: DeadTime = DeadTime(_INJECTORS.dead_time_ms / 1000.0)


class NozzleTable(Table, frozen=True):
    """``[[spray.nozzles]]``."""

    rated_flow: PositiveFlow
    rated_pressure: PositiveKpa
    count: Annotated[int, Meta(ge=1, le=32)] = 1


class PumpTable(Table, frozen=True):
    """``[spray.pump]``."""

    shut_off: PositiveKpa
    free_flow: PositiveFlow
    regulated: PositiveKpa | None = None
    run_down: PositiveSpan = PositiveSpan(_SPRAY.pump.run_down_s)


class SprayTable(Table, frozen=True):
    """``[spray]``. ``methanol_by_volume_pct`` counts the volumes poured, before mixing."""

    methanol_by_volume_pct: Pct
    nozzles: Annotated[tuple[NozzleTable, ...], Meta(min_length=1, max_length=16)]
    pump: PumpTable
    check_valve: PressureDrop = PressureDrop(_SPRAY.check_valve_kpa)
    transport_delay: Delay = Delay(_SPRAY.transport_delay_s)
    lag: Delay = Delay(_SPRAY.lag_s)
    tank: Tank = Tank(_SPRAY.tank_ml)


class LogFlow(Table, frozen=True, tag_field="kind", tag="log_flow"):
    """The log has the commanded flow."""

    start_boost: Boost


class LogPercent(Table, frozen=True, tag_field="kind", tag="log_percent"):
    """The log has the command in percent of full flow."""

    start_boost: Boost


class Fixed(Table, frozen=True, tag_field="kind", tag="fixed"):
    """Full flow, or ``rate``, above a switch point."""

    start_boost: Boost
    rate: PositiveFlow | None = None


class ByBoost(Table, frozen=True, tag_field="kind", tag="boost"):
    """From nothing to full flow between two boosts."""

    start_boost: Boost
    full_boost: Boost


class ByDuty(Table, frozen=True, tag_field="kind", tag="injector_duty"):
    """From nothing to full flow between two injector duties."""

    start_boost: Boost
    start_duty: Duty
    full_duty: Duty


class ByMap(Table, frozen=True, tag_field="kind", tag="map"):
    """Percent of full flow by boost (rows) and injector duty (columns), bilinear."""

    start_boost: Boost
    map_boost: Annotated[tuple[Boost, ...], Meta(min_length=2, max_length=32)]
    map_duty: Annotated[tuple[Duty, ...], Meta(min_length=2, max_length=32)]
    map_pct: Annotated[tuple[tuple[Pct, ...], ...], Meta(min_length=2, max_length=32)]


CommandTable = LogFlow | LogPercent | Fixed | ByBoost | ByDuty | ByMap


class PaidTable(Table, frozen=True):
    """``[paid]``."""

    boost: Annotated[tuple[Boost, ...], Meta(min_length=1, max_length=32)]
    timing: Annotated[tuple[Retard, ...], Meta(min_length=1, max_length=32)]
    dry_limit: Boost


class DebtTable(Table, frozen=True):
    """``[debt]``."""

    share: Share = Share(_DEBT.share * 100.0)
    floor: MlMin = MlMin(_DEBT.floor_ml_min)
    delay_tolerance: Delay = Delay(_DEBT.delay_tolerance_s)
    lead: Share = Share(_DEBT.lead * 100.0)
    warn: Ml = Ml(_DEBT.warn_ml)
    pull: Ml = Ml(_DEBT.pull_ml)
    cut: Ml = Ml(_DEBT.cut_ml)
    arrears_share: Share = Share(_DEBT.arrears_share * 100.0)
    arrears: Ml = Ml(_DEBT.arrears_ml)


class LadderTable(Table, frozen=True):
    """``[ladder]``."""

    margin: Annotated[float, Meta(ge=1.0, le=5.0)] = _LADDER.margin
    step: Retard = Retard(_LADDER.step_deg)
    max_retard: Retard = Retard(_LADDER.max_retard_deg)
    shortfall_outlasts: Span = Span(_LADDER.shortfall_outlasts_s)
    release_below: Boost = Boost(_LADDER.release_below_kpa)
    release_after: Span = Span(_LADDER.release_after_s)
    acknowledge_to_release: bool = _LADDER.acknowledge_to_release
    # Never "no_action": what can't be seen isn't healthy.
    on_blind: ActionWord = "cut_boost"
    blind_after: Span = Span(_LADDER.blind_after_s)
    # Degrees a second; timing is taken at once and given back no faster than this.
    give_back_deg_per_s: Annotated[float, Meta(ge=0.5, le=1000.0)] = _LADDER.give_back_deg_s


class LimitTable(Table, Generic[Q], frozen=True):
    """``[limits.CHANNEL]``."""

    above: Q
    for_: Span = field(name="for", default=Span(_LIMIT.for_s))
    action: ActionWord = "warn"


class LimitsTable(Table, frozen=True):
    """``[limits]``."""

    boost_kpa: LimitTable[Boost] | None = None
    injector_duty_pct: LimitTable[Duty] | None = None
    intake_c: LimitTable[DegC] | None = None
    knock: LimitTable[Knock] | None = None


class WatchTable(Table, frozen=True):
    """``[watch]``: the findings beside debt and limits."""

    no_delivery_for: PositiveSpan = PositiveSpan(_WATCH.no_delivery_for_s)
    no_command_above: Boost | None = None
    no_command_for: PositiveSpan = PositiveSpan(_WATCH.no_command_for_s)
    unasked_above: PositiveFlow = PositiveFlow(_WATCH.unasked_ml_min)
    unasked_for: PositiveSpan = PositiveSpan(_WATCH.unasked_for_s)
    over: Ml | None = Ml(_WATCH.over_ml)
    over_action: ActionWord = "pull_timing"
    least_drop_k: Annotated[float, Meta(ge=0.0, le=100.0)] = _WATCH.least_drop_k  # plain numbers
    most_rise_k: Annotated[float, Meta(ge=1.0, le=200.0)] | None = None
    cooling_for: PositiveSpan = PositiveSpan(_WATCH.cooling_for_s)
    cooling_action: ActionWord = "pull_timing"
    knock_persists_for: PositiveSpan = PositiveSpan(_WATCH.knock_persists_for_s)
    tank_reserve: Ml = Ml(_WATCH.tank_reserve_ml)
    tank_time: Span = Span(_WATCH.tank_time_s)
    confirm_within: PositiveSpan = PositiveSpan(_WATCH.confirm_within_s)
    confirm_timing: Retard = Retard(_WATCH.confirm_timing_deg)
    confirm_boost: PressureDrop = PressureDrop(_WATCH.confirm_boost_kpa)
    not_followed_action: ActionWord = "cut_boost"
    logger_stuck_after: PositiveSpan = PositiveSpan(_WATCH.logger_stuck_after_s)
    disagree_above: Share = Share(_WATCH.disagree_share * 100.0)
    contradicted_above: Percent = Percent(_WATCH.contradicted_share * 100.0)
    cross_check_for: PositiveSpan = PositiveSpan(_WATCH.cross_check_for_s)


class FaultIntervalsTable(Table, frozen=True):
    """``[fault_intervals]``: the time budget, in ISO 26262 terms."""

    reaction: Span = Span(_INTERVALS.reaction_s)
    tolerant: PositiveSpan = PositiveSpan(_INTERVALS.tolerant_s)


class ChannelTable(Table, frozen=True):
    """``[channels.NAME]``."""

    column: PlainText | None = None
    unit: PlainText | None = None
    absolute: bool = False
    plausible: tuple[str, str] | None = None
    max_age: PositiveSpan | None = None
    stuck_after: PositiveSpan | None = None
    # Fastest change that can be real, in the channel's own unit each second.
    most_per_s: Annotated[float, Meta(gt=0.0, le=1e9)] | None = None


class ChannelsTable(Table, frozen=True):
    """``[channels]``: one table for each channel this car has."""

    engine_speed_rpm: ChannelTable | None = None
    boost_kpa: ChannelTable | None = None
    injector_duty_pct: ChannelTable | None = None
    intake_c: ChannelTable | None = None
    knock: ChannelTable | None = None
    commanded_ml_min: ChannelTable | None = None
    command_pct: ChannelTable | None = None
    delivered_ml_min: ChannelTable | None = None
    timing_deg: ChannelTable | None = None
    lambda_ratio: ChannelTable | None = None
    throttle_pct: ChannelTable | None = None
    tank_ml: ChannelTable | None = None
    line_kpa: ChannelTable | None = None
    supply_v: ChannelTable | None = None
    dry_intake_c: ChannelTable | None = None
    confirmed_retard_deg: ChannelTable | None = None
    confirmed_ceiling_kpa: ChannelTable | None = None


class TimeTable(Table, frozen=True):
    """``[time]``."""

    column: PlainText = PlainText("time_s")
    unit: Literal["s", "ms", "us"] = "s"
    period: PositiveSpan = PositiveSpan(0.01)


class SerialTable(Table, frozen=True):
    """``[serial]``. ``crc`` and ``sequence`` name columns."""

    baud: Annotated[int, Meta(ge=300, le=4_000_000)] = 115200
    columns: Annotated[tuple[PlainText, ...], Meta(min_length=1, max_length=256)] | None = None
    crc: PlainText | None = None
    sequence: PlainText | None = None


class RigTables(Table, frozen=True):
    """A whole rig file."""

    name: PlainText
    engine: EngineTable
    injectors: InjectorsTable
    spray: SprayTable
    command: CommandTable
    paid: PaidTable
    channels: ChannelsTable
    debt: DebtTable = DebtTable()
    ladder: LadderTable = LadderTable()
    limits: LimitsTable = LimitsTable()
    watch: WatchTable = WatchTable()
    fault_intervals: FaultIntervalsTable = FaultIntervalsTable()
    vehicle: VehicleTable = VehicleTable()
    time: TimeTable = TimeTable()
    serial: SerialTable = SerialTable()
