"""A rig's facts turned into the constants the decision code multiplies with.

Everything that needs more than + - x / sqrt is worked out here, once, at load.
"""

from collections.abc import Sequence
from itertools import pairwise
from math import ceil, inf, log, sqrt
from typing import TypeVar

from rules import channels as ch
from rules.facts import Action, CommandKind, Rig
from rules.step.constants import LIMIT_COLUMNS, MOST_POINTS, Constants
from rules.step.hydraulics import full_flow_ml_min
from rules.step.learning import LONGEST_HOLD_S
from rules.step.state import MOST_DELAYS, MOST_LAGS, N_SIZES

WATER_KG_M3 = 998.2  # at 20 degC (CRC Handbook, 102nd ed.): nozzles are rated on water

NIL_COMMAND_PCT = 3.0
# Part of full flow from which on a flow reading must move: below it a coarse one may know but one
# step. Common practice, no source.
LIVELY_SHARE = 0.2
# Of full flow: a car of the bank that expects less expects nothing.
NIL_SHARE = 0.001
# Of full flow: below it a share of what is expected is mostly noise.
LEAST_SCALE = 0.13
# The least flow told from none lies this many standard deviations above it.
FLOOR_SDS = 4.0
# Shares of the expected flow that may be missing: what lies in between is found by the nearer one,
# nearly as soon.
SIZES = (0.07, 0.17, 0.4, 0.9)
# The bank's cars lie no farther apart than this, where there are enough of them: in delay, and in
# lag, of the rig's.
DELAY_STEP_S = 0.02
LAG_STEP = 0.34
# Of the rig's own: the least and the most that is learned, and what is never learned away.
LEAST_NOISE, MOST_NOISE, LEAST_DOUBT = 0.5, 4.0, 0.3
# A reading has followed to 86 % after so many lags.
FOLLOWED_LAGS = 2.0
# Longer no thermistor in fine steps stands still under boost. Common practice, no source.
INTAKE_STUCK_S = 2.0
# A warning may be false this many times as often as a pull.
WARNINGS_A_PULL = 10.0
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

_Number = TypeVar("_Number", int, float)


def nozzle_conductance(rig: Rig) -> float:
    """Return K of q = K sqrt(dp), in mL/min per sqrt(kPa), for all nozzles on this fluid.

    Square-root (orifice) law, e.g. Crane TP-410: at equal pressure volume flow goes with
    1/sqrt(density), and nozzles are rated on water.
    """
    if not (rig.spray.fluid_kg_m3 > 0.0 and all(n.rated_kpa > 0.0 for n in rig.spray.nozzles)):
        raise ValueError("fluid density and every nozzle's rated pressure must be above zero")
    on_water = sum(n.count * n.rated_ml_min / sqrt(n.rated_kpa) for n in rig.spray.nozzles)
    return on_water * sqrt(WATER_KG_M3 / rig.spray.fluid_kg_m3)


def witness_column(rig: Rig) -> int:
    """Return the column of the channel that tells whether spray arrives; 0: the rig maps none."""
    mapped = {terms.name for terms in rig.channels}
    for column in ch.WITNESSES:
        judged = column != ch.INTAKE or judges_charge(rig)
        if judged and ch.CHANNEL_NAMES[column - 1] in mapped:
            return column
    return 0


