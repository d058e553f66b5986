"""Pump, bypass, line, check valve, nozzles and tank of the spray system.

The plant shares no hydraulics with ``rules``: a mistake made in both would be seen by no test.
Flows at the nozzles are in mL/min, in the pump's own balance in mL/s.
"""

from math import sin, sqrt
from typing import Final

from rules.step.arithmetic import clamp, larger, smaller
from simulator.plant.constants import Constants
from simulator.plant.state import Rates, State

NOMINAL_V: Final = 13.6
RESTING_V: Final = 13.8
_SAG_V: Final = 0.35
_COAST_S: Final = 0.06  # a small diaphragm pump without drive; common practice, no source
_SUPPLY_S: Final = 0.05
VALVE_S: Final = 0.015  # a valve driven at some tens of hertz; common practice, no source
_SOFT_KPA: Final = 5.0  # below this the root is replaced by a line, as its slope has no end
PICK_UP_ML: Final = 25.0  # below this the pump draws air
_SLOSH_ML_PER_M_S2: Final = 9.0
_PICK_UP_SHIFT: Final = 1.5  # the pick-up's level moves more than the gauge's float
_SLOSH_PER_S2: Final = 57.0  # a swing of 1.2 Hz
_SLOSH_DAMPING_PER_S: Final = 3.0
_DRAIN_PER_S: Final = 4.0


def root_flow(conductance: float, drop_kpa: float) -> float:
    """Return what an opening passes, mL/min: square root of the pressure across it.

    Args:
        conductance: mL/min for each square root of a kPa, >= 0.
        drop_kpa: Pressure across it; none passes below 0.

    Source: Bernoulli (``Q = Cd A sqrt(2 dp / rho)``); a line below 5 kPa.
    """
    if drop_kpa <= 0.0:
        return 0.0
    if drop_kpa < _SOFT_KPA:
        return conductance * drop_kpa / sqrt(_SOFT_KPA)
    return conductance * sqrt(drop_kpa)


def nozzle_ml_min(
    conductance: float, friction: float, line_kpa: float, against_kpa: float
) -> float:
    """Return the flow through line and nozzles, mL/min.

    Args:
        conductance: Of what is open, mL/min for each square root of a kPa, >= 0.
        friction: Pressure the line loses for each mL/min (laminar), kPa.
        line_kpa: Line pressure at the pump, kPa gauge.
        against_kpa: Boost and what holds the check valve shut, kPa gauge.

    Source: square-root law in series with Hagen-Poiseuille.
    """
    drop_kpa = line_kpa - against_kpa
    if drop_kpa < _SOFT_KPA or conductance <= 0.0:
        return root_flow(conductance, drop_kpa)
    half = 0.5 * friction * conductance * conductance
    return sqrt(half * half + conductance * conductance * drop_kpa) - half


def pump_ml_s(line_kpa: float, shut_off_kpa: float, free_ml_s: float, speed: float) -> float:
    """Return what the pump gives against a pressure, mL/s, >= 0 (it lets none back).

    Args:
        line_kpa: Pressure behind it, gauge.
        shut_off_kpa: Its pressure at no flow and nominal speed.
        free_ml_s: Its flow at no pressure and nominal speed.
        speed: Over nominal, >= 0.

    Source: straight pressure-flow curve; affinity laws (flow with speed, pressure with its square).
    """
    top_kpa = shut_off_kpa * speed * speed
    if top_kpa <= 1e-6 or line_kpa >= top_kpa:
        return 0.0
    return free_ml_s * speed * (1.0 - larger(line_kpa, 0.0) / top_kpa)


def bypass_ml_s(line_kpa: float, crack_kpa: float, slope_ml_s_kpa: float) -> float:
    """Return what the pressure regulator sends back, mL/s.

    Args:
        line_kpa: Line pressure, gauge.
        crack_kpa: Pressure at which it opens (infinite: there is none).
        slope_ml_s_kpa: Flow for each kPa above that.
    """
    return slope_ml_s_kpa * (line_kpa - crack_kpa) if line_kpa > crack_kpa else 0.0


