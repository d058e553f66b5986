"""Layout of a guard's state: one flat vector of floats.

The vector is a list when the code runs interpreted (plain floats are four times faster there than
array elements) and a float64 array when it runs compiled; the same functions index both. What a
decision shows to the outside stands first, so a decision is a copy of the head of the state.
"""

from typing import Final, NamedTuple

from rules.channels import CHANNEL_NAMES, N_CHANNELS

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

# --- the memory behind it ---------------------------------------------------------------------
STARTED: Final = N_DECISION
CLOCK_DOUBT_S: Final = N_DECISION + 1  # how long a clock step still counts as news
DELAYED_ML_MIN: Final = N_DECISION + 2  # commanded, one transport delay ago
RATE_ML_MIN_S: Final = N_DECISION + 3  # |d expected / dt|
SHORT_SMOOTH: Final = N_DECISION + 4  # smoothed shortfall, mL/min
CUT_S: Final = N_DECISION + 5  # how long the boost ceiling has been in force
HELD_MISSING: Final = N_DECISION + 6  # largest missing share while timing is pulled
PULLED_S: Final = N_DECISION + 7  # time pulled with the shortfall still there
LOW_BOOST_S: Final = N_DECISION + 8
BLIND_S: Final = N_DECISION + 9
UNSURE_S: Final = N_DECISION + 10  # time with any mapped channel unusable
ACKNOWLEDGED: Final = N_DECISION + 11
RING_LAST: Final = N_DECISION + 12  # index of the newest entry
RING_READ: Final = N_DECISION + 13  # index of the newest entry at least one delay old
RING_STARTED: Final = N_DECISION + 14
UNHEALTHY: Final = N_DECISION + 15  # how many mapped channels are not healthy
UNUSABLE: Final = N_DECISION + 16  # how many mapped channels are not usable
RETARD_HELD: Final = N_DECISION + 17  # timing pulled, before rounding to the step, deg
USE_ML_MIN: Final = N_DECISION + 18  # smoothed flow while spraying
INTAKE_BEFORE: Final = N_DECISION + 19  # intake temperature when boost last was below the onset
LATE_COUNT: Final = N_DECISION + 20  # late samples, forgotten over some seconds
JUDGED: Final = N_DECISION + 21  # 1 where every essential reading is usable
UNDELAYED_ML_MIN: Final = N_DECISION + 22  # the command through the lag alone, without delay
COMMANDED_BEFORE: Final = N_DECISION + 23  # commanded, one sample ago
DUE_DEG: Final = N_DECISION + 24  # retard asked for long enough to be done by now, deg
NEXT_DEG: Final = N_DECISION + 25  # retard that becomes due next, deg
NEXT_S: Final = N_DECISION + 26  # how long that has been asked for
FROZEN: Final = N_DECISION + 27  # 1 where the logger repeats itself
LOGGER_STILL_S: Final = N_DECISION + 28  # time under boost without news from any channel
LOGGER_PAUSE_S: Final = N_DECISION + 29  # such times lately, on average
LAW_LAGGED_ML_MIN: Final = N_DECISION + 30  # the command by the rig's own rule, lagged
AIR_LEVEL: Final = N_DECISION + 31  # this car's air by injector duty, to that by its rig's figures
FOR_S: Final = N_DECISION + 32  # how long each finding's condition has held
ASKED: Final = FOR_S + N_FINDINGS  # what each finding asks for now
QUIET_S: Final = ASKED + N_FINDINGS  # how long each finding has had nothing to say

# One block for each: block + column of the channel.
AGE_S: Final = QUIET_S + N_FINDINGS - 1
STILL_S: Final = AGE_S + N_CHANNELS  # how long it has stood still where it should not
PAUSE_S: Final = STILL_S + N_CHANNELS  # how long it did so lately before it moved, on average
UNIT: Final = PAUSE_S + N_CHANNELS  # its smallest step lately
CHANGES: Final = UNIT + N_CHANNELS  # how often it has changed, up to a hundred
READING: Final = CHANGES + N_CHANNELS
USABLE: Final = READING + N_CHANNELS  # 1 where the last good value may still be reckoned with

RING_SIZE: Final = 512
RING_TIME: Final = USABLE + N_CHANNELS + 1
RING_FLOW: Final = RING_TIME + RING_SIZE
N_STATE: Final = RING_FLOW + RING_SIZE

NEVER_S: Final = 1.0e9  # age of a value that never came


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