def essential_columns(rig: Rig) -> tuple[int, ...]:
    """Return the sample columns this rig's monitor is blind without.

    The flow stands for the witness of a rig that has none, so that whoever asks finds it missing.
    """
    by_kind = {
        CommandKind.LOG_FLOW: (ch.COMMANDED,),
        CommandKind.LOG_PERCENT: (ch.COMMAND_PCT,),
        CommandKind.INJECTOR_DUTY: (ch.INJECTOR_DUTY,),
        CommandKind.MAP: (ch.INJECTOR_DUTY,),
    }
    witness = witness_column(rig) or ch.WITNESSES[0]
    return (ch.BOOST, witness, *by_kind.get(rig.command.kind, ()))


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
    spray, pump, command = rig.spray, rig.spray.pump, rig.command
    sensor, line, charge = rig.flow_sensor, rig.line_sensor, rig.charge_sensor
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
    square = conductance * conductance
    spraying_ml_min = SPRAYING * sensor.floor_ml_min
    under_way_s = sensor.delay_s + sensor.delay_within_s + sensor.refresh_s + LONGEST_HOLD_S
    limit = limit_nats(rig)
    k = Constants(
        conductance_sq=square,
        conductance_sq_slope=square * (pump.shut_off_kpa / pump.free_flow_ml_min),
        shut_off_kpa=pump.shut_off_kpa,
        regulated_kpa=regulated_kpa,
        check_valve_kpa=spray.check_valve_kpa,
        follows_command=1.0 if pump.follows_command else 0.0,
        command_kind=float(command.kind),
        onset_kpa=command.start_boost_kpa,
        boost_span_kpa=boost_span_kpa,
        start_duty_pct=command.start_duty_pct,
        duty_span_pct=duty_span_pct,
        rate_ml_min=command.rate_ml_min,
        delay_s=sensor.delay_s,
        ring_spacing_s=under_way_s / 400.0,
        under_way_s=under_way_s,
        lag_s=sensor.lag_s,
        refresh_s=sensor.refresh_s,
        run_down_lag_s=sensor.lag_s + sensor.lag_within_s + pump.run_down_s,
        floor_ml_min=sensor.floor_ml_min,
        starts_after_ml=sensor.starts_after_ml,
        floor_sq=(sensor.floor_ml_min / FLOOR_SDS) ** 2,
        gain_within=sensor.gain_within,
        lowest_gain=1.0 - sensor.gain_within,
        highest_gain=1.0 + sensor.gain_within,
        least_doubt=LEAST_DOUBT * sensor.gain_within,
        noise_sq=sensor.noise**2,
        least_noise_sq=(LEAST_NOISE * sensor.noise) ** 2,
        most_noise_sq=(MOST_NOISE * sensor.noise) ** 2,
        correlation_s=sensor.noise_lasts_s,
        limit_nats=limit,
        warn_nats=limit - log(WARNINGS_A_PULL),
        line_lag_s=line.lag_s,
        line_settles_lag_s=line.lag_s + pump.run_down_s,
        line_gain_within=line.gain_within,
        line_noise_sq=line.noise**2,
        line_correlation_s=line.noise_lasts_s,
        line_confirmed_s=sensor.delay_s
        + sensor.delay_within_s
        + FOLLOWED_LAGS * (sensor.lag_s + sensor.lag_within_s)
        + sensor.refresh_s,
        redline_rpm=rig.engine.redline_rpm,
        top_boost_kpa=max((*paid.boost_kpa, 1.0)),
        drop_k=charge.drop_k,
        drop_within=charge.drop_within,
        rise_k=charge.rise_k,
        rise_within=charge.rise_within,
        soak_k_s=charge.soak_k_s,
        charge_fast_s=charge.lag_s - charge.lag_within_s,
        charge_slow_s=charge.lag_s + charge.lag_within_s,
        charge_noise_sq=(charge.noise_k / charge.drop_k) ** 2 if charge.drop_k > 0.0 else 0.0,
        charge_correlation_s=charge.noise_lasts_s,
        longest_step_s=0.5,
        missing_lag_s=0.06,
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
        no_command_above_kpa=watch.no_command_above_kpa,
        no_command_for_s=watch.no_command_for_s,
        # Nil is a flow below the noise floor, or a few percent of it.
        nil_command=sensor.floor_ml_min if ch.COMMANDED in mapped else NIL_COMMAND_PCT,
        over_ml=watch.over_ml,
        over_action=float(watch.over_action),
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
        logger_stuck_after_s=watch.logger_stuck_after_s,
        ambient_kpa=rig.engine.ambient_kpa,
        dead_time_ms=rig.injectors.dead_time_ms,
        air_kpa_a_ms=_air_kpa_a_ms(rig),
        contradicted_by=1.0 + watch.contradicted_share,
        cross_check_for_s=watch.cross_check_for_s,
    )
    _put_full_flow(k, rig)
    _put_bank(k, rig)
    _put_columns(k, rig, mapped)
    _put_channels(k, rig)
    _put_limits(k, rig, mapped)
    _put_tables(k, rig)
    return k


def judges_charge(rig: Rig) -> bool:
    """Whether a rig says enough of the charge's temperature for that to be evidence."""
    mapped = {terms.name for terms in rig.channels}
    charge = rig.charge_sensor
    dry = "dry_intake_c" in mapped or charge.rise_k > 0.0
    return "intake_c" in mapped and charge.drop_k > 0.0 and dry


