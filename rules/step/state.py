"""What a decision says, and what a guard remembers: each field declared once, in order.

What a decision shows to the outside stands first, so a decision is a copy of the head of the
state. The order is that of recorded states: a field that is new goes to the end of its class.
"""

from dataclasses import dataclass
from typing import Final, NamedTuple

from rules.channels import CHANNEL_NAMES, N_CHANNELS
from rules.facts import Action
from rules.record import Record, block
from rules.step.arithmetic import INFINITE, NAN

NO_ACTION: Final = float(Action.NO_ACTION)
WARN: Final = float(Action.WARN)
PULL: Final = float(Action.PULL_TIMING)
CUT: Final = float(Action.CUT_BOOST)

# Findings, in the order in which they claim to be the one behind an action.
FINDING_NAMES: Final = (
    "under_delivery",
    "no_delivery",
    "no_command",
    "over_delivery",
    "unasked_flow",
    "cooling_missing",
    "signal_lost",
    "overboost",
    "knock",
    "intake_hot",
    "injector_duty",
    "knock_persists",
    "tank_low",
    "clock_step",
    "late_samples",
    "not_followed",
    "command_disagrees",
    "boost_contradicted",
)
(
    UNDER_DELIVERY,
    NO_DELIVERY,
    NO_COMMAND,
    OVER_DELIVERY,
    UNASKED_FLOW,
    COOLING_MISSING,
    SIGNAL_LOST,
    OVERBOOST,
    KNOCK_HIGH,
    INTAKE_HOT,
    DUTY_HIGH,
    KNOCK_PERSISTS,
    TANK_LOW,
    CLOCK_STEP,
    LATE_SAMPLES,
    NOT_FOLLOWED,
    COMMAND_DISAGREES,
    BOOST_CONTRADICTED,
) = range(18)
N_FINDINGS: Final = len(FINDING_NAMES)
NO_FINDING: Final = -1.0

# Health of a channel. Only HEALTHY is healthy.
(HEALTHY, ABSENT, STALE, NOT_A_NUMBER, IMPLAUSIBLE, STUCK, JUMPED) = (
    *(0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0),
)
HEALTH_WORDS: Final = (
    "healthy",
    "absent",
    "stale",
    "not a number",
    "implausible",
    "stuck",
    "jumped",
)

# --- the head: what a decision shows ---------------------------------------------------------
(
    TIME_S,
    ACTION,
    FINDING,
    RETARD_DEG,
    CEILING_KPA,
    DEBT_ML,
    PEAK_DEBT_ML,
    SHORT_S,
    COMMANDED_ML_MIN,
    EXPECTED_ML_MIN,
    ALLOWANCE_ML_MIN,
    DELIVERED_ML_MIN,
    BOOST_KPA,
    MISSING_SHARE,
    PAID_DEG,
    ALL_HEALTHY,
    CHANGED,
    LATE,
    EXCESS_ML,
    TANK_S,
    COOLING_K,
    ARREARS_ML,
    CLOCK_S,
    CLOCK_PACE,
    DUTY_BOOST_KPA,
    REFUSED_COLUMN,
    REFUSED,
    EXPECTED_SMOOTH,
) = range(28)
LEVEL: Final = 28  # one for each finding
HEALTH: Final = LEVEL + N_FINDINGS - 1  # HEALTH + column of a channel (columns start at 1)
VALUE: Final = HEALTH + N_CHANNELS  # last good value of a channel
N_DECISION: Final = VALUE + N_CHANNELS + 1

RING_SIZE: Final = 512

NEVER_S: Final = 1.0e9  # age of a value that never came
FIRST_AIR_LEVEL: Final = 1.15  # see ``cross_checks``


