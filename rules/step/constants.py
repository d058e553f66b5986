"""A rig's facts turned into the constants the decision code multiplies with.

Everything that needs more than + - x / sqrt is worked out here, once, at load.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf, sqrt
from typing import Final, TypeVar

from rules import channels as ch
from rules.facts import Action, CommandKind, Rig
from rules.record import Record, block

WATER_KG_M3 = 998.2  # at 20 degC (CRC Handbook, 102nd ed.): nozzles are rated on water

# The readings without which a shortfall cannot be judged, beside those the command needs.
ALWAYS_ESSENTIAL = (ch.BOOST, ch.DELIVERED)

NIL_COMMAND_PCT = 3.0
# Part of full flow from which on a flow reading must move: below it a coarse one may know but one
# step. Common practice, no source.
LIVELY_SHARE = 0.2
# A flow this many times the noise floor is spray, not noise. Common practice, no source.
SPRAYING = 4.0
# Stoichiometric air to petrol by mass, petrol's density (g/mL) and the gas constant of air
# (kJ/kg K): Heywood, Internal Combustion Engine Fundamentals, ch. 3. Charge temperature: a warm
# intake, from memory; the learned level takes up what it is off.
AIR_TO_PETROL = 14.7
PETROL_G_ML = 0.745
AIR_KJ_KG_K = 0.287
CHARGE_K = 310.0
# Kinds of command that are worked out from boost and duty; the others are the log's own.
OWN_LAWS = (CommandKind.FIXED, CommandKind.BOOST, CommandKind.INJECTOR_DUTY, CommandKind.MAP)

MOST_POINTS = 32  # of a table's axis

_Number = TypeVar("_Number", int, float)

# The channels with a limit, in the order of the findings.
LIMIT_COLUMNS: Final = (ch.BOOST, ch.KNOCK, ch.INTAKE, ch.INJECTOR_DUTY)
LIMIT_NAMES: Final = tuple(ch.CHANNEL_NAMES[column - 1] for column in LIMIT_COLUMNS)


@dataclass(slots=True)
class Columns(Record):
    """Which columns of a sample are looked at, and for what; 0 where there is none."""

    command_column: int = 0  # the logged command
    law_column: int = 0  # the logged command, where the rig's own rule is held against it
    duty_column: int = 0  # injector duty, where boost is held against it
    cooled_column: int = 0  # intake temperature, where its cooling is judged
    dry_column: int = 0  # dry intake temperature
    tank_column: int = 0
    confirmed_retard_column: int = 0
    confirmed_ceiling_column: int = 0
    n_mapped: int = 0
    n_essential: int = 0
    n_limited: int = 0
    mapped: list[int] = block(ch.CHANNEL_NAMES, 0)  # the first ``n_mapped`` count
    essential: list[int] = block(ch.CHANNEL_NAMES, 0)  # the first ``n_essential``
    limited: list[int] = block(LIMIT_NAMES, 0)  # places of limits in force, the first ``n_limited``


@dataclass(slots=True, kw_only=True)
class Constants(Columns):
    """What the decision code multiplies with and loops over."""

    # Hydraulics: q = K sqrt(p) through the nozzles, p = shut_off - slope q at the pump.
    conductance_sq: float  # K^2, (mL/min)^2/kPa
    conductance_sq_slope: float  # K^2 times the pump's slope, mL/min
    shut_off_kpa: float  # the pump's pressure without flow
    regulated_kpa: float  # the most behind the regulator
    check_valve_kpa: float  # lost over it

    # The command.
    command_kind: float  # ``facts.CommandKind``
    onset_kpa: float  # boost from which on spray is commanded, gauge
    boost_span_kpa: float  # from there to full command
    start_duty_pct: float  # injector duty from which on spray is commanded
    duty_span_pct: float  # from there to full command
    rate_ml_min: float  # of a fixed command
    n_map_boost: int = 0  # points of the map's axes
    n_map_duty: int = 0

    # What the sensor should read.
    delay_s: float  # from valve to sensor
    ring_spacing_s: float  # between the commands remembered for it
    lag_s: float

    # The accounts.
    share: float  # of the expected flow that the sensor's gain may be off
    floor_ml_min: float  # its noise
    delay_tolerance_s: float  # how far off our idea of the delay may be
    lead: float  # share of a falling command that may arrive early
    warn_ml: float  # debt from which on to warn
    pull_ml: float  # to pull timing
    cut_ml: float  # to cut boost
    arrears_share: float  # as ``share``, of the arrears
    arrears_limit_ml: float  # arrears from which on to pull timing
    longest_step_s: float  # no longer time counts between two samples
    missing_lag_s: float  # over which the missing share is smoothed

    # The ladder.
    margin: float  # timing pulled, to timing the missing spray paid for
    step_deg: float  # by which timing is pulled
    max_retard_deg: float  # more than that cuts boost
    give_back_deg_s: float  # how fast timing is given back
    outlasts_s: float  # a shortfall that lasts longer while timing is pulled cuts boost
    release_below_kpa: float  # boost below which latches are released, gauge
    release_after_s: float  # after so long
    acknowledge_to_release: float  # 1 where the operator must have acknowledged
    clear_after_s: float  # a warning clears when nothing asked for it for so long
    on_blind: float  # action where something essential is lost, 1 to 3
    blind_after_s: float  # and lost for so long
    n_paid: int = 0  # points of the table of paid timing
    paid_top_deg: float  # most timing the spray pays for
    dry_limit_kpa: float  # boost that needs no spray, gauge

    # The clock.
    late_window_s: float  # a sample so much older is late; one older still, a step of the clock
    step_back_s: float  # counted for a step of the clock
    step_ahead_s: float  # a sample so far ahead is a step of the clock
    clock_doubt_for_s: float  # after a step

    # The other findings: when each is one, after how long, and what it asks for (1 to 3).
    no_delivery_for_s: float
    no_command_above_kpa: float  # boost, gauge
    no_command_for_s: float
    nil_command: float  # a command below it is nil, in the command's own unit
    unasked_ml_min: float
    unasked_for_s: float
    over_ml: float
    over_action: float
    least_drop_k: float  # of the intake temperature from the dry one
    most_rise_k: float  # of the intake temperature since below the onset
    cooling_for_s: float
    cooling_action: float
    knock_limit: float  # in knock's unit
    knock_persists_for_s: float
    tank_reserve_ml: float
    tank_time_s: float
    confirm_within_s: float  # what the engine controller confirms
    confirm_deg: float  # less timing than asked for that still confirms it
    confirm_kpa: float  # more boost than asked for that still confirms it
    not_followed_action: float
    spraying_ml_min: float  # a flow above it is spray, not noise
    lively_ml_min: float  # a flow above it can't stand still
    logger_stuck_after_s: float

    # The cross-checks.
    ambient_kpa: float
    dead_time_ms: float  # of the injectors
    air_kpa_a_ms: float  # air that burns the petrol of 1 ms, as absolute manifold pressure
    disagree_ml_min: float  # how far the logged command may be off the rig's own rule
    contradicted_by: float  # air by injector duty, to air by boost
    cross_check_for_s: float

    # By column.
    low: list[float] = block(ch.CHANNEL_NAMES, start=1)  # lowest plausible reading
    high: list[float] = block(ch.CHANNEL_NAMES, start=1)
    pass_low: list[float] = block(ch.CHANNEL_NAMES, start=1)  # ``low``; infinite: look closer
    max_age_s: list[float] = block(ch.CHANNEL_NAMES, start=1)
    stuck_after_s: list[float] = block(ch.CHANNEL_NAMES, start=1)
    most_per_s: list[float] = block(ch.CHANNEL_NAMES, start=1)  # fastest it can move

    # By limit, in the order of ``LIMIT_COLUMNS``.
    limit_above: list[float] = block(LIMIT_NAMES)
    limit_for_s: list[float] = block(LIMIT_NAMES)
    limit_action: list[float] = block(LIMIT_NAMES)

    # Tables: boost (kPa gauge) and paid timing (deg); boost, duty (%) and command (%), duty first.
    paid_boost: list[float] = block(range(MOST_POINTS))
    paid_timing: list[float] = block(range(MOST_POINTS))
    map_boost: list[float] = block(range(MOST_POINTS))
    map_duty: list[float] = block(range(MOST_POINTS))
    map_cells: list[float] = block(range(MOST_POINTS * MOST_POINTS))

    def columns(self) -> Columns:
        """Return the columns alone: where they differ, what a guard remembers doesn't fit."""
        return Columns.copy_of(self)