def limit_nats(rig: Rig) -> float:
    """Return the evidence at which timing is pulled, nats.

    A one-sided sum of log-likelihood ratios passes h falsely no more than once in exp(h)
    independent readings (Lorden, Ann. Math. Statist. 42, 1971). Noise that lasts makes one reading
    of two correlation times; each size of shortfall has a sum of its own, for the flow and for
    either side of the line's pressure, and for the charge's temperature.
    """
    witness = witness_column(rig)
    by_flow = witness == ch.DELIVERED
    lasts_s = {
        ch.LINE: rig.line_sensor.noise_lasts_s,
        ch.INTAKE: rig.charge_sensor.noise_lasts_s,
    }.get(witness, rig.flow_sensor.noise_lasts_s)
    readings = rig.debt.false_pull_every_h * 3600.0 / (2.0 * lasts_s)
    by_line = any(terms.name == "line_kpa" for terms in rig.channels)
    return log((by_flow + 2 * by_line + judges_charge(rig)) * N_SIZES * readings)


def _put_full_flow(k: Constants, rig: Rig) -> None:
    full_ml_min = full_flow_ml_min(k, max(rig.paid.boost_kpa, default=0.0))
    k.full_ml_min = full_ml_min
    k.nil_ml_min = NIL_SHARE * full_ml_min
    k.least_scale_ml_min = LEAST_SCALE * full_ml_min
    k.cut_ml = min(rig.debt.cut_ml, rig.debt.cut_s * full_ml_min / 60.0)
    k.lively_ml_min = max(k.spraying_ml_min, LIVELY_SHARE * full_ml_min)
    k.disagree_ml_min = rig.watch.disagree_share * full_ml_min


def _put_bank(k: Constants, rig: Rig) -> None:
    sensor = rig.flow_sensor
    least_s = sensor.lag_s - sensor.lag_within_s
    if not (0.0 <= sensor.delay_within_s <= sensor.delay_s and least_s >= 0.0):
        raise ValueError("flow sensor: expected tolerances of delay and lag below themselves")
    k.n_delays = _put(
        k.car_delay_s, _spread(sensor.delay_s, sensor.delay_within_s, DELAY_STEP_S, MOST_DELAYS)
    )
    k.n_lags = _put(
        k.car_lag_s, _spread(sensor.lag_s, sensor.lag_within_s, LAG_STEP * sensor.lag_s, MOST_LAGS)
    )
    k.n_cars = k.n_delays * k.n_lags
    k.middle_car = k.n_cars // 2
    _put(k.size, SIZES)


def _spread(middle: float, within: float, step: float, most: int) -> list[float]:
    """Return values from ``middle - within`` to ``middle + within``, no more than ``most``."""
    if within == 0.0:  # and a step may be nil, too
        return [middle]
    n = min(most, 1 + ceil(2.0 * within / step - 1e-9))
    return [middle + within * (2.0 * i / (n - 1) - 1.0) for i in range(n)] if n > 1 else [middle]


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
    k.witness_column = witness_column(rig)
    k.command_column = where_mapped(ch.COMMANDED) or where_mapped(ch.COMMAND_PCT)
    if rig.command.kind in OWN_LAWS and watch.disagree_share < inf:
        k.law_column = k.command_column
    if {ch.ENGINE_SPEED, ch.INJECTOR_DUTY} <= mapped and watch.contradicted_share < inf:
        k.duty_column = ch.INJECTOR_DUTY
    k.dry_column = where_mapped(ch.DRY_INTAKE)
    if judges_charge(rig):
        k.cooled_column = where_mapped(ch.INTAKE)
    k.tank_column = where_mapped(ch.TANK)
    k.switch_column = where_mapped(ch.TANK_SWITCH)
    k.line_column = where_mapped(ch.LINE)
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
        if column == k.witness_column == ch.INTAKE:  # frozen, it would hide all there is
            k.stuck_after_s[column] = min(terms.stuck_after_s, INTAKE_STUCK_S)
        may_stick = min(k.stuck_after_s[column], terms.most_per_s) < inf
        k.pass_low[column] = inf if may_stick or column == ch.TANK_SWITCH else terms.low


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
