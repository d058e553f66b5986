"""Where a rig file, though it is right in itself, protects little: told by ``flowdebt check``."""

from math import inf
from typing import TYPE_CHECKING, Final

from rules.channels import CHANNEL_NAMES, DELIVERED, INTAKE, LINE
from rules.facts import Rig
from rules.handling import Handled, least_due_ml_min, least_found_share
from rules.step.boost_and_command import NEAR_ONSET_KPA
from rules.step.charge import COLD_C, WARM_C
from rules.step.from_rig import constants_of, essential_columns, witness_column
from rules.step.hydraulics import full_flow_ml_min
from rules.step.line import LEAST_COMMAND

if TYPE_CHECKING:
    from simulator.plant.tuning import Spent

QUARTER: Final = 0.25


def weak_points(
    rig: Rig,
    pump_stop: Handled,
    overdrawn: "Spent | None",
) -> list[str]:
    """Return a sentence for each way in which a rig protects little; none where all is well.

    Args:
        rig: The rig.
        pump_stop: How soon a stopped pump is handled there.
        overdrawn: Where the rig claims more timing for its spray than that pays for.
    """
    return [
        *_unseen(rig),
        *_little_asked(rig),
        *_tolerance(rig, pump_stop),
        *_paid(rig, overdrawn),
        *_near_full_throttle(rig),
    ]


def _unseen(rig: Rig) -> list[str]:
    k = constants_of(rig)
    if k.witness_column == INTAKE:
        onset = ""
        if k.dry_column == 0:
            onset = ", nor one that a pull begins with (channels.dry_intake_c would tell that)"
        return [
            "the intake temperature alone tells whether spray arrives: no shortfall of less than "
            f"half, the less the colder than {WARM_C:z.0f} degC a dry charge is, nothing below "
            f"{COLD_C:z.0f}{onset}, and none that is over before the sensor shows it"
        ]
    if least_found_share(k) <= QUARTER:
        return []
    sensor, within = "flow_sensor", rig.flow_sensor.gain_within
    if witness_column(rig) != DELIVERED:
        sensor, within = "line_sensor", rig.line_sensor.gain_within
    return [
        f"[{sensor}] gain_within {100.0 * within:zg} % lets a quarter of the spray be missing: an "
        "honest sensor might read as little, so it is never found"
    ]


def _little_asked(rig: Rig) -> list[str]:
    """Tell of boosts that need spray, but where too little of it is due for line pressure to tell.

    What a log commands is not known beforehand.
    """
    if witness_column(rig) != LINE:
        return []
    k = constants_of(rig)
    too_little = [
        f"{kpa:zg} kPa"
        for kpa in rig.paid.boost_kpa
        if kpa > rig.paid.dry_limit_kpa
        and least_due_ml_min(rig, kpa) < LEAST_COMMAND * full_flow_ml_min(k, kpa)
    ]
    if not too_little:
        return []
    return [
        f"[command] asks for less than {100.0 * LEAST_COMMAND:z.0f} % of full flow at "
        f"{', '.join(too_little)}, above the dry limit: the line's pressure can't tell there "
        "whether it arrives, and there is no flow sensor"
    ]


def _tolerance(rig: Rig, pump_stop: Handled) -> list[str]:
    times = rig.fault_intervals
    if times.reaction_s >= times.tolerant_s:
        return [
            f"[fault_intervals] tolerant {times.tolerant_s:zg} s is over before the reaction is, "
            f"{times.reaction_s:zg} s: whatever is found is found too late"
        ]
    if pump_stop.pull_s < times.tolerant_s:
        return []
    at = f"at {rig.paid.boost_kpa[-1]:z.0f} kPa a stopped pump"
    if pump_stop.pull_s == inf:
        return [f"{at} may never be handled, whatever [fault_intervals] tolerates"]
    return [
        f"[fault_intervals] tolerant {times.tolerant_s:zg} s is too short: {at} takes up to "
        f"{pump_stop.pull_s:z.2f} s to handle"
    ]


def _near_full_throttle(rig: Rig) -> list[str]:
    onset_kpa, top_kpa = rig.command.start_boost_kpa, rig.paid.boost_kpa[-1]
    if not rig.unboosted or top_kpa - onset_kpa >= NEAR_ONSET_KPA:
        return []
    return [
        f"[command] start_boost {onset_kpa:zg} kPa is less than {NEAR_ONSET_KPA:zg} kPa below full "
        f"throttle ({top_kpa:zg} kPa): weather, or some hundred metres of height, may hide that "
        "spray is due, and a logged command isn't compared so near to it"
    ]


def rows_expected(rig: Rig, period_s: float, slowest_s: float) -> str | None:
    """Return how near rows must be where those of this rig are too far apart to judge; else None.

    Args:
        rig: The rig.
        period_s: Time from one row to the next.
        slowest_s: The longest at which a switched command can be judged.
    """
    essential = [CHANNEL_NAMES[column - 1] for column in essential_columns(rig)]
    age_s, name = min((one.max_age_s, one.name) for one in rig.channels if one.name in essential)
    if period_s >= age_s:
        why = f"each value of {name} is older than its max_age before the next comes"
        return f"less than {1e3 * age_s:zg} ms: else {why}"
    if period_s > slowest_s:
        why = "spray switched off from one row to the next, unseen, would pull timing"
        return (
            f"at most {1e3 * slowest_s:z.0f} ms ({1.0 / slowest_s:z.0f} rows a second): else {why}"
        )
    return None


def _paid(rig: Rig, overdrawn: "Spent | None") -> list[str]:
    found = []
    limit_kpa, tuned_kpa = rig.limits.boost_kpa.above, rig.paid.boost_kpa[-1]
    if limit_kpa < tuned_kpa:
        found.append(
            f"[limits.boost_kpa] above {limit_kpa:zg} kPa is below the boost the rig is tuned for, "
            f"{tuned_kpa:zg} kPa: a sound pull ends in overboost"
        )
    if overdrawn is not None:
        found.append(f"[paid] {overdrawn.in_words()}")
    return found
