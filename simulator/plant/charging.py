"""From the air filter to the inlet valves: charger, intercooler, throttle, bypass, filling.

A mean-value model: masses of air are conserved in two volumes (charge pipe and manifold), the
shaft's energy in the charger. Constants without a source in their comment are common practice,
chosen to be typical; ``simulator.plant.sizing`` fits them to the rig's displacement and boost.
"""

from math import sqrt
from typing import Final

from rules.step.arithmetic import clamp, larger, smaller
from rules.step.vector import Vector
from simulator.plant.air import (
    GAS_CONSTANT_J_KG_K,
    ZERO_C_K,
    compressor_outlet_k,
    intercooler_outlet_k,
)
from simulator.plant.layout import (
    K_AMBIENT_C,
    K_AMBIENT_KPA,
    K_BLOWER_M3,
    K_BYPASS,
    K_CHARGER,
    K_CHOKE_KG_S,
    K_DISPLACEMENT_M3,
    K_FULL_AIR_KG_S,
    K_HEAD,
    K_INERTIA_J,
    K_MANIFOLD_M3,
    K_PEAK_KPA,
    K_PIPE_M3,
    K_REDLINE_RPM,
    K_THROTTLE_M2,
    K_TURBINE,
    K_VE,
    N_AIM,
    S_AIM_KPA,
    S_AIR_KG_S,
    S_BACK_KPA,
    S_BOOST_KPA,
    S_BYPASS,
    S_BYPASS_KG_S,
    S_CEILING_KPA,
    S_CHARGE_C,
    S_COMPRESSOR_KG_S,
    S_CORE_C,
    S_CUT,
    S_DRAWN_KG_S,
    S_DROP_K,
    S_DRY_C,
    S_EXHAUST_K,
    S_HOT_K,
    S_INTEGRAL,
    S_MANIFOLD_KPA,
    S_PEDAL,
    S_PETROL_KG_S,
    S_PIPE_KPA,
    S_ROAD_M_S,
    S_SHAFT,
    S_SPEED_RPM,
    S_THROTTLE,
    S_THROTTLE_KG_S,
    S_VAPOUR_METHANOL,
    S_VAPOUR_WATER,
    S_WASTEGATE,
    X_HOT_COOLER,
    X_NO_CUT,
    X_OVERBOOST,
)

NO_CHARGER: Final = 0.0
TURBOCHARGER: Final = 1.0
CENTRIFUGAL: Final = 2.0  # belt-driven, boost grows with the square of speed
DISPLACEMENT: Final = 3.0  # belt-driven, boost nearly the same at every speed
AIR_J_KG_K: Final = 1005.0
EXHAUST_J_KG_K: Final = 1150.0
TURBINE_EFFICIENCY: Final = 0.70
PEAK_EFFICIENCY: Final = 0.75
_EFFICIENCY_FALL: Final = 1.1
_BEST_FLOW: Final = 0.36  # of choke flow
_CRITICAL: Final = 0.528  # pressure ratio below which air of gamma 1.4 chokes
_CHOKED: Final = 0.6847  # sqrt(gamma) * (2 / (gamma + 1))^((gamma + 1) / (2 (gamma - 1)))
_SMOOTH: Final = 0.92  # above this ratio flow falls linearly, as the root's slope has no end
_SMOOTH_FLOW: Final = _CHOKED * sqrt(
    1.0 - ((_SMOOTH - _CRITICAL) / (1.0 - _CRITICAL)) * ((_SMOOTH - _CRITICAL) / (1.0 - _CRITICAL))
)
LEAK: Final = 0.0105  # throttle opening that idles
_IDLE_PER_RPM: Final = 3.5e-4
_LEFT_BEHIND: Final = 0.055  # common practice, no source
THROTTLE_S: Final = 0.045
_WASTEGATE_S: Final = 0.07
_BYPASS_S: Final = 0.03
_CORE_J_K_PER_M3: Final = 2.8e6  # an aluminium core of 5 kg for 1.8 L
_CORE_W_K_PER_M3: Final = 83.0e3
_CORE_W_K_PER_M_S_M3: Final = 6.7e3
_WANDER: Final = 0.006  # of the boost controller's aim
LEAST_KPA: Final = 15.0
_FORGET_S: Final = 0.3
_BLOWER_EFFICIENCY: Final = 0.60
_UNDER_BONNET_K: Final = 4.0
_VAPOUR_WATER: Final = 1.608  # molar mass of air over that of water
_VAPOUR_METHANOL: Final = 0.904


