"""Every key of a rig file, table by table: what may be written there, and which fact it becomes.

What a fact means, in which unit, and its default, which is the key's default too, stand beside its
name in ``rules.facts``. A new key is a row here and a field there.
"""

import contextlib
import re
from datetime import date
from functools import reduce
from operator import or_
from typing import Annotated, Final, Literal, Self

import msgspec
from msgspec import Meta

from rules import channels, facts
from rules.facts import CommandKind
from simulator.rig.source_terms import SerialTerms, TimeMap
from simulator.rig.tables import FactTable, Key, many, table
from simulator.strict import (
    Decoded,
    DegC,
    Degrees,
    KmH,
    Knock,
    Kpa,
    Kw,
    Mismatch,
    Ml,
    MlMin,
    Nm,
    Percent,
    Plain,
    PlainText,
    Quantity,
    Rpm,
    Seconds,
    Table,
)

# Ranges narrower than the units' own: a slip of a unit or of a digit should not pass.
BOOST: Final = Kpa.within(high=450.0)  # gauge
PRESSURE: Final = Kpa.within(low=1.0, example="300 kPa")
PRESSURE_DROP: Final = Kpa.within(low=0.0, example="35 kPa")
SPEED: Final = Rpm.within(low=1000.0)
FLOW: Final = MlMin.within(low=1.0)
DELAY: Final = Seconds.within(high=10.0)
SPAN: Final = Seconds.within(high=600.0, example="0.5 s")
SHARE: Final = Percent.within(0.0, 100.0)
RIPPLE: Final = Percent.within(0.0, 50.0)  # half of peak to peak
DUTY: Final = Percent.within(0.0, 130.0, "80 %")
RETARD: Final = Degrees.within(0.0, 60.0)  # added or taken back
ACTION: Final = Literal["warn", "pull_timing", "cut_boost"]  # what can't be seen is never healthy
PCT: Final = Annotated[float, Meta(ge=0.0, le=100.0)]
RATIO: Final = Annotated[float, Meta(ge=0.3, le=8.0)]


class PositiveSpan(Quantity):
    """A time that can't be nil."""

    KIND, UNIT, EXAMPLE, LOW, HIGH = "time", "s", "0.5 s", 0.001, 600.0


class Hours(Quantity):
    """A long time, in h."""

    KIND, UNIT, EXAMPLE, LOW, HIGH = "time", "h", "100 h", 1.0, 1.0e5