def nozzle_conductance(rig: Rig) -> float:
    """Return K of q = K sqrt(dp), in mL/min per sqrt(kPa), for all nozzles on this fluid.

    Square-root (orifice) law, e.g. Crane TP-410: at equal pressure volume flow goes with
    1/sqrt(density), and nozzles are rated on water.
    """
    if not (rig.spray.fluid_kg_m3 > 0.0 and all(n.rated_kpa > 0.0 for n in rig.spray.nozzles)):
        raise ValueError("fluid density and every nozzle's rated pressure must be above zero")
    on_water = sum(n.count * n.rated_ml_min / sqrt(n.rated_kpa) for n in rig.spray.nozzles)
    return on_water * sqrt(WATER_KG_M3 / rig.spray.fluid_kg_m3)


def essential_columns(rig: Rig) -> tuple[int, ...]:
    """Return the sample columns this rig's monitor is blind without."""
    by_kind = {
        CommandKind.LOG_FLOW: (ch.COMMANDED,),
        CommandKind.LOG_PERCENT: (ch.COMMAND_PCT,),
        CommandKind.INJECTOR_DUTY: (ch.INJECTOR_DUTY,),
        CommandKind.MAP: (ch.INJECTOR_DUTY,),
    }
    return ALWAYS_ESSENTIAL + by_kind.get(rig.command.kind, ())