def supply_line(k: Constants, regulated: bool) -> tuple[float, float]:
    """Return a healthy pump's flow as ``a - g * p`` in mL/min, with bypass or not."""
    free = 60.0 * k.free_ml_s
    fall = free / k.shut_off_kpa
    if not regulated:
        return free, fall
    slope = 60.0 * k.bypass_ml_s_kpa
    return free + slope * k.crack_kpa, fall + slope


def full_flow_ml_min(k: Constants, boost_kpa: float) -> float:
    """Return the steady flow of the healthy system with its valve open, mL/min.

    Args:
        k: Constants.
        boost_kpa: Manifold pressure, kPa gauge.

    Source: the root of the quadratic in which pump line, friction and nozzles meet.
    """
    against_kpa = boost_kpa + k.check_kpa
    conductance = k.conductance
    regulated = k.crack_kpa < 1e9
    flow = 0.0
    for _ in range(2):
        a, g = supply_line(k, regulated)
        rest = a - g * against_kpa
        if rest <= 0.0:
            return 0.0
        u = g / (conductance * conductance)
        v = 1.0 + g * k.friction_kpa_min_ml
        flow = (sqrt(v * v + 4.0 * u * rest) - v) / (2.0 * u)
        if not regulated or (a - flow) / g >= k.crack_kpa:
            return flow
        regulated = False
    return flow


def flow_at_speed(k: Constants, speed: float, boost_kpa: float) -> float:
    """Return the steady flow of a healthy system without valve and bypass, mL/min.

    Args:
        k: Constants.
        speed: The pump's, over nominal, 0 to 1.
        boost_kpa: Manifold pressure, kPa gauge.

    Source: affinity laws in ``full_flow_ml_min``'s quadratic.
    """
    if speed <= 0.0:
        return 0.0
    free = 60.0 * k.free_ml_s * speed
    g = free / (k.shut_off_kpa * speed * speed)
    rest = free - g * (boost_kpa + k.check_kpa)
    if rest <= 0.0:
        return 0.0
    u = g / (k.conductance * k.conductance)
    v = 1.0 + g * k.friction_kpa_min_ml
    return (sqrt(v * v + 4.0 * u * rest) - v) / (2.0 * u)


def speed_for(k: Constants, flow_ml_min: float, boost_kpa: float) -> float:
    """Return the speed, over nominal, at which a healthy pump passes a flow, 0 to 1.

    Source: ``shut_off n^2 - slope n q = p``, solved for n.
    """
    if flow_ml_min <= 0.0:
        return 0.0
    across_kpa = (flow_ml_min / k.conductance) ** 2 + k.friction_kpa_min_ml * flow_ml_min
    line_kpa = boost_kpa + k.check_kpa + across_kpa
    slope = k.shut_off_kpa / (60.0 * k.free_ml_s)
    half = 0.5 * slope * flow_ml_min
    return smaller(1.0, (half + sqrt(half * half + k.shut_off_kpa * line_kpa)) / k.shut_off_kpa)


def opening_for(k: Constants, flow_ml_min: float, boost_kpa: float) -> float:
    """Return the mean valve opening at which the healthy system passes a flow, 0 to 1.

    Args:
        k: Constants.
        flow_ml_min: Wanted flow, at most the full flow.
        boost_kpa: Manifold pressure, kPa gauge.
    """
    if flow_ml_min <= 0.0:
        return 0.0
    a, g = supply_line(k, k.crack_kpa < 1e9)
    line_kpa = (a - flow_ml_min) / g
    if k.crack_kpa < 1e9 and line_kpa < k.crack_kpa:
        a, g = supply_line(k, False)
        line_kpa = (a - flow_ml_min) / g
    drop_kpa = line_kpa - k.friction_kpa_min_ml * flow_ml_min - boost_kpa - k.check_kpa
    if drop_kpa <= 0.0:
        return 1.0
    return smaller(1.0, flow_ml_min / (k.conductance * sqrt(drop_kpa)))


def liquid_share(air_share: float, time_s: float) -> float:
    """Return the share of what passes that is liquid; air comes in slugs, so flow ripples."""
    if air_share <= 0.0:
        return 1.0
    slug = sin(34.0 * time_s) + 0.6 * sin(81.0 * time_s)
    return larger(0.0, (1.0 - air_share) * (1.0 + 2.2 * air_share * slug))