@dataclass(slots=True)
class Head(Record):
    """What the rules say after one sample."""

    time_s: float = 0.0  # guard's time: that of the newest sample that was not late
    action: float = NO_ACTION  # 0 to 3, as ``facts.Action``
    finding: float = NO_FINDING  # index of the finding behind the action
    retard_deg: float = 0.0  # timing to take back now
    boost_ceiling_kpa: float = INFINITE  # boost not to be exceeded, gauge; infinite: none
    debt_ml: float = 0.0  # commanded spray that did not arrive, net of the allowance
    peak_debt_ml: float = 0.0  # largest debt of this finding's, or the last shortfall
    short_s: float = 0.0  # time since the debt was last nil
    commanded_ml_min: float = 0.0  # flow commanded now
    expected_ml_min: float = 0.0  # what the flow sensor should read now
    allowance_ml_min: float = 0.0  # how far below that it may read
    delivered_ml_min: float = NAN  # what it reads; NaN where that is not usable
    boost_kpa: float = NAN  # gauge; NaN where not usable
    missing_share: float = 0.0  # smoothed share of the expected flow that is missing, 0 to 1
    paid_deg: float = 0.0  # timing the spray pays for at this boost, while timing is pulled
    all_healthy: float = 0.0  # 1 where every essential channel and the clock are healthy
    changed: float = 0.0  # 1 where action, retard, a level or a channel's health changed
    late: float = 0.0  # 1 where the sample was older than the guard's time, and not used
    excess_ml: float = 0.0  # spray that arrived beyond command and allowance
    tank_s: float = INFINITE  # spraying time left; infinite: nothing is used, or it is unknown
    cooling_k: float = NAN  # drop from dry to sprayed intake temperature; NaN without a dry one
    arrears_ml: float = 0.0  # spray short beyond the share alone, over longer than the debt's
    clock_s: float = 0.0  # sum of the time steps; goes on where the device's clock starts again
    clock_pace: float = 1.0  # the source's seconds in one of ours; 1 right, 0 not known
    duty_boost_kpa: float = NAN  # boost that injector duty and speed speak for; NaN: can't be told
    refused_column: float = 0.0  # column of the reading ``refused``; 0 before there was one
    refused: float = 0.0  # an implausible reading, in its channel's unit
    expected_smooth_ml_min: float = 0.0  # the expected flow, smoothed as ``missing_share`` is
    level: list[float] = block(FINDING_NAMES)  # what each finding asks for, held: 0 to 3
    health: list[float] = block(CHANNEL_NAMES, ABSENT, start=1)  # of each channel, by column
    value: list[float] = block(CHANNEL_NAMES, start=1)  # its last good value, however old


@dataclass(slots=True)
class State(Head):
    """What a guard remembers: the decision, and what is behind it. All of it is recorded."""

    started: float = 0.0  # 1 once a sample came
    clock_doubt_s: float = 0.0  # how long a clock step still counts as news
    delayed_ml_min: float = 0.0  # commanded, one transport delay ago
    rate_ml_min_s: float = 0.0  # how fast the expected flow moves, either way
    short_smooth_ml_min: float = 0.0  # smoothed shortfall
    cut_s: float = 0.0  # how long the boost ceiling has been in force
    held_missing: float = 0.0  # largest missing share while timing is pulled
    pulled_s: float = 0.0  # time pulled with the shortfall still there
    low_boost_s: float = 0.0  # time out of boost since the latch
    blind_s: float = 0.0  # time blind where it matters
    unsure_s: float = 0.0  # time with any mapped channel unusable
    acknowledged: float = 0.0  # 1 since the operator's hand
    ring_last: float = 0.0  # index of the newest entry
    ring_read: float = 0.0  # index of the newest entry at least one delay old
    ring_started: float = 0.0  # 1 once there is one
    unhealthy: float = 0.0  # how many mapped channels are not healthy
    unusable: float = 0.0  # how many mapped channels are not usable
    retard_held_deg: float = 0.0  # timing pulled, before rounding to the step
    use_ml_min: float = 0.0  # smoothed flow while spraying
    intake_before_c: float = INFINITE  # intake when boost was last below the onset
    late_count: float = 0.0  # late samples, forgotten over some seconds
    can_judge: float = 0.0  # 1 where every essential reading is usable, and the clock is right
    undelayed_ml_min: float = 0.0  # the command through the lag alone, without delay
    commanded_before_ml_min: float = 0.0  # commanded, one sample ago
    due_deg: float = 0.0  # retard asked for long enough to be done by now
    next_deg: float = 0.0  # retard that becomes due next
    next_s: float = 0.0  # how long that has been asked for
    frozen: float = 0.0  # 1 where the logger repeats itself
    logger_still_s: float = 0.0  # time under boost without news from any channel
    logger_pause_s: float = 0.0  # such times lately, on average
    law_lagged_ml_min: float = 0.0  # the command by the rig's own rule, lagged
    air_level: float = FIRST_AIR_LEVEL  # this car's air by duty, to that by its rig's figures
    for_s: list[float] = block(FINDING_NAMES)  # how long each finding's condition has held
    asked: list[float] = block(FINDING_NAMES)  # what each asks for now, 0 to 3
    quiet_s: list[float] = block(FINDING_NAMES)  # how long each has had nothing to say
    age_s: list[float] = block(CHANNEL_NAMES, NEVER_S, start=1)  # of each channel's last good value
    still_s: list[float] = block(CHANNEL_NAMES, start=1)  # how long it stood still where it can't
    pause_s: list[float] = block(CHANNEL_NAMES, start=1)  # how long lately, on average
    unit: list[float] = block(CHANNEL_NAMES, start=1)  # its smallest step lately
    changes: list[float] = block(CHANNEL_NAMES, start=1)  # how often it has changed, up to 100
    reading: list[float] = block(CHANNEL_NAMES, start=1)  # health of its newest reading alone
    usable: list[float] = block(CHANNEL_NAMES, start=1)  # 1: the last good value still counts
    ring_time_s: list[float] = block(range(RING_SIZE))  # commands under way: ``clock_s`` of each
    ring_ml_min: list[float] = block(range(RING_SIZE))


