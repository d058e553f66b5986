"""How much a spray system can deliver at a boost, and at which pressure."""

from math import sqrt

from rules.step.arithmetic import smaller
from rules.step.constants import Constants


def full_flow_ml_min(k: Constants, boost_kpa: float) -> float:
    """Return the flow at full command against ``boost_kpa`` (gauge), mL/min, never negative."""
    return flow_at_ml_min(k, boost_kpa, 1.0)


def flow_at_ml_min(k: Constants, boost_kpa: float, speed: float) -> float:
    """Return the flow with nothing shut, mL/min, never negative.

    Nozzles follow the square-root law on the pressure across them, pump less boost less check
    valve; leaving boost out overstates flow by 7.4 % at 150 psi pump and 20 psi boost. The pump is
    a straight line p = shut_off n^2 - slope n q at n times its nominal speed (affinity laws: flow
    with speed, pressure with its square), so with K the conductance
    q^2 + K^2 slope n q - K^2 (shut_off n^2 - back) = 0; a regulator caps the pressure.

    Args:
        k: Constants.
        boost_kpa: Boost, gauge.
        speed: The pump's, over its nominal one, 0 to 1.
    """
    back_kpa = boost_kpa + k.check_valve_kpa
    top_kpa = k.shut_off_kpa * speed * speed
    if speed <= 0.0 or top_kpa <= back_kpa or k.regulated_kpa <= back_kpa:
        return 0.0
    half = 0.5 * k.conductance_sq_slope * speed
    on_curve = sqrt(half * half + k.conductance_sq * (top_kpa - back_kpa)) - half
    regulated = sqrt(k.conductance_sq * (k.regulated_kpa - back_kpa))
    return regulated if regulated < on_curve else on_curve


def line_due_kpa(k: Constants, boost_kpa: float, commanded: float, full: float) -> float:
    """Return the mean line pressure of the healthy system, kPa gauge.

    A valve that opens for a share of the time holds the pump's shut pressure in the rest of it. A
    pump whose speed follows the command gives what the nozzles take to pass that flow.

    Args:
        k: Constants.
        boost_kpa: Boost, gauge.
        commanded: Flow commanded, mL/min.
        full: Full flow at this boost, mL/min, > 0.
    """
    back_kpa = boost_kpa + k.check_valve_kpa
    if k.follows_command > 0.0:
        flow = smaller(commanded, full)
        return back_kpa + flow * flow / k.conductance_sq
    share = smaller(commanded / full, 1.0)
    open_kpa = back_kpa + full * full / k.conductance_sq
    return share * open_kpa + (1.0 - share) * smaller(k.shut_off_kpa, k.regulated_kpa)


def stalled_kpa(k: Constants, due_kpa: float, commanded: float) -> float:
    """Return the pressure of a pump that follows its command, where all nozzles are shut, kPa.

    Args:
        k: Constants.
        due_kpa: Line pressure of the healthy system, gauge.
        commanded: Flow commanded, mL/min; the speed n is that at which the pump gives it at that
            pressure: shut_off n^2 - slope q n - due = 0.
    """
    half = 0.5 * k.conductance_sq_slope / k.conductance_sq * commanded
    speed = (half + sqrt(half * half + k.shut_off_kpa * due_kpa)) / k.shut_off_kpa
    return k.shut_off_kpa * speed * speed