def constants_of(rig: Rig) -> Constants:
    """Work out a rig's constants.

    Raises:
        ValueError: An essential channel is not mapped, a divisor is not positive, or a table's
            axis does not ascend.
    """
    mapped = {ch.COLUMN_OF[terms.name] for terms in rig.channels}
    for column in essential_columns(rig):
        if column not in mapped:
            raise ValueError(f"channel {ch.CHANNEL_NAMES[column - 1]} is essential but not mapped")
    spray, pump, command, debt = rig.spray, rig.spray.pump, rig.command, rig.debt
    ladder, paid, watch = rig.ladder, rig.paid, rig.watch
    conductance = nozzle_conductance(rig)
    if not (conductance > 0.0 and pump.free_flow_ml_min > 0.0 and ladder.step_deg > 0.0):
        raise ValueError("nozzle flow, pump free flow and timing step must be above zero")
    boost_span_kpa = command.full_boost_kpa - command.start_boost_kpa
    duty_span_pct = command.full_duty_pct - command.start_duty_pct
    span = {
        CommandKind.BOOST: boost_span_kpa,
        CommandKind.INJECTOR_DUTY: duty_span_pct,
    }.get(command.kind, 1.0)
    if not 0.0 < span < inf:
        raise ValueError(f"command: found full less start {span}, expected it above zero, finite")
    regulated_kpa = pump.regulated_kpa if pump.regulated_kpa < inf else pump.shut_off_kpa
    full_ml_min = conductance * sqrt(regulated_kpa)
    square = conductance * conductance
    spraying_ml_min = SPRAYING * debt.floor_ml_min
    k = Constants(
        conductance_sq=square,
        conductance_sq_slope=square * (pump.shut_off_kpa / pump.free_flow_ml_min),
        shut_off_kpa=pump.shut_off_kpa,
        regulated_kpa=regulated_kpa,
        check_valve_kpa=spray.check_valve_kpa,
        command_kind=float(command.kind),
        onset_kpa=command.start_boost_kpa,
        boost_span_kpa=boost_span_kpa,
        start_duty_pct=command.start_duty_pct,
        duty_span_pct=duty_span_pct,
        rate_ml_min=command.rate_ml_min,
        delay_s=spray.transport_delay_s,
        ring_spacing_s=spray.transport_delay_s / 200.0,
        lag_s=spray.lag_s,
        share=debt.share,
        floor_ml_min=debt.floor_ml_min,
        delay_tolerance_s=debt.delay_tolerance_s,
        lead=debt.lead,
        warn_ml=debt.warn_ml,
        pull_ml=debt.pull_ml,
        cut_ml=debt.cut_ml,
        arrears_share=debt.arrears_share,
        arrears_limit_ml=debt.arrears_ml,
        longest_step_s=0.5,
        missing_lag_s=0.12,
        margin=ladder.margin,
        step_deg=ladder.step_deg,
        max_retard_deg=ladder.max_retard_deg,
        give_back_deg_s=ladder.give_back_deg_s,
        outlasts_s=ladder.shortfall_outlasts_s,
        release_below_kpa=ladder.release_below_kpa,
        release_after_s=ladder.release_after_s,
        acknowledge_to_release=1.0 if ladder.acknowledge_to_release else 0.0,
        clear_after_s=0.5,
        on_blind=float(max(ladder.on_blind, Action.WARN)),
        blind_after_s=ladder.blind_after_s,
        paid_top_deg=max(paid.timing_deg, default=0.0),
        dry_limit_kpa=paid.dry_limit_kpa,
        late_window_s=ch.LATE_S,
        step_back_s=0.1,
        step_ahead_s=ch.AHEAD_S,
        clock_doubt_for_s=5.0,
        no_delivery_for_s=watch.no_delivery_for_s,
        no_command_above_kpa=watch.no_command_above_kpa,
        no_command_for_s=watch.no_command_for_s,
        # Nil is a flow below the noise floor, or a few percent of it.
        nil_command=debt.floor_ml_min if ch.COMMANDED in mapped else NIL_COMMAND_PCT,
        unasked_ml_min=watch.unasked_ml_min,
        unasked_for_s=watch.unasked_for_s,
        over_ml=watch.over_ml,
        over_action=float(watch.over_action),
        least_drop_k=watch.least_drop_k,
        most_rise_k=watch.most_rise_k,
        cooling_for_s=watch.cooling_for_s,
        cooling_action=float(watch.cooling_action),
        knock_limit=rig.limits.knock.above,
        knock_persists_for_s=watch.knock_persists_for_s,
        tank_reserve_ml=watch.tank_reserve_ml,
        tank_time_s=watch.tank_time_s,
        # Its reaction time, and what the confirmation itself takes to come back.
        confirm_within_s=rig.fault_intervals.reaction_s + watch.confirm_within_s,
        confirm_deg=watch.confirm_timing_deg,
        confirm_kpa=watch.confirm_boost_kpa,
        not_followed_action=float(watch.not_followed_action),
        spraying_ml_min=spraying_ml_min,
        lively_ml_min=max(spraying_ml_min, LIVELY_SHARE * full_ml_min),
        logger_stuck_after_s=watch.logger_stuck_after_s,
        ambient_kpa=rig.engine.ambient_kpa,
        dead_time_ms=rig.injectors.dead_time_ms,
        air_kpa_a_ms=_air_kpa_a_ms(rig),
        disagree_ml_min=watch.disagree_share * full_ml_min,
        contradicted_by=1.0 + watch.contradicted_share,
        cross_check_for_s=watch.cross_check_for_s,
    )
    _put_columns(k, rig, mapped)
    _put_channels(k, rig)
    _put_limits(k, rig, mapped)
    _put_tables(k, rig)
    return k