ENGINE: Final = table(
    facts.Engine,
    Key("displacement", Ml.within(50.0, 12000.0, "1.8 L"), "displacement_l", per=1000.0),
    Key("cylinders", Annotated[int, Meta(ge=1, le=16)]),
    Key("redline", SPEED, "redline_rpm"),
    Key(
        "volumetric_efficiency_pct",
        Annotated[float, Meta(ge=50.0, le=130.0)],
        "volumetric_efficiency",
        per=100.0,
    ),
    Key("full_boost_from", SPEED, "full_boost_from_rpm"),
    Key("ambient_pressure", Kpa.within(40.0, 110.0, "101.3 kPa"), "ambient_kpa"),  # absolute
    Key("charger", Literal["none", "turbocharger", "centrifugal", "displacement"]),
    Key("compression_ratio", Annotated[float, Meta(ge=6.0, le=16.0)]),
    Key("petrol_octane", Annotated[float, Meta(ge=85.0, le=110.0)]),
)
VEHICLE: Final = table(
    facts.Vehicle,
    Key("mass_kg", Annotated[float, Meta(ge=300.0, le=5000.0)]),
    Key("drag_area_m2", Annotated[float, Meta(ge=0.2, le=3.0)]),
    Key("gears", many(RATIO, 2, 8)),
    Key("final_drive", Annotated[float, Meta(ge=1.0, le=8.0)]),
    Key("tyre_radius_m", Annotated[float, Meta(ge=0.2, le=0.6)]),
    Key("rolling_resistance", Annotated[float, Meta(ge=0.003, le=0.04)], "rolling"),
    Key(
        "driveline_efficiency_pct",
        Annotated[float, Meta(ge=60.0, le=100.0)],
        "driveline_efficiency",
        per=100.0,
    ),
    Key("engine_inertia_kg_m2", Annotated[float, Meta(ge=0.01, le=3.0)]),
)
INJECTORS: Final = table(
    facts.Injectors,
    Key("count", Annotated[int, Meta(ge=1, le=64)]),
    Key("rated_flow", FLOW, "rated_ml_min"),
    Key("rated_pressure", PRESSURE, "rated_kpa"),
    Key("fuel_pressure", PRESSURE, "fuel_kpa"),
    Key("dead_time", Seconds.within(high=0.02, example="1.0 ms"), "dead_time_ms", times=1000.0),
)
NOZZLE: Final = table(
    facts.Nozzle,
    Key("rated_flow", FLOW, "rated_ml_min"),
    Key("rated_pressure", PRESSURE, "rated_kpa"),
    Key("count", Annotated[int, Meta(ge=1, le=32)]),
)
PUMP: Final = table(
    facts.Pump,
    Key("shut_off", PRESSURE, "shut_off_kpa"),
    Key("free_flow", FLOW, "free_flow_ml_min"),
    Key("regulated", PRESSURE, "regulated_kpa"),
    Key("run_down", PositiveSpan, "run_down_s"),
    Key("ripple", RIPPLE, "ripple_share", per=100.0),
    Key("follows_command", bool),
)
SPRAY: Final = table(
    facts.Spray,
    Key("methanol_by_volume_pct", PCT, None),  # of what was poured; it makes two facts of the mix
    Key("nozzles", many(NOZZLE, 1, 16)),
    Key("pump", PUMP),
    Key("check_valve", PRESSURE_DROP, "check_valve_kpa"),
    Key("tank", Ml.within(low=50.0, example="5 L"), "tank_ml"),
)
FLOW_SENSOR: Final = table(
    facts.FlowSensor,
    Key("transport_delay", DELAY, "delay_s"),
    Key("transport_delay_within", DELAY, "delay_within_s"),
    Key("lag", DELAY, "lag_s"),
    Key("lag_within", DELAY, "lag_within_s"),
    Key("gain_within", Percent.within(0.5, 30.0, "8 %"), per=100.0),
    Key("noise", Percent.within(0.1, 50.0, "4 %"), per=100.0),
    Key("noise_lasts", Seconds.within(0.001, 2.0, "50 ms"), "noise_lasts_s"),
    Key("floor", FLOW, "floor_ml_min"),
    Key("starts_after", Ml.within(high=10.0, example="0.1 mL"), "starts_after_ml"),
    Key("refresh", Seconds.within(high=2.0, example="200 ms"), "refresh_s"),
)
LINE_SENSOR: Final = table(
    facts.LineSensor,
    Key("lag", DELAY, "lag_s"),
    Key("gain_within", Percent.within(0.5, 50.0, "15 %"), per=100.0),
    Key("noise", Percent.within(0.1, 50.0, "5 %"), per=100.0),
    Key("noise_lasts", Seconds.within(0.001, 2.0, "20 ms"), "noise_lasts_s"),
)
CHARGE_SENSOR: Final = table(
    facts.ChargeSensor,
    Key("drop_k", Annotated[float, Meta(ge=1.0, le=100.0)], required=True),
    Key("drop_within", Percent.within(5.0, 90.0, "40 %"), per=100.0),
    Key("rise_k", Annotated[float, Meta(ge=1.0, le=200.0)]),
    Key("rise_within", Percent.within(5.0, 90.0, "25 %"), per=100.0),
    Key("soak_k_per_s", Annotated[float, Meta(ge=0.0, le=20.0)], "soak_k_s"),
    Key("lag", DELAY, "lag_s"),
    Key("lag_within", DELAY, "lag_within_s"),
    Key("noise_k", Annotated[float, Meta(ge=0.1, le=20.0)]),
    Key("noise_lasts", Seconds.within(0.001, 5.0, "300 ms"), "noise_lasts_s"),
)
_ONSET: Final = Key("start_boost", BOOST, "start_boost_kpa")
COMMAND_FORMS: Final = (
    table(facts.Command, _ONSET, kind=CommandKind.LOG_FLOW),
    table(facts.Command, _ONSET, kind=CommandKind.LOG_PERCENT),
    table(facts.Command, _ONSET, Key("rate", FLOW, "rate_ml_min"), kind=CommandKind.FIXED),
    table(
        facts.Command,
        _ONSET,
        Key("full_boost", BOOST, "full_boost_kpa", required=True),
        kind=CommandKind.BOOST,
    ),
    table(
        facts.Command,
        _ONSET,
        Key("start_duty", DUTY, "start_duty_pct", required=True),
        Key("full_duty", DUTY, "full_duty_pct", required=True),
        kind=CommandKind.INJECTOR_DUTY,
    ),
    table(
        facts.Command,
        _ONSET,
        Key("map_boost", many(BOOST, 2, 32), "map_boost_kpa", required=True),
        Key("map_duty", many(DUTY, 2, 32), "map_duty_pct", required=True),
        Key("map_pct", many(many(PCT), 2, 32), required=True),
        kind=CommandKind.MAP,
    ),
)
PAID: Final = table(
    facts.Paid,
    Key("boost", many(BOOST, 1, 32), "boost_kpa"),
    Key("timing", many(RETARD, 1, 32), "timing_deg"),
    Key("dry_limit", BOOST, "dry_limit_kpa"),
)
DEBT: Final = table(
    facts.DebtTerms,
    Key("false_pull_every", Hours, "false_pull_every_h"),
    Key("cut", PositiveSpan, "cut_s"),
    Key("cut_volume", Ml.within(low=0.01), "cut_ml"),
)
LADDER: Final = table(
    facts.Ladder,
    Key("margin", Annotated[float, Meta(ge=1.0, le=5.0)]),
    Key("step", RETARD, "step_deg"),
    Key("max_retard", RETARD, "max_retard_deg"),
    Key("shortfall_outlasts", SPAN, "shortfall_outlasts_s"),
    Key("release_below", BOOST, "release_below_kpa"),
    Key("release_after", SPAN, "release_after_s"),
    Key("acknowledge_to_release", bool),
    Key("on_blind", ACTION),
    Key("blind_after", SPAN, "blind_after_s"),
    # Timing is taken at once and given back no faster than this.
    Key("give_back_deg_per_s", Annotated[float, Meta(ge=0.5, le=1000.0)], "give_back_deg_s"),
)


