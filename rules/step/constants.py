"""A rig's facts turned into the constants the decision code multiplies with.

Everything that needs more than + - x / sqrt is worked out here, once, at load.
"""

from itertools import pairwise
from math import inf, sqrt
from typing import Final, NamedTuple

from rules import channels as ch
from rules.facts import Action, CommandKind, Rig

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

N_LIMITS = 4
MOST_POINTS = 32  # of a table's axis

# Layout of the constants: one flat vector of floats, as the state is, for the same reason: a list
# when interpreted, an array when compiled, and one array costs compiled code far less than twenty.
(
    CONDUCTANCE_SQ,  # hydraulics: q = K sqrt(p); pump p = shut_off - slope q
    CONDUCTANCE_SQ_SLOPE,
    SHUT_OFF_KPA,
    REGULATED_KPA,
    CHECK_VALVE_KPA,
    COMMAND_KIND,  # command
    ONSET_KPA,
    BOOST_SPAN_KPA,
    START_DUTY_PCT,
    DUTY_SPAN_PCT,
    RATE_ML_MIN,
    DELAY_S,  # what the sensor should read
    RING_SPACING_S,
    LAG_S,
    SHARE,  # debt
    FLOOR_ML_MIN,
    DELAY_TOLERANCE_S,
    WARN_ML,
    PULL_ML,
    CUT_ML,
    LONGEST_STEP_S,
    MISSING_LAG_S,
    MARGIN,  # ladder
    STEP_DEG,
    MAX_RETARD_DEG,
    OUTLASTS_S,
    RELEASE_BELOW_KPA,
    RELEASE_AFTER_S,
    ACKNOWLEDGE_TO_RELEASE,
    CLEAR_AFTER_S,
    ON_BLIND,
    BLIND_AFTER_S,
    PAID_TOP_DEG,
    DRY_LIMIT_KPA,
    LATE_WINDOW_S,  # clock
    STEP_BACK_S,
    STEP_AHEAD_S,
    CLOCK_DOUBT_FOR_S,
    N_PAID,
    N_MAP_BOOST,
    N_MAP_DUTY,
    GIVE_BACK_DEG_S,
    NO_DELIVERY_FOR_S,  # the other findings
    NO_COMMAND_ABOVE_KPA,
    NO_COMMAND_FOR_S,
    NIL_COMMAND,
    UNASKED_ML_MIN,
    UNASKED_FOR_S,
    OVER_ML,
    OVER_ACTION,
    LEAST_DROP_K,
    MOST_RISE_K,
    COOLING_FOR_S,
    COOLING_ACTION,
    KNOCK_LIMIT,
    KNOCK_PERSISTS_FOR_S,
    TANK_RESERVE_ML,
    TANK_TIME_S,
    LEAD,  # the debt's newer terms
    ARREARS_SHARE,
    ARREARS_LIMIT_ML,
    CONFIRM_WITHIN_S,  # what the engine controller confirms
    CONFIRM_DEG,
    CONFIRM_KPA,
    NOT_FOLLOWED_ACTION,
    SPRAYING_ML_MIN,
    LIVELY_ML_MIN,
    LOGGER_STUCK_AFTER_S,
    AMBIENT_KPA,  # the cross-checks
    DEAD_TIME_MS,
    AIR_KPA_A_MS,
    DISAGREE_ML_MIN,
    CONTRADICTED_BY,
    CROSS_CHECK_FOR_S,
) = range(74)
_BLOCK: Final = ch.N_CHANNELS + 1  # one entry for each column of a sample
LOW: Final = 74
HIGH: Final = LOW + _BLOCK
MAX_AGE_S: Final = HIGH + _BLOCK
STUCK_AFTER_S: Final = MAX_AGE_S + _BLOCK
PASS_LOW: Final = STUCK_AFTER_S + _BLOCK  # as LOW, but infinite where more must be looked at
MOST_PER_S: Final = PASS_LOW + _BLOCK
LIMIT_ABOVE: Final = MOST_PER_S + _BLOCK
LIMIT_FOR_S: Final = LIMIT_ABOVE + N_LIMITS
LIMIT_ACTION: Final = LIMIT_FOR_S + N_LIMITS
PAID_BOOST: Final = LIMIT_ACTION + N_LIMITS
PAID_TIMING: Final = PAID_BOOST + MOST_POINTS
MAP_BOOST: Final = PAID_TIMING + MOST_POINTS
MAP_DUTY: Final = MAP_BOOST + MOST_POINTS
MAP_CELLS: Final = MAP_DUTY + MOST_POINTS
N_CONSTANTS: Final = MAP_CELLS + MOST_POINTS * MOST_POINTS

