"""What a decision says, and what a guard remembers: each field declared once, in order.

What a decision shows to the outside stands first, so a decision is a copy of the head of the
state. The order is that of recorded states: a field that is new goes to the end of its class.
"""

from dataclasses import dataclass
from typing import Final

from rules.channels import CHANNEL_NAMES
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
    "rig_doubted",
    "line_doubted",
)
(
    UNDER_DELIVERY,
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
    RIG_DOUBTED,
    LINE_DOUBTED,
) = range(19)
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

RING_SIZE: Final = 512

# In what the rig may be wrong about the car: see ``rig_doubts``.
(NO_DOUBT, HOLDS, COARSE, NOISY, READS_LOW, READS_HIGH, FELL) = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0)

# Parts of healthy spray, the oldest first: see ``learning.note_part``.
EARLY_PARTS: Final = 8
LATE_PARTS: Final = 6

# The bank of plausible cars: see ``bank`` and ``evidence``.
MOST_DELAYS: Final = 5
MOST_LAGS: Final = 4
MOST_CARS: Final = MOST_DELAYS * MOST_LAGS
N_SIZES: Final = 4
LINE_ACCOUNTS: Final = MOST_CARS * N_SIZES  # where the sums of the line's pressure begin
SURPLUS_ACCOUNTS: Final = LINE_ACCOUNTS + N_SIZES  # those of the surplus
HIGH_ACCOUNTS: Final = SURPLUS_ACCOUNTS + N_SIZES  # of a line pressure that is too high
CHARGE_ACCOUNTS: Final = HIGH_ACCOUNTS + N_SIZES  # and of the charge's temperature

NEVER_S: Final = 1.0e9  # age of a value that never came
FIRST_AIR_LEVEL: Final = 1.15  # a sound rig's, under load: see ``boost_and_command``


@dataclass(slots=True)
class Decision(Record):
    """What the rules say after one sample."""

    time_s: float = 0.0  # guard's time: that of the newest sample that was not late
    action: float = NO_ACTION  # 0 to 3, as ``facts.Action``
    finding: float = NO_FINDING  # index of the finding behind the action
    retard_deg: float = 0.0  # timing to take back now
    boost_ceiling_kpa: float = INFINITE  # boost not to be exceeded, gauge; infinite: none
    debt_ml: float = 0.0  # commanded spray that did not arrive, for the least accusing car
    debt_s: float = 0.0  # the same, as seconds of full flow
    peak_debt_ml: float = 0.0  # largest debt of this finding's, or the last shortfall
    short_s: float = 0.0  # time since that car's evidence was last nil, in this spell of spray
    commanded_ml_min: float = 0.0  # flow commanded now
    expected_ml_min: float = 0.0  # what the flow sensor should read now; without one, commanded
    least_ml_min: float = 0.0  # the least that the sensor of any plausible car may read; NaN: none
    most_ml_min: float = 0.0  # the most
    delivered_ml_min: float = NAN  # what it reads; NaN where that is not usable
    boost_kpa: float = NAN  # gauge; NaN where not usable
    missing_share: float = 0.0  # smoothed share of the expected flow that is missing, 0 to 1
    paid_deg: float = 0.0  # timing the spray pays for at this boost, while timing is pulled
    all_healthy: float = 0.0  # 1 where every essential channel and the clock are healthy
    changed: float = 0.0  # 1 where action, retard, a level or a channel's health changed
    late: float = 0.0  # 1 where the sample was older than the guard's time, and not used
    excess_ml: float = 0.0  # spray that arrived beyond what any plausible car may read
    tank_s: float = INFINITE  # spraying time left; infinite: nothing is used, or it is unknown
    cooling_k: float = NAN  # drop from dry to sprayed intake temperature; NaN without a dry one
    evidence: float = 0.0  # that spray is missing, nats
    line_evidence: float = 0.0  # the part of it that the line's pressure gives, nats
    line_due_kpa: float = NAN  # what that pressure should be; NaN while it says nothing
    surplus: float = 0.0  # evidence that more arrives than was asked for, nats
    gain: float = 1.0  # learned: this car's flow reading to the rig's
    noise: float = 0.0  # learned: standard deviation of the reading, as a share of it
    noise_lasts_s: float = 0.0  # learned: the time in which its correlation falls to half
    holds_s: float = 0.0  # learned: how long the flow sensor holds a reading; 0: new in every row
    flow_step_ml_min: float = 0.0  # learned: the smallest change of its reading lately
    learned_s: float = 0.0  # healthy spraying that was learned from
    rig_doubt: float = 0.0  # in what the rig seems wrong about this car: see ``rig_doubts``
    clock_s: float = 0.0  # sum of the time steps; goes on where the device's clock starts again
    clock_pace: float = 1.0  # the source's seconds in one of ours; 1 right, 0 not known
    duty_boost_kpa: float = NAN  # boost that injector duty and speed speak for; NaN: can't be told
    refused_column: float = 0.0  # column of the reading ``refused``; 0 before there was one
    refused: float = 0.0  # an implausible reading, in its channel's unit
    charge_evidence: float = 0.0  # that the charge isn't cooled, nats
    charge_due_c: float = NAN  # intake temperature under healthy spray; NaN while it says nothing
    charge_short_s: float = 0.0  # time since that evidence was last nil
    charge_wrong: float = 0.0  # 1 while the intake temperature isn't believed
    level: list[float] = block(FINDING_NAMES)  # what each finding asks for, held: 0 to 3
    health: list[float] = block(CHANNEL_NAMES, ABSENT, start=1)  # of each channel, by column
    value: list[float] = block(CHANNEL_NAMES, start=1)  # its last good value, however old
    line_high: float = 0.0  # 1 where the line's pressure speaks for a clog or a closed valve

    @property
    def judged(self) -> bool:
        """Whether the sample was in time, with every essential channel and the clock healthy."""
        return self.all_healthy != 0.0 and self.late == 0.0

    @property
    def quick_evidence(self) -> float:
        """The part of ``evidence`` that flow and line pressure give, nats."""
        return max(0.5 * self.evidence, self.evidence - self.charge_evidence)