def _limit(quantity: type[Quantity]) -> type[FactTable]:
    return table(
        facts.Limit,
        Key("above", quantity, required=True),
        Key("for", SPAN, "for_s"),
        Key("action", ACTION),
    )


LIMITS: Final = table(
    facts.Limits,
    Key("boost_kpa", _limit(BOOST)),
    Key("injector_duty_pct", _limit(DUTY)),
    Key("intake_c", _limit(DegC)),
    Key("knock", _limit(Knock)),
)
WATCH: Final = table(
    facts.Watch,
    Key("no_command_above", BOOST, "no_command_above_kpa"),
    Key("no_command_for", PositiveSpan, "no_command_for_s"),
    Key("over", Ml, "over_ml"),
    Key("over_action", ACTION),
    Key("knock_persists_for", PositiveSpan, "knock_persists_for_s"),
    Key("tank_reserve", Ml, "tank_reserve_ml"),
    Key("tank_time", SPAN, "tank_time_s"),
    Key("confirm_within", PositiveSpan, "confirm_within_s"),
    Key("confirm_timing", RETARD, "confirm_timing_deg"),
    Key("confirm_boost", PRESSURE_DROP, "confirm_boost_kpa"),
    Key("not_followed_action", ACTION),
    Key("logger_stuck_after", PositiveSpan, "logger_stuck_after_s"),
    Key("disagree_above", SHARE, "disagree_share", per=100.0),
    Key("contradicted_above", Percent, "contradicted_share", per=100.0),
    Key("cross_check_for", PositiveSpan, "cross_check_for_s"),
)
FAULT_INTERVALS: Final = table(
    facts.FaultIntervals,
    Key("reaction", SPAN, "reaction_s"),
    Key("tolerant", PositiveSpan, "tolerant_s"),
)
TIME: Final = table(
    TimeMap,
    Key("column", PlainText),
    Key("unit", Literal["s", "ms", "us", "min", "clock", "rows"]),
    Key("period", PositiveSpan, "period_s"),
)
SERIAL: Final = table(
    SerialTerms,
    Key("baud", Annotated[int, Meta(ge=300, le=4_000_000)]),
    Key("columns", many(PlainText, 1, 256)),
    Key("crc", PlainText),
    Key("sequence", PlainText),
)