# Layout of the column numbers that go with them: one flat vector of integers.
N_MAPPED: Final = 0
N_ESSENTIAL: Final = 1
N_LIMITED: Final = 2
COMMAND_COLUMN: Final = 3  # the logged command to watch; 0 for none
COOLED_COLUMN: Final = 4  # intake temperature where its cooling is judged; 0 for none
DRY_COLUMN: Final = 5  # dry intake temperature; 0 for none
TANK_COLUMN: Final = 6  # tank level; 0 for none
CONFIRMED_RETARD_COLUMN: Final = 7  # retard the engine controller confirms; 0 for none
CONFIRMED_CEILING_COLUMN: Final = 8  # boost ceiling it confirms; 0 for none
LAW_COLUMN: Final = 9  # the logged command to hold against the rig's own rule; 0 for none
DUTY_COLUMN: Final = 10  # injector duty to hold against boost; 0 for none
MAPPED: Final = 11
ESSENTIAL: Final = MAPPED + _BLOCK
LIMITED: Final = ESSENTIAL + _BLOCK  # which limits are in force
N_COLUMNS: Final = LIMITED + N_LIMITS

LIMIT_COLUMNS: Final = (ch.BOOST, ch.KNOCK, ch.INTAKE, ch.INJECTOR_DUTY)  # order of the findings


