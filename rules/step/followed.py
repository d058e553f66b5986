"""Is what was decided also done? Judged by what the engine controller itself confirms."""

from rules.channels import BOOST
from rules.step.arithmetic import INFINITE
from rules.step.constants import Constants
from rules.step.state import NO_ACTION, NOT_FOLLOWED, State


def retard_due_deg(k: Constants, s: State, dt_s: float) -> float:
    """Return the retard that must be done by now: asked for, without less, for long enough.

    A retard that rises all the time is followed with a lag, and that is no fault: what is due
    rises in steps, each after its whole time (so it is found after once to twice that time).
    """
    asked = s.retard_deg
    if asked < s.due_deg:
        s.due_deg = asked
    if asked < s.next_deg:
        s.next_deg = asked
    if s.next_deg > s.due_deg:
        s.next_s = s.next_s + dt_s
        if s.next_s > k.confirm_within_s:
            s.due_deg = s.next_deg
            s.next_deg = asked
            s.next_s = 0.0
    else:
        s.next_deg = asked
        s.next_s = 0.0
    return s.due_deg


def not_followed(k: Constants, s: State, dt_s: float) -> float:
    """Ask for the rig's action where a retard or ceiling in force is not confirmed in time.

    A confirmation that is stale or implausible confirms nothing. Below the onset, with boost known,
    nothing is asked: what is latched there could otherwise never be released.
    """
    missing = False
    column = k.confirmed_retard_column
    if column > 0:
        due_deg = retard_due_deg(k, s, dt_s) - k.confirm_deg
        if due_deg > 0.0 and (s.usable[column] == 0.0 or s.value[column] < due_deg):
            missing = True
    column = k.confirmed_ceiling_column
    if column > 0:
        s.cut_s = s.cut_s + dt_s if s.boost_ceiling_kpa < INFINITE else 0.0
        if s.cut_s > k.confirm_within_s and (
            s.usable[column] == 0.0 or s.value[column] > s.boost_ceiling_kpa + k.confirm_kpa
        ):
            missing = True
    if missing and s.usable[BOOST] > 0.0 and s.value[BOOST] < k.onset_kpa:
        missing = False
    asked = k.not_followed_action if missing else NO_ACTION
    s.asked[NOT_FOLLOWED] = asked
    return asked
