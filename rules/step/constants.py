"""The constants the decision code multiplies with: each declared once, with its unit."""

from dataclasses import dataclass
from typing import Final

from rules import channels as ch
from rules.record import Record, block
from rules.step.state import MOST_DELAYS, MOST_LAGS, N_SIZES

MOST_POINTS = 32  # of a table's axis

# The channels with a limit, in the order of the findings.
LIMIT_COLUMNS: Final = (ch.BOOST, ch.KNOCK, ch.INTAKE, ch.INJECTOR_DUTY)
LIMIT_NAMES: Final = tuple(ch.CHANNEL_NAMES[column - 1] for column in LIMIT_COLUMNS)


@dataclass(slots=True)
class Columns(Record):
    """Which columns of a sample are looked at, and for what; 0 where there is none."""

    witness_column: int = 0  # see ``channels.WITNESSES``
    command_column: int = 0  # the logged command
    law_column: int = 0  # the logged command, where the rig's own rule is held against it
    duty_column: int = 0  # injector duty, where boost is held against it
    cooled_column: int = 0  # intake temperature, where it is evidence
    dry_column: int = 0  # dry intake temperature
    tank_column: int = 0
    switch_column: int = 0  # the tank's level switch
    line_column: int = 0  # line pressure, where it is evidence
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
    follows_command: float  # 1 where the command sets the pump's speed

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
    delay_s: float  # from a command to its first sign in the reading
    ring_spacing_s: float  # between the commands remembered for it
    under_way_s: float  # an older command shows in no reading any more
    lag_s: float
    refresh_s: float  # how long the sensor holds a reading
    n_delays: int = 0
    n_lags: int = 0
    n_cars: int = 0  # of the bank: as many as pairs of a delay and a lag
    middle_car: int = 0  # the one in the middle of it
    nil_ml_min: float = 0.0  # a car that expects less expects nothing
    run_down_lag_s: float  # slowest lag of a falling flow

    # Evidence and debt.
    full_ml_min: float = 0.0  # full flow at the highest boost of the table of paid timing
    least_scale_ml_min: float = 0.0  # shares are of what is expected, but of no less than this
    floor_ml_min: float  # smaller flows are not told from none
    starts_after_ml: float  # what passes, after a rest, before the reading moves
    floor_sq: float  # variance of the reading at no flow, (mL/min)^2
    gain_within: float  # share by which the reading may be off
    lowest_gain: float
    highest_gain: float
    least_doubt: float  # share by which a gain long learned may still be off
    noise_sq: float  # variance of the reading, as a share squared
    least_noise_sq: float  # the least that is learned
    most_noise_sq: float
    correlation_s: float  # of the noise
    limit_nats: float  # evidence from which on to pull timing
    warn_nats: float  # and to warn
    cut_ml: float = 0.0  # debt from which on to cut boost
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
    no_command_above_kpa: float  # boost, gauge
    no_command_for_s: float
    nil_command: float  # a command below it is nil, in the command's own unit
    over_ml: float
    over_action: float
    knock_limit: float  # in knock's unit
    knock_persists_for_s: float
    tank_reserve_ml: float
    tank_time_s: float
    confirm_within_s: float  # what the engine controller confirms
    confirm_deg: float  # less timing than asked for that still confirms it
    confirm_kpa: float  # more boost than asked for that still confirms it
    not_followed_action: float
    spraying_ml_min: float  # a flow above it is spray, not noise
    lively_ml_min: float = 0.0  # a flow above it can't stand still
    logger_stuck_after_s: float

    # The cross-checks.
    ambient_kpa: float
    dead_time_ms: float  # of the injectors
    air_kpa_a_ms: float  # air that burns the petrol of 1 ms, as absolute manifold pressure
    disagree_ml_min: float = 0.0  # how far the logged command may be off the rig's own rule
    contradicted_by: float  # air by injector duty, to air by boost
    cross_check_for_s: float

    # The line's pressure.
    line_lag_s: float
    line_settles_lag_s: float  # slowest lag of its way to a new pressure
    line_gain_within: float  # share by which a healthy line may be off
    line_noise_sq: float  # variance of a reading, as a share squared
    line_correlation_s: float  # of that noise
    line_confirmed_s: float  # in so long the flow must show what the line's pressure speaks of

    # The charge's temperature.
    redline_rpm: float
    top_boost_kpa: float  # boost at which it is warmed by ``rise_k``, gauge
    drop_k: float  # cooling in full spray
    drop_within: float  # share by which that may be off
    rise_k: float  # warming by full boost, at once
    rise_within: float  # share by which that may be off
    soak_k_s: float  # and the most by each second of it
    charge_fast_s: float  # the least lag behind command and boost
    charge_slow_s: float  # and the most
    charge_noise_sq: float  # variance of a reading, as a share of ``drop_k``, squared
    charge_correlation_s: float  # of that noise

    # The bank: its delays and lags, and the sizes of shortfall that it looks for (ascending).
    car_delay_s: list[float] = block(range(MOST_DELAYS))
    car_lag_s: list[float] = block(range(MOST_LAGS))
    size: list[float] = block(range(N_SIZES))

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