class Constants(NamedTuple):
    """What the decision code multiplies with: floats, and the column numbers it loops over."""

    k: list[float]
    columns: list[int]


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
    terms = {ch.CHANNEL_NAMES.index(t.name) + 1: t for t in rig.channels}
    essential = essential_columns(rig)
    for column in essential:
        if column not in terms:
            raise ValueError(f"channel {ch.CHANNEL_NAMES[column - 1]} is essential but not mapped")
    pump, command, paid, ladder, debt = (
        rig.spray.pump,
        rig.command,
        rig.paid,
        rig.ladder,
        rig.debt,
    )
    conductance = nozzle_conductance(rig)
    if not (conductance > 0.0 and pump.free_flow_ml_min > 0.0 and ladder.step_deg > 0.0):
        raise ValueError("nozzle flow, pump free flow and timing step must be above zero")
    span = {
        CommandKind.BOOST: command.full_boost_kpa - command.start_boost_kpa,
        CommandKind.INJECTOR_DUTY: command.full_duty_pct - command.start_duty_pct,
    }.get(command.kind, 1.0)
    if not 0.0 < span < inf:
        raise ValueError(f"command: found full less start {span}, expected it above zero, finite")
    slope = pump.shut_off_kpa / pump.free_flow_ml_min
    regulated = pump.regulated_kpa if pump.regulated_kpa < inf else pump.shut_off_kpa
    square = conductance * conductance
    k = [0.0] * N_CONSTANTS
    k[CONDUCTANCE_SQ] = square
    k[CONDUCTANCE_SQ_SLOPE] = square * slope
    k[SHUT_OFF_KPA] = pump.shut_off_kpa
    k[REGULATED_KPA] = regulated
    k[CHECK_VALVE_KPA] = rig.spray.check_valve_kpa
    k[COMMAND_KIND] = float(command.kind)
    k[ONSET_KPA] = command.start_boost_kpa
    k[BOOST_SPAN_KPA] = command.full_boost_kpa - command.start_boost_kpa
    k[START_DUTY_PCT] = command.start_duty_pct
    k[DUTY_SPAN_PCT] = command.full_duty_pct - command.start_duty_pct
    k[RATE_ML_MIN] = command.rate_ml_min
    k[DELAY_S] = rig.spray.transport_delay_s
    k[RING_SPACING_S] = rig.spray.transport_delay_s / 200.0
    k[LAG_S] = rig.spray.lag_s
    k[SHARE] = debt.share
    k[FLOOR_ML_MIN] = debt.floor_ml_min
    k[SPRAYING_ML_MIN] = SPRAYING * debt.floor_ml_min
    full_ml_min = conductance * sqrt(regulated)
    k[LIVELY_ML_MIN] = max(k[SPRAYING_ML_MIN], LIVELY_SHARE * full_ml_min)
    k[DELAY_TOLERANCE_S] = debt.delay_tolerance_s
    k[LEAD] = debt.lead
    k[ARREARS_SHARE] = debt.arrears_share
    k[ARREARS_LIMIT_ML] = debt.arrears_ml
    k[WARN_ML] = debt.warn_ml
    k[PULL_ML] = debt.pull_ml
    k[CUT_ML] = debt.cut_ml
    k[LONGEST_STEP_S] = 0.5
    k[MISSING_LAG_S] = 0.12
    k[MARGIN] = ladder.margin
    k[STEP_DEG] = ladder.step_deg
    k[MAX_RETARD_DEG] = ladder.max_retard_deg
    k[OUTLASTS_S] = ladder.shortfall_outlasts_s
    k[RELEASE_BELOW_KPA] = ladder.release_below_kpa
    k[RELEASE_AFTER_S] = ladder.release_after_s
    k[ACKNOWLEDGE_TO_RELEASE] = 1.0 if ladder.acknowledge_to_release else 0.0
    k[CLEAR_AFTER_S] = 0.5
    k[ON_BLIND] = float(max(ladder.on_blind, Action.WARN))
    k[BLIND_AFTER_S] = ladder.blind_after_s
    k[PAID_TOP_DEG] = max(paid.timing_deg, default=0.0)
    k[DRY_LIMIT_KPA] = paid.dry_limit_kpa
    k[LATE_WINDOW_S] = ch.LATE_S
    k[STEP_BACK_S] = 0.1
    k[STEP_AHEAD_S] = ch.AHEAD_S
    k[CLOCK_DOUBT_FOR_S] = 5.0

    k[GIVE_BACK_DEG_S] = ladder.give_back_deg_s
    _put_watch(k, rig)
    _put_cross_checks(k, rig, full_ml_min)
    _put_table(k, PAID_BOOST, N_PAID, paid.boost_kpa, 1)
    if len(paid.timing_deg) != len(paid.boost_kpa):
        raise ValueError("paid timing: expected one value for each boost")
    k[PAID_TIMING : PAID_TIMING + len(paid.timing_deg)] = paid.timing_deg
    if command.kind is CommandKind.MAP:
        _put_table(k, MAP_BOOST, N_MAP_BOOST, command.map_boost_kpa, 2)
        _put_table(k, MAP_DUTY, N_MAP_DUTY, command.map_duty_pct, 2)
        cells = [cell for row in command.map_pct for cell in row]
        if len(cells) != len(command.map_boost_kpa) * len(command.map_duty_pct):
            raise ValueError(f"map: found {len(cells)} cells, expected one for each boost and duty")
        k[MAP_CELLS : MAP_CELLS + len(cells)] = cells

    limits = (
        rig.limits.boost_kpa,
        rig.limits.knock,
        rig.limits.intake_c,
        rig.limits.injector_duty_pct,
    )
    for i, (column, limit) in enumerate(zip(LIMIT_COLUMNS, limits, strict=True)):
        k[LIMIT_ABOVE + i] = limit.above if column in terms else inf
        k[LIMIT_FOR_S + i] = limit.for_s
        k[LIMIT_ACTION + i] = float(limit.action)

    columns = [0] * N_COLUMNS
    limited = [i for i in range(N_LIMITS) if k[LIMIT_ABOVE + i] < inf]
    columns[N_LIMITED] = len(limited)
    columns[LIMITED : LIMITED + len(limited)] = limited
    for column, term in terms.items():
        k[LOW + column] = term.low
        k[PASS_LOW + column] = term.low
        k[HIGH + column] = term.high
        k[MAX_AGE_S + column] = term.max_age_s
        k[STUCK_AFTER_S + column] = term.stuck_after_s
        k[MOST_PER_S + column] = term.most_per_s
        if min(term.stuck_after_s, term.most_per_s) < inf:
            k[PASS_LOW + column] = inf
    _put_watched_columns(columns, rig, set(terms))
    columns[N_MAPPED] = len(terms)
    columns[MAPPED : MAPPED + len(terms)] = sorted(terms)
    columns[N_ESSENTIAL] = len(essential)
    columns[ESSENTIAL : ESSENTIAL + len(essential)] = essential
    return Constants(k, columns)


