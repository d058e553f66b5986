"""Two readings that contradict each other: one of them is wrong, and the debt with it.

A boost reading that froze in cruise, or reads low, hides a whole pull: by it no spray is due. The
logged command gives it away, and so does the petrol the engine is given.
"""

from rules.channels import BOOST, COMMAND_PCT, ENGINE_SPEED, INJECTOR_DUTY
from rules.step.arithmetic import NAN, clamp, kept_share, larger, smaller
from rules.step.constants import Constants
from rules.step.lasting import lasting
from rules.step.state import BOOST_CONTRADICTED, COMMAND_DISAGREES, State

# What the controller's own filters, and a slow logger, may delay either side by. Common practice,
# no source; healthy drives at 10 to 100 samples a second stay inside it.
LAW_LAG_S = 0.2
# So near to the onset, where a rule may jump from nothing to much, the two may be on either side.
NEAR_ONSET_KPA = 10.0
CYCLE_MS_RPM = 120_000.0  # a four-stroke cycle takes two turns
PER_PERCENT = 0.01
# The learned level: what full-load mixture, charge temperature and the rig's own figures make of
# one car, as a ratio to the plain reckoning; the bounds are what a sound rig can be off.
LEAST_AIR_LEVEL = 0.6
MOST_AIR_LEVEL = 1.8
LEARN_S = 20.0
# Under load an engine is given so much more petrol for its air than below the onset of spray, where
# it cruises with just enough: a lambda of 0.87 against 1. Common practice, no source.
FULL_LOAD_SHARE = 1.15
LEAST_AIR_KPA = 10.0


def command_disagrees(k: Constants, s: State, dt_s: float) -> float:
    """Judge whether the logged command is another than the rig's own rule makes of the readings.

    The rule now and a lag ago are both good, and all between them. Called where every essential
    reading is usable.
    """
    column = k.law_column
    law = s.commanded_ml_min
    lagged = s.law_lagged_ml_min
    if lagged != law:
        lagged = law + (lagged - law) * kept_share(dt_s, LAW_LAG_S)
        s.law_lagged_ml_min = lagged
    disagrees = False
    from_onset_kpa = s.value[BOOST] - k.onset_kpa
    near = -NEAR_ONSET_KPA < from_onset_kpa < NEAR_ONSET_KPA
    if s.usable[column] > 0.0 and not near:
        logged = s.value[column]
        if column == COMMAND_PCT:
            logged = logged * PER_PERCENT * s.full_now_ml_min
        high = larger(law, lagged) + k.disagree_ml_min
        if logged > high:
            # A controller may well ask for more than there is; the rule does not.
            disagrees = smaller(logged, s.full_now_ml_min) > high
        else:
            disagrees = logged < smaller(law, lagged) - k.disagree_ml_min
    return lasting(s, COMMAND_DISAGREES, disagrees, dt_s, k.cross_check_for_s, k.on_blind)


def boost_contradicted(k: Constants, s: State, dt_s: float) -> float:
    """Judge whether the petrol injected is that of far more air than the boost reading shows.

    Speed-density: petrol a cycle follows the air the cylinders hold, and that the manifold's
    absolute pressure. Judged only where injector duty speaks for boost at which spray matters; on
    overrun nothing is injected, and nothing is said. How much petrol this car gives to its air
    under load is learned from it, within bounds; from a cruise too, which is leaner.

    Source: Heywood, Internal Combustion Engine Fundamentals, sec. 6.2 (volumetric efficiency).
    """
    contradicts = False
    duty_boost_kpa = NAN
    speed_rpm = s.value[ENGINE_SPEED]
    usable = s.usable[BOOST] * s.usable[INJECTOR_DUTY] * s.usable[ENGINE_SPEED]
    if usable > 0.0 and speed_rpm > 0.0:
        open_ms = s.value[INJECTOR_DUTY] * PER_PERCENT * CYCLE_MS_RPM / speed_rpm
        air_kpa = (open_ms - k.dead_time_ms) * k.air_kpa_a_ms  # as the rig's figures have it
        if air_kpa > LEAST_AIR_KPA:
            level = s.air_level
            read_kpa = larger(k.ambient_kpa + s.value[BOOST], LEAST_AIR_KPA)
            duty_boost_kpa = air_kpa / level - k.ambient_kpa
            contradicts = (
                duty_boost_kpa >= k.onset_kpa and air_kpa > read_kpa * level * k.contradicted_by
            )
            if not contradicts:
                seen = air_kpa / read_kpa
                if s.value[BOOST] < k.onset_kpa:
                    seen = seen * FULL_LOAD_SHARE
                seen = clamp(seen, LEAST_AIR_LEVEL, MOST_AIR_LEVEL)
                part = smaller(dt_s, k.longest_step_s) / LEARN_S
                s.air_level = level + (seen - level) * part
    s.duty_boost_kpa = duty_boost_kpa
    return lasting(s, BOOST_CONTRADICTED, contradicts, dt_s, k.cross_check_for_s, k.on_blind)