def restriction(ratio: float) -> float:
    """Return the flow function of an orifice: choked 0.685, nil at equal pressures.

    Args:
        ratio: Pressure behind over pressure before, 0 to 1 (above 1: no flow).

    Source: ISO 6358-1, ellipse over the critical ratio; linear above 0.92, where the root's slope
    would outrun a step of 1 ms. There it is low against an ideal nozzle: by 22.5 % at 0.95, by
    41 % at 0.97. The throttle is sized by it at 0.97, so what full load passes and loses is right.
    """
    if ratio >= 1.0:
        return 0.0
    if ratio > _SMOOTH:
        return _SMOOTH_FLOW * (1.0 - ratio) / (1.0 - _SMOOTH)
    if ratio <= _CRITICAL:
        return _CHOKED
    z = (ratio - _CRITICAL) / (1.0 - _CRITICAL)
    return _CHOKED * sqrt(1.0 - z * z)


def orifice_air_kg_s(area_m2: float, up_kpa: float, up_k: float, down_kpa: float) -> float:
    """Return the air through an opening, kg/s, >= 0.

    Args:
        area_m2: Effective area (with its discharge coefficient), m2.
        up_kpa: Absolute pressure before it.
        up_k: Temperature before it, kelvin.
        down_kpa: Absolute pressure behind it.

    Source: compressible orifice flow; see ``restriction``.
    """
    return (
        area_m2 * up_kpa * 1e3 / sqrt(GAS_CONSTANT_J_KG_K * up_k) * restriction(down_kpa / up_kpa)
    )


def breathing(share_of_redline: float) -> float:
    """Return volumetric efficiency over the rig's, by speed (common practice, no source)."""
    return 0.84 + 0.64 * share_of_redline * (1.25 - share_of_redline)


def highest_ratio(head: float, shaft: float) -> float:
    """Return a compressor's pressure ratio at no flow: ``(1 + head * u^2)^3.5``.

    Args:
        head: Isentropic temperature rise over inlet temperature at design speed.
        shaft: Square of speed over design speed.

    Source: Euler's pump equation; work of a radial wheel goes with the square of tip speed.
    """
    x = 1.0 + head * shaft
    return x * x * x * sqrt(x)


def compressor_kg_s(head: float, choke_kg_s: float, shaft: float, ratio: float) -> float:
    """Return the air a radial compressor gives against a pressure ratio, kg/s.

    A parabola from choke flow to nil at the highest ratio; common practice, no source.
    """
    speed = sqrt(larger(shaft, 0.0))
    rise = larger(highest_ratio(head, shaft) - 1.0, 1e-3)
    z = clamp((ratio - 1.0) / rise, -0.3, 1.0)
    return choke_kg_s * speed * (1.0 - z * z) if z > 0.0 else choke_kg_s * speed


def compressor_efficiency(choke_kg_s: float, shaft: float, air_kg_s: float) -> float:
    """Return isentropic efficiency, 0.45 to its peak, by flow over choke flow."""
    off = air_kg_s / larger(choke_kg_s * sqrt(larger(shaft, 0.0)), 1e-4) - _BEST_FLOW
    return larger(0.45, PEAK_EFFICIENCY - _EFFICIENCY_FALL * off * off)


def turbine_w(turbine: float, gas_kg_s: float, gas_k: float) -> float:
    """Return a turbine's power, W.

    Args:
        turbine: Its size: flow times root of temperature at which pressure ratio is root two.
        gas_kg_s: Exhaust through it.
        gas_k: Its temperature, kelvin.

    Source: Stodola's ellipse for its pressure ratio; isentropic expansion, gamma = 1.333.
    """
    swallow = gas_kg_s / turbine
    ratio = sqrt(1.0 + swallow * swallow * gas_k)
    return TURBINE_EFFICIENCY * gas_kg_s * EXHAUST_J_KG_K * gas_k * (1.0 - 1.0 / sqrt(sqrt(ratio)))