def _put_watch(k: list[float], rig: Rig) -> None:
    watch = rig.watch
    k[NO_DELIVERY_FOR_S] = watch.no_delivery_for_s
    k[NO_COMMAND_ABOVE_KPA] = watch.no_command_above_kpa
    k[NO_COMMAND_FOR_S] = watch.no_command_for_s
    k[UNASKED_ML_MIN] = watch.unasked_ml_min
    k[UNASKED_FOR_S] = watch.unasked_for_s
    k[OVER_ML] = watch.over_ml
    k[OVER_ACTION] = float(watch.over_action)
    k[LEAST_DROP_K] = watch.least_drop_k
    k[MOST_RISE_K] = watch.most_rise_k
    k[COOLING_FOR_S] = watch.cooling_for_s
    k[COOLING_ACTION] = float(watch.cooling_action)
    k[KNOCK_LIMIT] = rig.limits.knock.above
    k[KNOCK_PERSISTS_FOR_S] = watch.knock_persists_for_s
    k[TANK_RESERVE_ML] = watch.tank_reserve_ml
    k[TANK_TIME_S] = watch.tank_time_s
    # Its reaction time, and what the confirmation itself takes to come back.
    k[CONFIRM_WITHIN_S] = rig.fault_intervals.reaction_s + watch.confirm_within_s
    k[CONFIRM_DEG] = watch.confirm_timing_deg
    k[CONFIRM_KPA] = watch.confirm_boost_kpa
    k[NOT_FOLLOWED_ACTION] = float(watch.not_followed_action)
    # Nil is a flow below the noise floor, or a few percent of it.
    by_flow = any(term.name == "commanded_ml_min" for term in rig.channels)
    k[NIL_COMMAND] = rig.debt.floor_ml_min if by_flow else NIL_COMMAND_PCT


def _put_cross_checks(k: list[float], rig: Rig, full_ml_min: float) -> None:
    watch, engine, injectors = rig.watch, rig.engine, rig.injectors
    k[LOGGER_STUCK_AFTER_S] = watch.logger_stuck_after_s
    k[AMBIENT_KPA] = engine.ambient_kpa
    k[DEAD_TIME_MS] = injectors.dead_time_ms
    # Speed-density: petrol a cycle to what the cylinders hold at a manifold pressure, as pressure
    # (kPa, absolute) for each millisecond of open injector.
    petrol_g_ms = (
        injectors.count
        * injectors.rated_ml_min
        * sqrt(injectors.fuel_kpa / injectors.rated_kpa)
        * PETROL_G_ML
        / 60_000.0
    )
    air_g_kpa = engine.displacement_l * engine.volumetric_efficiency / (AIR_KJ_KG_K * CHARGE_K)
    k[AIR_KPA_A_MS] = petrol_g_ms * AIR_TO_PETROL / air_g_kpa
    k[DISAGREE_ML_MIN] = watch.disagree_share * full_ml_min
    k[CONTRADICTED_BY] = 1.0 + watch.contradicted_share
    k[CROSS_CHECK_FOR_S] = watch.cross_check_for_s


def _put_watched_columns(columns: list[int], rig: Rig, mapped: set[int]) -> None:
    for column in (ch.COMMAND_PCT, ch.COMMANDED):
        if column in mapped:
            columns[COMMAND_COLUMN] = column
    if rig.command.kind in OWN_LAWS and rig.watch.disagree_share < inf:
        columns[LAW_COLUMN] = columns[COMMAND_COLUMN]
    if {ch.ENGINE_SPEED, ch.INJECTOR_DUTY} <= mapped and rig.watch.contradicted_share < inf:
        columns[DUTY_COLUMN] = ch.INJECTOR_DUTY
    judged = rig.watch.least_drop_k > 0.0 or rig.watch.most_rise_k < inf
    columns[COOLED_COLUMN] = ch.INTAKE if ch.INTAKE in mapped and judged else 0
    columns[DRY_COLUMN] = ch.DRY_INTAKE if ch.DRY_INTAKE in mapped else 0
    columns[TANK_COLUMN] = ch.TANK if ch.TANK in mapped else 0
    columns[CONFIRMED_RETARD_COLUMN] = ch.CONFIRMED_RETARD * (ch.CONFIRMED_RETARD in mapped)
    columns[CONFIRMED_CEILING_COLUMN] = ch.CONFIRMED_CEILING * (ch.CONFIRMED_CEILING in mapped)


def _put_table(k: list[float], at: int, count_at: int, axis: tuple[float, ...], least: int) -> None:
    if not least <= len(axis) <= MOST_POINTS or any(not b > a for a, b in pairwise(axis)):
        raise ValueError(f"table axis {axis}: expected {least} to {MOST_POINTS} ascending points")
    k[count_at] = float(len(axis))
    k[at : at + len(axis)] = axis