def spray_rates(k: Constants, s: State, d: Rates, valve: float, due_ml_min: float) -> None:
    """Work out the spray system's flows, and how fast its pressures and levels change.

    Args:
        k: Constants.
        s: State; algebraic results (flows) are put into it.
        d: Rates, per second.
        valve: Valve opening asked for now, 0 to 1.
        due_ml_min: What healthy flow follows, mL/min.
    """
    opening = larger(s.opening, s.stuck_open)
    tank_ml = s.tank_ml
    level_ml = tank_ml - _PICK_UP_SHIFT * larger(s.slosh_ml, 0.0)
    uncovered = clamp(1.0 - level_ml / PICK_UP_ML, 0.0, 1.0)
    air = larger(s.air, uncovered)
    s.air_share = air
    liquid = liquid_share(air, s.time_s)
    speed = larger(s.pump, 0.0)
    line_kpa = larger(s.line_kpa, 0.0)
    left = s.pump_left * (1.0 - air)  # of the pump's pressure
    boost_kpa = s.boost_kpa
    clean = k.conductance * (1.0 - k.water_less * s.wrong_mix)
    against_kpa = boost_kpa + k.check_kpa
    sprayed = nozzle_ml_min(
        clean * s.nozzles_left * opening, k.friction_kpa_min_ml, line_kpa, against_kpa
    )
    ahead = root_flow(s.split_before * k.conductance, line_kpa)
    behind = root_flow(s.split_after * k.conductance, line_kpa) * smaller(
        1.0, 20.0 * opening
    )  # the spray valve stands before the split
    s.nozzle_ml_min = sprayed * liquid + _drawn_ml_min(k, s, boost_kpa, tank_ml)
    s.metered_ml_min = s.nozzle_ml_min + behind * liquid
    s.leaked_ml_min = (ahead + behind) * liquid
    given = pump_ml_s(line_kpa, k.shut_off_kpa * left, k.free_ml_s, speed)
    crack_kpa = k.crack_kpa * left * (1.0 - s.bypass_open)
    back = bypass_ml_s(line_kpa, crack_kpa, k.bypass_ml_s_kpa)
    d.line_kpa = (given - back - (sprayed + ahead + behind) / 60.0) / k.compliance_ml_kpa
    if s.line_kpa <= 0.0 and d.line_kpa < 0.0:
        d.line_kpa = 0.0
    d.opening = (valve - s.opening) / VALVE_S
    d.due_ml_min = (due_ml_min - s.due_ml_min) / VALVE_S
    _pump_rates(k, s, d, opening)
    out_ml_s = (s.nozzle_ml_min + s.leaked_ml_min) / 60.0
    d.used_ml = out_ml_s
    d.tank_ml = -out_ml_s - s.drain * _DRAIN_PER_S * (tank_ml + 5.0)
    if tank_ml <= 0.0:
        d.tank_ml = 0.0
    # Fluid in the tank swings when the car accelerates.
    pull_ml = _SLOSH_ML_PER_M_S2 * s.accel_m_s2 - s.slosh_ml
    d.slosh_ml = s.slosh_ml_s
    d.slosh_ml_s = _SLOSH_PER_S2 * pull_ml - _SLOSH_DAMPING_PER_S * s.slosh_ml_s


def _pump_rates(k: Constants, s: State, d: Rates, opening: float) -> None:
    """Supply voltage under load, and the pump's speed behind it."""
    running = s.pump_drive * s.primed
    asked = s.pump_asked if k.follows_command > 0.0 else 1.0
    sag_v = _SAG_V * running * smaller(1.0, 0.2 + opening)
    # A bad joint costs under load alone.
    loaded = 1.0 - running * smaller(1.0, 4.0 * opening) * (1.0 - s.supply_left)
    d.supply_v = ((RESTING_V - sag_v) * loaded - s.supply_v) / _SUPPLY_S
    d.pump = (asked * running * s.supply_v / NOMINAL_V - s.pump) / _COAST_S


def _drawn_ml_min(k: Constants, s: State, boost_kpa: float, tank_ml: float) -> float:
    """Return what a manifold in vacuum draws past a worn check valve or a stuck spray valve."""
    if boost_kpa >= 0.0 or tank_ml < PICK_UP_ML:
        return 0.0
    return root_flow(s.siphon * k.conductance, -boost_kpa)
