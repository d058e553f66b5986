"""How long it took, in ISO 26262-1:2018 terms: detection, reaction, handling, against tolerance."""

from dataclasses import dataclass
from math import isfinite

from rules.channels import BOOST, CHANNEL_NAMES, COLUMN_OF, DELIVERED, INTAKE
from rules.clock_pace import found_after_s
from rules.facts import Rig
from rules.figures import decimals_apart, told
from rules.step import state as st
from rules.step.from_rig import witness_column
from rules.step.state import Decision


@dataclass(frozen=True, slots=True)
class Intervals:
    """Intervals of one action, seconds.

    Attributes:
        detection_s: Fault detection time interval (FDTI, 3.55): from the fault, as far as it can be
            known from here, to its detection.
        reaction_s: Fault reaction time interval (FRTI, 3.59): the controller's, from the rig.
        tolerant_s: Fault tolerant time interval (FTTI, 3.61), from the rig.
    """

    detection_s: float
    reaction_s: float
    tolerant_s: float

    @property
    def handling_s(self) -> float:
        """Fault handling time interval (FHTI, 3.56): detection plus reaction, exactly."""
        return self.detection_s + self.reaction_s

    @property
    def in_time(self) -> bool:
        """Whether the fault is handled before it does harm: FHTI < FTTI."""
        return self.handling_s < self.tolerant_s

    @property
    def margin(self) -> float:
        """Share of the tolerant interval left over; negative where it is overrun."""
        return 1.0 - self.handling_s / self.tolerant_s

    def in_words(self) -> str:
        """Return the intervals in one clause."""
        takes, tolerant, verdict = told(self.handling_s, self.tolerant_s)
        decimals = decimals_apart(self.handling_s, self.tolerant_s)
        # What is shown adds up too.
        reaction = f"{self.reaction_s:z.{decimals}f}"
        detection = f"{float(takes) - float(reaction):z.{decimals}f}"
        return (
            f"handled in {takes} s (detection {detection}, reaction {reaction}) of {tolerant} s "
            f"tolerated: {verdict}"
        )


def intervals(rig: Rig, finding: int, decision: Decision) -> Intervals:
    """Return the intervals of a finding's action at the moment its level rose.

    When a fault began can only be seen through the sensor. For the debt that is the time since its
    evidence last stood at nil, or since the sensor can show this spell of spray, plus the flow
    sensor's transport delay and lag (where there is none, the lag of line or intake sensor); for
    the others the time their condition must hold, plus the age, or the time of standing still, at
    which a value counts as gone where that is what is found; for a clock, how long one that runs so
    isn't found.
    """
    watch, ladder, limits = rig.watch, rig.ladder, rig.limits
    sensor_s = {
        DELIVERED: rig.flow_sensor.delay_s + rig.flow_sensor.lag_s,
        INTAKE: rig.charge_sensor.lag_s,
    }.get(witness_column(rig), rig.line_sensor.lag_s)
    # Asked of thousands of events in a bad log: only what is needed is looked for.
    lost_s = 0.0
    if finding == st.SIGNAL_LOST:
        right = decision.clock_pace == 1.0
        lost_s = ladder.blind_after_s + _lost_s(rig, decision)
        lost_s = lost_s if right else found_after_s(decision.clock_pace)
    held_s = {
        st.UNDER_DELIVERY: decision.short_s + sensor_s,
        st.NO_COMMAND: watch.no_command_for_s,
        st.OVER_DELIVERY: sensor_s,
        st.UNASKED_FLOW: sensor_s,
        st.COOLING_MISSING: decision.charge_short_s + rig.charge_sensor.lag_s,
        st.SIGNAL_LOST: lost_s,
        st.OVERBOOST: limits.boost_kpa.for_s,
        st.KNOCK_HIGH: limits.knock.for_s,
        st.INTAKE_HOT: limits.intake_c.for_s,
        st.DUTY_HIGH: limits.injector_duty_pct.for_s,
        st.KNOCK_PERSISTS: watch.knock_persists_for_s,
        st.COMMAND_DISAGREES: watch.cross_check_for_s,
        st.BOOST_CONTRADICTED: watch.cross_check_for_s,
        st.NOT_FOLLOWED: rig.fault_intervals.reaction_s + watch.confirm_within_s,
    }
    detection_s = held_s.get(finding, 0.0)
    return Intervals(
        detection_s if isfinite(detection_s) else 0.0,
        rig.fault_intervals.reaction_s,
        rig.fault_intervals.tolerant_s,
    )


def _lost_s(rig: Rig, decision: Decision) -> float:
    """Return how long boost or witness takes to count as gone, s: by age, or by standing still."""
    names = [CHANNEL_NAMES[column - 1] for column in (BOOST, witness_column(rig))]
    essential = [one for one in rig.channels if one.name in names]
    stuck_s = [
        one.stuck_after_s for one in essential if decision.health[COLUMN_OF[one.name]] == st.STUCK
    ]
    if len(stuck_s) > 1:  # one alone stands still by itself, both where the logger does
        return min(*stuck_s, rig.watch.logger_stuck_after_s)
    return max((*stuck_s, *(one.max_age_s for one in essential)), default=0.0)