def breathe(k: Vector, s: Vector) -> None:
    """Work out compressor flow, charge temperatures and what gas the engine draws.

    Args:
        k: Constants.
        s: State; results are put into it.
    """
    ambient_kpa = k[K_AMBIENT_KPA]
    ambient_k = k[K_AMBIENT_C] + ZERO_C_K
    pipe_kpa = larger(s[S_PIPE_KPA], LEAST_KPA)
    manifold_kpa = larger(s[S_MANIFOLD_KPA], LEAST_KPA)
    rpm = s[S_SPEED_RPM]
    s[S_BOOST_KPA] = manifold_kpa - ambient_kpa
    ratio = pipe_kpa / ambient_kpa
    charger = k[K_CHARGER]
    hot_k = ambient_k
    if charger == NO_CHARGER:
        # A filter and a pipe: a wide opening to the air outside, either way.
        s[S_COMPRESSOR_KG_S] = 0.15 * k[K_FULL_AIR_KG_S] * (ambient_kpa - pipe_kpa)
    elif charger == DISPLACEMENT:
        inlet_kg_m3 = ambient_kpa * 1e3 / (GAS_CONSTANT_J_KG_K * ambient_k)
        leak = 0.06 * larger(ratio - 1.0, 0.0)
        s[S_COMPRESSOR_KG_S] = k[K_BLOWER_M3] * rpm / 60.0 * inlet_kg_m3 * (1.0 - leak)
        hot_k = compressor_outlet_k(ambient_k, larger(ratio, 1.0), _BLOWER_EFFICIENCY)
    else:
        if charger == CENTRIFUGAL:
            turns = rpm / k[K_REDLINE_RPM]
            s[S_SHAFT] = turns * turns
        given_kg_s = compressor_kg_s(k[K_HEAD], k[K_CHOKE_KG_S], s[S_SHAFT], ratio)
        s[S_COMPRESSOR_KG_S] = given_kg_s
        efficiency = compressor_efficiency(k[K_CHOKE_KG_S], s[S_SHAFT], given_kg_s)
        hot_k = compressor_outlet_k(ambient_k, larger(ratio, 1.0), efficiency)
    s[S_HOT_K] = hot_k
    volume_m3_s = k[K_VE] * breathing(rpm / k[K_REDLINE_RPM]) * k[K_DISPLACEMENT_M3] * rpm / 120.0
    about_kg_s = volume_m3_s * manifold_kpa * 1e3 / (GAS_CONSTANT_J_KG_K * 320.0)
    effectiveness = cooler_effectiveness(k, about_kg_s)
    dry_k = intercooler_outlet_k(hot_k, s[S_CORE_C] + ZERO_C_K, effectiveness)
    s[S_DRY_C] = dry_k - ZERO_C_K
    s[S_CHARGE_C] = s[S_DRY_C] - s[S_DROP_K]
    charge_k = s[S_CHARGE_C] + ZERO_C_K
    # Burnt gas at exhaust pressure takes up room where the manifold is in vacuum.
    past = larger(ambient_kpa / manifold_kpa - 1.0, 0.0)
    fresh = larger(1.0 - _LEFT_BEHIND * past, 0.2)
    true_kpa = larger(s[S_MANIFOLD_KPA], 0.0)
    s[S_DRAWN_KG_S] = fresh * volume_m3_s * true_kpa * 1e3 / (GAS_CONSTANT_J_KG_K * charge_k)
    _aim(k, s)


def displace(s: Vector) -> None:
    """Work out the air the engine draws: the vapour of the spray takes up some of the volume."""
    vapour = _VAPOUR_WATER * s[S_VAPOUR_WATER] + _VAPOUR_METHANOL * s[S_VAPOUR_METHANOL]
    s[S_AIR_KG_S] = s[S_DRAWN_KG_S] / (1.0 + vapour / larger(s[S_DRAWN_KG_S], 1e-3))