class Decision(NamedTuple):
    """What the rules say after one sample.

    Attributes:
        time_s: Guard's time: time of the newest sample that was not late.
        action: 0 no action, 1 warn, 2 pull timing, 3 cut boost (``facts.Action``).
        finding: Index of the finding behind the action (``FINDING_NAMES``), -1 for none.
        retard_deg: Timing to take back now, degrees.
        boost_ceiling_kpa: Boost not to be exceeded, gauge; infinite where there is none.
        debt_ml: Commanded spray that did not arrive, net of the allowance.
        peak_debt_ml: Largest debt of this shortfall, or of the last one; while the finding lasts,
            of all its shortfalls.
        short_s: Time since the debt was last nil.
        commanded_ml_min: Flow commanded now.
        expected_ml_min: What the flow sensor should read now.
        allowance_ml_min: How far below that it may read.
        delivered_ml_min: What it reads; NaN where that is not usable.
        boost_kpa: Boost, gauge; NaN where not usable.
        missing_share: Smoothed share of the expected flow that is missing, 0 to 1.
        paid_deg: Timing the spray pays for at this boost, worked out while timing is pulled.
        all_healthy: 1 where every essential channel and the clock are healthy.
        changed: 1 where action, retard, a finding's level or a channel's health changed.
        late: 1 where the sample was older than the guard's time and was not used.
        excess_ml: Spray that arrived beyond command and allowance.
        tank_s: Spraying time left in the tank at the present use; infinite where nothing is used
            or the level isn't known.
        arrears_ml: Spray short beyond the share alone, over a longer time than the debt's.
        refused_column: Column of the channel whose implausible reading ``refused`` is; 0 before
            there was one. Of several at a time the first.
        refused: That reading, in the channel's unit.
        cooling_k: Drop from dry to sprayed intake temperature; NaN without a dry reading.
        clock_s: Sum of the time steps taken; it goes on where the device's clock starts again.
        clock_pace: Seconds the source's clock was found to run in one of ours; 1 where nothing is
            wrong with that, 0 where it isn't known.
        duty_boost_kpa: Boost that injector duty and engine speed speak for, gauge; NaN where
            nothing is injected or it can't be told.
        expected_smooth_ml_min: The expected flow, smoothed as ``missing_share`` is.

    ``level_*`` is each finding's action (0 to 3); ``health_*`` each channel's health code;
    ``value_*`` its last good value, however old.
    """

    time_s: float
    action: float
    finding: float
    retard_deg: float
    boost_ceiling_kpa: float
    debt_ml: float
    peak_debt_ml: float
    short_s: float
    commanded_ml_min: float
    expected_ml_min: float
    allowance_ml_min: float
    delivered_ml_min: float
    boost_kpa: float
    missing_share: float
    paid_deg: float
    all_healthy: float
    changed: float
    late: float
    excess_ml: float
    tank_s: float
    cooling_k: float
    arrears_ml: float
    clock_s: float
    clock_pace: float
    duty_boost_kpa: float
    refused_column: float
    refused: float
    expected_smooth_ml_min: float
    level_under_delivery: float
    level_no_delivery: float
    level_no_command: float
    level_over_delivery: float
    level_unasked_flow: float
    level_cooling_missing: float
    level_signal_lost: float
    level_overboost: float
    level_knock: float
    level_intake_hot: float
    level_injector_duty: float
    level_knock_persists: float
    level_tank_low: float
    level_clock_step: float
    level_late_samples: float
    level_not_followed: float
    level_command_disagrees: float
    level_boost_contradicted: float
    health_engine_speed_rpm: float
    health_boost_kpa: float
    health_injector_duty_pct: float
    health_intake_c: float
    health_knock: float
    health_commanded_ml_min: float
    health_command_pct: float
    health_delivered_ml_min: float
    health_timing_deg: float
    health_lambda_ratio: float
    health_throttle_pct: float
    health_tank_ml: float
    health_line_kpa: float
    health_supply_v: float
    health_dry_intake_c: float
    health_confirmed_retard_deg: float
    health_confirmed_ceiling_kpa: float
    value_engine_speed_rpm: float
    value_boost_kpa: float
    value_injector_duty_pct: float
    value_intake_c: float
    value_knock: float
    value_commanded_ml_min: float
    value_command_pct: float
    value_delivered_ml_min: float
    value_timing_deg: float
    value_lambda_ratio: float
    value_throttle_pct: float
    value_tank_ml: float
    value_line_kpa: float
    value_supply_v: float
    value_dry_intake_c: float
    value_confirmed_retard_deg: float
    value_confirmed_ceiling_kpa: float

    @property
    def judged(self) -> bool:
        """Whether the sample was in time, with every essential channel and the clock healthy."""
        return self.all_healthy != 0.0 and self.late == 0.0


if Decision._fields[LEVEL:] != (
    *(f"level_{name}" for name in FINDING_NAMES),
    *(f"health_{name}" for name in CHANNEL_NAMES),
    *(f"value_{name}" for name in CHANNEL_NAMES),
):  # pragma: no cover (a developer's slip, caught at import)
    raise AssertionError("Decision's fields and the state's layout have come apart")