def _air_kpa_a_ms(rig: Rig) -> float:
    """Return the absolute pressure (kPa) of the air that burns a millisecond's petrol.

    Speed-density: petrol a cycle to what the cylinders hold at a manifold pressure.
    """
    engine, injectors = rig.engine, rig.injectors
    petrol_g_ms = (
        injectors.count
        * injectors.rated_ml_min
        * sqrt(injectors.fuel_kpa / injectors.rated_kpa)
        * PETROL_G_ML
        / 60_000.0
    )
    air_g_kpa = engine.displacement_l * engine.volumetric_efficiency / (AIR_KJ_KG_K * CHARGE_K)
    return petrol_g_ms * AIR_TO_PETROL / air_g_kpa


def _put_columns(k: Constants, rig: Rig, mapped: set[int]) -> None:
    def where_mapped(column: int) -> int:
        return column if column in mapped else 0

    watch = rig.watch
    k.command_column = where_mapped(ch.COMMANDED) or where_mapped(ch.COMMAND_PCT)
    if rig.command.kind in OWN_LAWS and watch.disagree_share < inf:
        k.law_column = k.command_column
    if {ch.ENGINE_SPEED, ch.INJECTOR_DUTY} <= mapped and watch.contradicted_share < inf:
        k.duty_column = ch.INJECTOR_DUTY
    if watch.least_drop_k > 0.0 or watch.most_rise_k < inf:
        k.cooled_column = where_mapped(ch.INTAKE)
    k.dry_column = where_mapped(ch.DRY_INTAKE)
    k.tank_column = where_mapped(ch.TANK)
    k.confirmed_retard_column = where_mapped(ch.CONFIRMED_RETARD)
    k.confirmed_ceiling_column = where_mapped(ch.CONFIRMED_CEILING)
    k.n_mapped = _put(k.mapped, sorted(mapped))
    k.n_essential = _put(k.essential, essential_columns(rig))