class ColumnTable(Table, frozen=True):
    """``[extra.NAME]``, where every key may be left out; ``columns`` makes more of it."""

    column: PlainText | None = None
    unit: PlainText | None = None


class ChannelTable(ColumnTable, frozen=True):
    """``[channels.NAME]``, likewise."""

    absolute: bool = False
    plausible: tuple[str, str] | None = None
    max_age: PositiveSpan | None = None
    stuck_after: PositiveSpan | None = None
    # Fastest change that can be real, in the channel's own unit each second.
    most_per_s: Annotated[float, Meta(gt=0.0, le=1e9)] | None = None


CHANNELS: Final = msgspec.defstruct(
    "Channels",
    [(channel.name, ChannelTable | None, None) for channel in channels.CHANNELS],
    bases=(Table,),
    frozen=True,
)
# Columns that no decision uses, for whoever reads a log back; units as in ``EXTRA_KINDS``.
EXTRA_KINDS: Final[dict[str, type[Quantity]]] = {
    "gear": Plain,
    "speed_kmh": KmH,  # of the road
    "torque_nm": Nm,
    "power_kw": Kw,
    "ambient_c": DegC,
    "barometer_kpa": Kpa,  # absolute
    "humidity_pct": Percent,  # relative
}
EXTRA: Final = msgspec.defstruct(
    "Extra",
    [(name, ColumnTable | None, None) for name in EXTRA_KINDS],
    bases=(Table,),
    frozen=True,
)
STEPS: Final = ("fit", "jug", "dry_limit", "trip")


class Day(Decoded, str):
    """A day, as 2026-01-31."""

    EXPECTED = "a day such as 2026-01-31, as text"

    @classmethod
    def from_toml(cls, value: object) -> Self:
        """Return the text itself."""
        with contextlib.suppress(ValueError):
            if isinstance(value, str) and date.fromisoformat(value).isoformat() == value:
                return cls(value)
        raise Mismatch(cls.EXPECTED)


class Sha256(Decoded, str):
    """A hash, or no text for none."""

    EXPECTED = "64 digits of a SHA-256, 0 to 9 and a to f, or empty text"

    @classmethod
    def from_toml(cls, value: object) -> Self:
        """Return the text itself."""
        if not isinstance(value, str) or not re.fullmatch("(?:[0-9a-f]{64})?", value):
            raise Mismatch(cls.EXPECTED)
        return cls(value)


class StepTable(Table, frozen=True):
    """``[commissioned.STEP]``: by whom a step was done, when, what came of it, seen in which log.

    ``confirms`` is the hash of what it confirms in the rig; ``commissioned`` makes and reads it.
    """

    by: PlainText
    on: Day
    result: PlainText
    log_sha256: Sha256
    confirms: Sha256


COMMISSIONED: Final = msgspec.defstruct(
    "Commissioned",
    [(step, StepTable | None, None) for step in STEPS],
    bases=(Table,),
    frozen=True,
)
RIG: Final = table(
    facts.Rig,
    Key("name", PlainText),
    Key("engine", ENGINE),
    Key("injectors", INJECTORS),
    Key("spray", SPRAY),
    Key("flow_sensor", FLOW_SENSOR),
    Key("line_sensor", LINE_SENSOR),
    Key("charge_sensor", CHARGE_SENSOR),
    Key("command", reduce(or_, COMMAND_FORMS)),
    Key("paid", PAID),
    Key("channels", CHANNELS, None, required=True),
    Key("extra", EXTRA, None),
    Key("debt", DEBT),
    Key("ladder", LADDER),
    Key("limits", LIMITS),
    Key("watch", WATCH),
    Key("fault_intervals", FAULT_INTERVALS),
    Key("vehicle", VEHICLE),
    Key("time", TIME, None),
    Key("serial", SERIAL, None),
    Key("commissioned", COMMISSIONED, None),
)