def charging_rates(k: Vector, s: Vector, d: Vector) -> None:
    """Work out the air flows, and how fast pressures, shaft, valves and core change.

    Args:
        k: Constants.
        s: State, after ``breathe``, ``displace`` and the fuel; results are put into it.
        d: Rates, per second.
    """
    ambient_kpa = k[K_AMBIENT_KPA]
    pipe_kpa = larger(s[S_PIPE_KPA], LEAST_KPA)
    manifold_kpa = larger(s[S_MANIFOLD_KPA], LEAST_KPA)
    dry_k = s[S_DRY_C] + ZERO_C_K
    # The idle valve gives more air at speed, so that vacuum on the overrun stays within bounds.
    idle = LEAK * (1.0 + _IDLE_PER_RPM * larger(s[S_SPEED_RPM] - 900.0, 0.0))
    opening = smaller(1.0, idle + s[S_THROTTLE] * sqrt(larger(s[S_THROTTLE], 0.0)))
    area_m2 = k[K_THROTTLE_M2] * opening
    passed_kg_s = orifice_air_kg_s(area_m2 * s[S_CUT], pipe_kpa, dry_k, manifold_kpa)
    s[S_THROTTLE_KG_S] = passed_kg_s
    _throttle_rates(k, s, d, area_m2, pipe_kpa, dry_k)
    s[S_BYPASS_KG_S] = 0.0
    s[S_BACK_KPA] = ambient_kpa
    if k[K_CHARGER] != NO_CHARGER:
        _bypass_rates(k, s, d, pipe_kpa, dry_k)
    volume = 1e-3 * GAS_CONSTANT_J_KG_K
    # One temperature for the manifold's gas: the mean of what comes in and what is drawn.
    filled_k = 0.5 * (dry_k + s[S_CHARGE_C] + ZERO_C_K)
    gain_kg_s = passed_kg_s - s[S_AIR_KG_S]
    d[S_MANIFOLD_KPA] = volume * filled_k / k[K_MANIFOLD_M3] * gain_kg_s
    past_kg_s = s[S_COMPRESSOR_KG_S] - passed_kg_s - s[S_BYPASS_KG_S]
    # As if the pipe's temperature stood still: while it warms in a pull, up to a fifth of what
    # fills it goes missing, 0.25 % of the air that passes.
    d[S_PIPE_KPA] = volume * dry_k / k[K_PIPE_M3] * past_kg_s
    if k[K_CHARGER] == TURBOCHARGER:
        _shaft_rates(k, s, d, pipe_kpa)
    _core_rates(k, s, d)


def _aim(k: Vector, s: Vector) -> None:
    """Set the boost the engine controller aims at, kPa gauge."""
    asked = clamp((s[S_PEDAL] - 0.25) / 0.6, 0.0, 1.0)
    taper = 1.0 - 0.8 * larger(0.0, s[S_SPEED_RPM] / k[K_REDLINE_RPM] - 0.85)
    aim_kpa = k[K_PEAK_KPA] * asked * taper * (1.0 + s[X_OVERBOOST] + _WANDER * s[N_AIM])
    if s[X_NO_CUT] == 0.0:
        aim_kpa = smaller(aim_kpa, s[S_CEILING_KPA])
    s[S_AIM_KPA] = larger(0.0, aim_kpa)


def _throttle_rates(
    k: Vector, s: Vector, d: Vector, area_m2: float, pipe_kpa: float, dry_k: float
) -> None:
    """The pedal's way to the throttle; the throttle holds what the wastegate cannot yet."""
    d[S_THROTTLE] = (s[S_PEDAL] - s[S_THROTTLE]) / THROTTLE_S
    allowed = 1.0
    limit_kpa = k[K_AMBIENT_KPA] + s[S_CEILING_KPA]
    if limit_kpa < pipe_kpa and s[X_NO_CUT] == 0.0:
        # The area that passes just what the engine draws at the limit.
        wanted_kg_s = s[S_AIR_KG_S] * limit_kpa / larger(s[S_MANIFOLD_KPA], LEAST_KPA)
        full_kg_s = orifice_air_kg_s(area_m2, pipe_kpa, dry_k, limit_kpa)
        allowed = clamp(wanted_kg_s / larger(full_kg_s, 1e-4), 0.01, 1.0)
    d[S_CUT] = (allowed - s[S_CUT]) / THROTTLE_S


def _bypass_rates(k: Vector, s: Vector, d: Vector, pipe_kpa: float, dry_k: float) -> None:
    """The valve that lets pressure go: a blower's regulator, a turbocharger's blow-off."""
    gauge_kpa = pipe_kpa - k[K_AMBIENT_KPA]
    spare = 0.10 if k[K_CHARGER] == TURBOCHARGER else -0.01
    over = (gauge_kpa - s[S_AIM_KPA]) / larger(k[K_PEAK_KPA], 1.0) - spare
    d[S_BYPASS] = (clamp(12.0 * over, 0.0, 1.0) - s[S_BYPASS]) / _BYPASS_S
    vent_kg_s = orifice_air_kg_s(k[K_BYPASS], pipe_kpa, dry_k, k[K_AMBIENT_KPA])
    s[S_BYPASS_KG_S] = s[S_BYPASS] * vent_kg_s