def _put_channels(k: Constants, rig: Rig) -> None:
    for terms in rig.channels:
        column = ch.COLUMN_OF[terms.name]
        k.low[column] = terms.low
        k.high[column] = terms.high
        k.max_age_s[column] = terms.max_age_s
        k.stuck_after_s[column] = terms.stuck_after_s
        k.most_per_s[column] = terms.most_per_s
        k.pass_low[column] = inf if min(terms.stuck_after_s, terms.most_per_s) < inf else terms.low


def _put_limits(k: Constants, rig: Rig, mapped: set[int]) -> None:
    limits = rig.limits
    in_order = (limits.boost_kpa, limits.knock, limits.intake_c, limits.injector_duty_pct)
    for i, (column, limit) in enumerate(zip(LIMIT_COLUMNS, in_order, strict=True)):
        k.limit_above[i] = limit.above if column in mapped else inf
        k.limit_for_s[i] = limit.for_s
        k.limit_action[i] = float(limit.action)
    k.n_limited = _put(k.limited, [i for i, above in enumerate(k.limit_above) if above < inf])


def _put_tables(k: Constants, rig: Rig) -> None:
    paid, command = rig.paid, rig.command
    k.n_paid = _put(k.paid_boost, _axis(paid.boost_kpa, 1))
    if len(paid.timing_deg) != len(paid.boost_kpa):
        raise ValueError("paid timing: expected one value for each boost")
    _put(k.paid_timing, paid.timing_deg)
    if command.kind is CommandKind.MAP:
        k.n_map_boost = _put(k.map_boost, _axis(command.map_boost_kpa, 2))
        k.n_map_duty = _put(k.map_duty, _axis(command.map_duty_pct, 2))
        cells = [cell for row in command.map_pct for cell in row]
        if len(cells) != len(command.map_boost_kpa) * len(command.map_duty_pct):
            raise ValueError(f"map: found {len(cells)} cells, expected one for each boost and duty")
        _put(k.map_cells, cells)


def _axis(axis: tuple[float, ...], least: int) -> tuple[float, ...]:
    if not least <= len(axis) <= MOST_POINTS or any(not b > a for a, b in pairwise(axis)):
        raise ValueError(f"table axis {axis}: expected {least} to {MOST_POINTS} ascending points")
    return axis


def _put(numbers: list[_Number], first: Sequence[_Number]) -> int:
    """Put numbers at the head of a block; return how many."""
    numbers[: len(first)] = first
    return len(first)