@dataclass(slots=True)
class State(Decision):
    """What a guard remembers: the decision, and what is behind it. All of it is recorded."""

    started: float = 0.0  # 1 once a sample came
    clock_doubt_s: float = 0.0  # how long a clock step still counts as news
    delayed_ml_min: float = 0.0  # commanded, one transport delay ago
    short_smooth_ml_min: float = 0.0  # smoothed shortfall
    cut_s: float = 0.0  # how long the boost ceiling has been in force
    held_missing: float = 0.0  # largest missing share while timing is pulled
    pulled_s: float = 0.0  # time pulled with the shortfall still there
    low_boost_s: float = 0.0  # time out of boost since the latch
    blind_s: float = 0.0  # time blind where it matters
    unsure_s: float = 0.0  # time with any mapped channel unusable
    acknowledged: float = 0.0  # 1 since the operator's hand
    ring_last: float = 0.0  # index of the newest entry
    ring_read_nominal: float = 0.0  # index of the newest entry at least the rig's delay old
    ring_started: float = 0.0  # 1 once there is one
    unhealthy: float = 0.0  # how many mapped channels are not healthy
    unusable: float = 0.0  # how many mapped channels are not usable
    retard_held_deg: float = 0.0  # timing pulled, before rounding to the step
    use_ml_min: float = 0.0  # smoothed flow while spraying
    late_count: float = 0.0  # late samples, forgotten over some seconds
    can_judge: float = 0.0  # 1 where every essential reading is usable, and the clock is right
    due_deg: float = 0.0  # retard asked for long enough to be done by now
    next_deg: float = 0.0  # retard that becomes due next
    next_s: float = 0.0  # how long that has been asked for
    frozen: float = 0.0  # 1 where the logger repeats itself
    logger_still_s: float = 0.0  # time without news from any channel, where the engine turns
    logger_pause_s: float = 0.0  # the longest such time lately, slowly forgotten
    law_lagged_ml_min: float = 0.0  # the command by the rig's own rule, lagged
    air_level: float = FIRST_AIR_LEVEL  # this car's air by duty, to that by its rig's figures
    flow_evidence: float = 0.0  # the part of ``evidence`` that the flow gives
    line_lagged_kpa: float = 0.0  # due by the rig, behind the sensor's lag
    line_on_s: float = 0.0  # how long plenty has been commanded
    line_missing: float = 0.0  # share of the flow that its pressure says is missing, smoothed
    line_missing_slow: float = 0.0  # the same, smoothed for longer
    missing_slow: float = 0.0  # and ``missing_share``, alike
    unconfirmed_s: float = 0.0  # how long the line alone has pulled timing
    line_pulls: float = 0.0  # 1 where the pull in force is the line's alone
    line_wrong: float = 0.0  # 1 while the pressure isn't believed
    line_sound_s: float = 0.0  # how long it has read as it should since
    line_residual: float = 0.0  # of its last reading, as a share
    line_gain: float = 1.0  # learned: this line's pressure to the rig's
    line_doubt: float = 0.0  # the share by which that may still be off
    line_noise_sq: float = 0.0  # learned: variance of the reading, as a share squared
    line_noise_lasts_s: float = 0.0
    line_covariance: float = 0.0
    line_step_s: float = 0.0
    line_learned_s: float = 0.0
    bank_most_ml_min: float = 0.0  # no plausible car's sensor should read more
    surplus_residual: float = 0.0  # of the last row, as a share of full flow
    entry_s: float = 0.0  # how long the entry under way is
    entry_delivered_ml_min: float = 0.0  # delivered, averaged over it
    doubt: float = 0.0  # the share by which the gain learned may still be off
    noise_sq: float = 0.0  # ``noise`` squared
    floor_sq: float = 0.0  # variance of the reading at no flow, (mL/min)^2
    rounding_ml_min: float = 0.0  # how far below an honest reading may lie for its coarse step
    covariance: float = 0.0  # of two entries in a row
    mean_residual: float = 0.0
    entry_usual_s: float = 0.0  # how long an entry is on average
    held_ml_min: float = 0.0  # newest reading of the flow, and since when and how many rows
    held_s: float = 0.0
    held_rows: float = 0.0
    shortest_rows: float = 0.0  # for how many rows it was the same at least, lately
    sound_s: float = 0.0  # healthy spraying since the rig was last doubted
    read_before_ml_min: float = 0.0  # the reading before
    fell_s: float = NEVER_S  # time since a reading fell faster than any plausible sensor's
    up_sq: float = 0.0  # twice the mean square of readings above the expected, as a share, of late
    less_ml_min: float = 0.0  # how much less may be commanded: the controller reads its own boost
    more_ml_min: float = 0.0  # and how much more
    boost_row_kpa: float = NAN  # of the last row
    boost_on_kpa: float = NAN  # where it is next, if it goes on rising as it did
    unread_s: float = 0.0  # time since the last reading of the flow that was weighed
    line_unread_s: float = 0.0  # and since the line's
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
    ring_low_ml_min: list[float] = block(range(RING_SIZE))  # the lowest in each entry's time
    ring_high_ml_min: list[float] = block(range(RING_SIZE))  # the highest
    ring_read: list[float] = block(range(MOST_DELAYS))  # as above, by the bank's delays
    passed_ml: list[float] = block(range(MOST_DELAYS))  # of the spray each shows, since it began
    kept: list[float] = block(range(MOST_LAGS))  # share that each lag keeps in this step
    car_ml_min: list[float] = block(range(MOST_CARS))  # what each car's sensor should read
    entry_ml_min: list[float] = block(range(MOST_CARS))  # the same, averaged over the entry
    residual: list[float] = block(range(MOST_CARS))  # of the last entry, as a share
    innovation: list[float] = block(range(MOST_CARS))  # what of it was news
    account: list[float] = block(range(CHARGE_ACCOUNTS + N_SIZES))  # nats, by car and size
    car_debt_ml: list[float] = block(range(MOST_CARS))  # missing since the car's evidence was nil
    car_short_s: list[float] = block(range(MOST_CARS))  # and how long that is
    line_most_kpa: float = 0.0  # the most that may be due by the rig, the line still settling
    line_high_residual: float = 0.0  # as ``line_residual``, held to what may become a rise
    idle_s: float = 0.0  # how long no spray has been asked for, nor expected of any car
    charge_entry_s: float = 0.0  # how long the entry of charge temperature under way is
    charge_asked_s: float = 0.0  # command over it, as a share of full flow, times time
    charge_heat_s: float = 0.0  # boost, as a share of the highest, times time
    asked_fast: float = 0.0  # the command as the quickest plausible sensor shows it, a share
    asked_slow: float = 0.0  # and the slowest
    asked_lasting: float = 0.0  # and what of it has lasted
    heat_fast: float = 0.0  # the boost, alike
    heat_slow: float = 0.0
    heat_lasting: float = 0.0
    dry_slow_c: float = 0.0  # dry intake temperature, lagged
    core_c: float = 0.0  # what the charge would be without boost and spray
    core_known: float = 0.0  # 1 once it was seen without either
    charge_off: float = 0.0  # how much less than the rig's spray cools now, as a share of that
    charge_residual: float = 0.0  # colder than expected last, as a share of full cooling
    charge_cooled: float = 0.0  # the cooling that is believed since the last entry, as a share
    charge_idle_s: float = 0.0  # how long hardly any cooling has been due
    charge_rise: float = 1.0  # learned: how far boost warms the charge, to the rig's
    charge_doubt: float = 1.0  # the share of the rig's tolerances that is left
    charge_learned_s: float = 0.0
    charge_sound_s: float = 0.0  # how long it has read as it should since it was doubted
    switch_low_s: float = 0.0  # how long the tank's switch has read low
    full_now_ml_min: float = 0.0  # full flow against this boost
    covariance_2: float = 0.0  # as ``covariance``, of every other entry
    residual_1: float = 0.0  # the middle car's, of the last entry
    residual_2: float = 0.0  # and of the one before
    floor_part: float = 1.0  # learned: how much of ``floor_sq`` there is while spray is steady
    part_s: float = 0.0  # how long the part of healthy spray under way is
    part_gain: float = 0.0  # flow reading to the rig's, averaged over it
    fallen: float = 0.0  # 1 where that has fallen from the early parts to the late ones
    part_gains: list[float] = block(range(EARLY_PARTS + LATE_PARTS))  # of the last; 0: none yet
    charge_rich: float = 0.0  # spray for the air it cools in the last entry, each as a share
    charge_share: float = 0.0  # and the spray
    due_from_s: float = 0.0  # ``clock_s`` at which this spell's spray was first due; below 0: none


N_DECISION: Final = len(Decision.names())