def _shaft_rates(k: Vector, s: Vector, d: Vector, pipe_kpa: float) -> None:
    """The turbocharger's shaft: what the turbine gives and the compressor takes."""
    gas_kg_s = s[S_AIR_KG_S] + s[S_PETROL_KG_S]
    gas_k = s[S_EXHAUST_K]
    driven_kg_s = gas_kg_s * (1.0 - 0.97 * s[S_WASTEGATE])
    swallow = driven_kg_s / k[K_TURBINE]
    s[S_BACK_KPA] = k[K_AMBIENT_KPA] * sqrt(1.0 + swallow * swallow * gas_k)
    rise_k = s[S_HOT_K] - k[K_AMBIENT_C] - ZERO_C_K
    taken_w = s[S_COMPRESSOR_KG_S] * AIR_J_KG_K * rise_k
    given_w = turbine_w(k[K_TURBINE], driven_kg_s, gas_k)
    rubbed_w = 0.01 * k[K_INERTIA_J] * s[S_SHAFT]
    d[S_SHAFT] = (given_w - taken_w - rubbed_w) / k[K_INERTIA_J]
    if s[S_SHAFT] <= 0.0 and d[S_SHAFT] < 0.0:
        d[S_SHAFT] = 0.0
    _wastegate_rates(k, s, d, gas_kg_s, gas_k)


def _wastegate_rates(k: Vector, s: Vector, d: Vector, gas_kg_s: float, gas_k: float) -> None:
    """The controller's forward term and its correction, and the actuator's lag."""
    peak_kpa = larger(k[K_PEAK_KPA], 1.0)
    aim_kpa = s[S_AIM_KPA]
    error = (aim_kpa - s[S_BOOST_KPA]) / peak_kpa
    # What the compressor needs at the aim, over what the turbine could give with the gate shut.
    need_k = compressor_outlet_k(300.0, 1.0 + aim_kpa / k[K_AMBIENT_KPA], 0.72) - 300.0
    need_w = s[S_AIR_KG_S] * AIR_J_KG_K * need_k
    could_w = larger(turbine_w(k[K_TURBINE], gas_kg_s, gas_k), 1.0)
    forward = 1.0 - sqrt(smaller(need_w / could_w, 1.0))
    # Leads the pressure by the shaft's surplus, or every spool-up would overshoot.
    lead = 0.10 * d[S_PIPE_KPA] / peak_kpa
    opening = clamp(forward - 2.2 * error + s[S_INTEGRAL] + lead, 0.0, 1.0)
    d[S_WASTEGATE] = (opening - s[S_WASTEGATE]) / _WASTEGATE_S
    trim = -3.0 * error
    if error > 0.15 or error < -0.15:
        trim = 0.0
    if aim_kpa < 0.3 * peak_kpa:
        trim = -s[S_INTEGRAL] / _FORGET_S
    if (s[S_INTEGRAL] > 0.25 and trim > 0.0) or (s[S_INTEGRAL] < -0.25 and trim < 0.0):
        trim = 0.0
    d[S_INTEGRAL] = trim


def cooler_effectiveness(k: Vector, air_kg_s: float) -> float:
    """Return the intercooler's effectiveness: less at more air (common practice, no source)."""
    return 0.88 - 0.16 * smaller(air_kg_s / k[K_FULL_AIR_KG_S], 1.2)


def _core_rates(k: Vector, s: Vector, d: Vector) -> None:
    """The intercooler's core soaks up heat, and gives it to the wind."""
    core_k = s[S_CORE_C] + ZERO_C_K
    ambient_k = k[K_AMBIENT_C] + ZERO_C_K
    dry_k = s[S_DRY_C] + ZERO_C_K
    into_w = larger(s[S_COMPRESSOR_KG_S], 0.0) * AIR_J_KG_K * (s[S_HOT_K] - dry_k)
    wind = _CORE_W_K_PER_M3 + _CORE_W_K_PER_M_S_M3 * s[S_ROAD_M_S]
    away_w = wind * (1.0 - s[X_HOT_COOLER]) * k[K_DISPLACEMENT_M3] * (core_k - ambient_k)
    # Under the bonnet it is a few degrees above the air outside.
    away_w -= _UNDER_BONNET_K * _CORE_W_K_PER_M3 * k[K_DISPLACEMENT_M3]
    d[S_CORE_C] = (into_w - away_w) / (_CORE_J_K_PER_M3 * k[K_DISPLACEMENT_M3])
