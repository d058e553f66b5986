"""From the air filter to the inlet valves: charger, intercooler, throttle, bypass, filling.

A mean-value model: masses of air are conserved in two volumes (charge pipe and manifold), the
shaft's energy in the charger. Constants without a source in their comment are common practice,
chosen to be typical; ``simulator.plant.sizing`` fits them to the rig's displacement and boost.
"""

from math import sqrt
from typing import Final

from rules.facts import Charger
from rules.step.arithmetic import clamp, larger, smaller
from simulator.plant.air import (
    GAS_CONSTANT_J_KG_K,
    ZERO_C_K,
    compressor_outlet_k,
    intercooler_outlet_k,
)
from simulator.plant.constants import Constants
from simulator.plant.state import Rates, State

NO_CHARGER, TURBOCHARGER, _CENTRIFUGAL, _DISPLACEMENT = map(int, Charger)
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
_OPEN_PER_KPA: Final = 0.3  # of full air: filter and pipe lose 3 kPa; common practice, no source
# An unboosted engine's "core" is its intake manifold, between the head and the air under the
# bonnet; common practice, no source.
_HEAD_C: Final = 90.0
_HEAD_W_K_PER_M3: Final = 20.0e3  # from the head, and as much to the air around
_MANIFOLD_J_K_PER_M3: Final = 1.8e6  # 4 kg of aluminium for 2 L
UNCOOLED_K: Final = 25.0  # above the air outside, some seconds into a pull
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


def breathe(k: Constants, s: State) -> None:
    """Work out compressor flow, charge temperatures and what gas the engine draws."""
    ambient_kpa = k.ambient_kpa
    ambient_k = k.ambient_c + ZERO_C_K
    pipe_kpa = larger(s.pipe_kpa, LEAST_KPA)
    manifold_kpa = larger(s.manifold_kpa, LEAST_KPA)
    rpm = s.speed_rpm
    s.boost_kpa = manifold_kpa - ambient_kpa
    ratio = pipe_kpa / ambient_kpa
    charger = k.charger
    hot_k = ambient_k
    if charger == NO_CHARGER:
        # A filter and a pipe: a wide opening to the air outside, either way.
        s.compressor_kg_s = _OPEN_PER_KPA * k.full_air_kg_s * (ambient_kpa - pipe_kpa)
    elif charger == _DISPLACEMENT:
        inlet_kg_m3 = ambient_kpa * 1e3 / (GAS_CONSTANT_J_KG_K * ambient_k)
        leak = 0.06 * larger(ratio - 1.0, 0.0)
        s.compressor_kg_s = k.blower_m3 * rpm / 60.0 * inlet_kg_m3 * (1.0 - leak)
        hot_k = compressor_outlet_k(ambient_k, larger(ratio, 1.0), _BLOWER_EFFICIENCY)
    else:
        if charger == _CENTRIFUGAL:
            turns = rpm / k.redline_rpm
            s.shaft = turns * turns
        given_kg_s = compressor_kg_s(k.head, k.choke_kg_s, s.shaft, ratio)
        s.compressor_kg_s = given_kg_s
        efficiency = compressor_efficiency(k.choke_kg_s, s.shaft, given_kg_s)
        hot_k = compressor_outlet_k(ambient_k, larger(ratio, 1.0), efficiency)
    s.compressor_k = hot_k
    volume_m3_s = (
        k.volumetric_efficiency * breathing(rpm / k.redline_rpm) * k.displacement_m3 * rpm / 120.0
    )
    about_kg_s = volume_m3_s * manifold_kpa * 1e3 / (GAS_CONSTANT_J_KG_K * 320.0)
    effectiveness = cooler_effectiveness(k, about_kg_s)
    dry_k = intercooler_outlet_k(hot_k, s.core_c + ZERO_C_K, effectiveness)
    s.dry_c = dry_k - ZERO_C_K
    s.charge_c = s.dry_c - s.drop_k
    charge_k = s.charge_c + ZERO_C_K
    # Burnt gas at exhaust pressure takes up room where the manifold is in vacuum.
    past = larger(ambient_kpa / manifold_kpa - 1.0, 0.0)
    fresh = larger(1.0 - _LEFT_BEHIND * past, 0.2)
    true_kpa = larger(s.manifold_kpa, 0.0)
    s.drawn_kg_s = fresh * volume_m3_s * true_kpa * 1e3 / (GAS_CONSTANT_J_KG_K * charge_k)
    _aim(k, s)


def displace(s: State) -> None:
    """Work out the air the engine draws: the vapour of the spray takes up some of the volume."""
    vapour = _VAPOUR_WATER * s.vapour_water_kg_s + _VAPOUR_METHANOL * s.vapour_methanol_kg_s
    s.air_kg_s = s.drawn_kg_s / (1.0 + vapour / larger(s.drawn_kg_s, 1e-3))


def charging_rates(k: Constants, s: State, d: Rates) -> None:
    """Work out the air flows, and how fast pressures, shaft, valves and core change.

    After ``breathe``, ``displace`` and the fuel.
    """
    ambient_kpa = k.ambient_kpa
    pipe_kpa = larger(s.pipe_kpa, LEAST_KPA)
    manifold_kpa = larger(s.manifold_kpa, LEAST_KPA)
    dry_k = s.dry_c + ZERO_C_K
    # The idle valve gives more air at speed, so that vacuum on the overrun stays within bounds.
    idle = LEAK * (1.0 + _IDLE_PER_RPM * larger(s.speed_rpm - 900.0, 0.0))
    opening = smaller(1.0, idle + s.throttle * sqrt(larger(s.throttle, 0.0)))
    area_m2 = k.throttle_m2 * opening
    passed_kg_s = orifice_air_kg_s(area_m2 * s.cut, pipe_kpa, dry_k, manifold_kpa)
    s.throttle_kg_s = passed_kg_s
    _throttle_rates(k, s, d, area_m2, pipe_kpa, dry_k)
    s.bypass_kg_s = 0.0
    s.back_kpa = ambient_kpa
    if k.charger != NO_CHARGER:
        _bypass_rates(k, s, d, pipe_kpa, dry_k)
    volume = 1e-3 * GAS_CONSTANT_J_KG_K
    # One temperature for the manifold's gas: the mean of what comes in and what is drawn.
    filled_k = 0.5 * (dry_k + s.charge_c + ZERO_C_K)
    gain_kg_s = passed_kg_s - s.air_kg_s
    d.manifold_kpa = volume * filled_k / k.manifold_m3 * gain_kg_s
    past_kg_s = s.compressor_kg_s - passed_kg_s - s.bypass_kg_s
    # As if the pipe's temperature stood still: while it warms in a pull, up to a fifth of what
    # fills it goes missing, 0.25 % of the air that passes.
    d.pipe_kpa = volume * dry_k / k.pipe_m3 * past_kg_s
    if k.charger == TURBOCHARGER:
        _shaft_rates(k, s, d, pipe_kpa)
    _core_rates(k, s, d)


def _aim(k: Constants, s: State) -> None:
    """Set the boost the engine controller aims at, kPa gauge."""
    asked = clamp((s.pedal - 0.25) / 0.6, 0.0, 1.0)
    taper = 1.0 - 0.8 * larger(0.0, s.speed_rpm / k.redline_rpm - 0.85)
    aim_kpa = k.peak_kpa * asked * taper * (1.0 + s.overboost + _WANDER * s.aim_noise)
    if s.cut_ignored == 0.0:
        aim_kpa = smaller(aim_kpa, s.ceiling_kpa)
    s.aim_kpa = larger(0.0, aim_kpa)


def _throttle_rates(
    k: Constants, s: State, d: Rates, area_m2: float, pipe_kpa: float, dry_k: float
) -> None:
    """The pedal's way to the throttle; the throttle holds what the wastegate cannot yet."""
    d.throttle = (s.pedal - s.throttle) / THROTTLE_S
    allowed = 1.0
    limit_kpa = k.ambient_kpa + s.ceiling_kpa
    if limit_kpa < pipe_kpa and s.cut_ignored == 0.0:
        # The area that passes just what the engine draws at the limit.
        wanted_kg_s = s.air_kg_s * limit_kpa / larger(s.manifold_kpa, LEAST_KPA)
        full_kg_s = orifice_air_kg_s(area_m2, pipe_kpa, dry_k, limit_kpa)
        allowed = clamp(wanted_kg_s / larger(full_kg_s, 1e-4), 0.01, 1.0)
    d.cut = (allowed - s.cut) / THROTTLE_S


def _bypass_rates(k: Constants, s: State, d: Rates, pipe_kpa: float, dry_k: float) -> None:
    """The valve that lets pressure go: a blower's regulator, a turbocharger's blow-off."""
    gauge_kpa = pipe_kpa - k.ambient_kpa
    spare = 0.10 if k.charger == TURBOCHARGER else -0.01
    over = (gauge_kpa - s.aim_kpa) / larger(k.peak_kpa, 1.0) - spare
    d.bypass = (clamp(12.0 * over, 0.0, 1.0) - s.bypass) / _BYPASS_S
    vent_kg_s = orifice_air_kg_s(k.bypass_m2, pipe_kpa, dry_k, k.ambient_kpa)
    s.bypass_kg_s = s.bypass * vent_kg_s


def _shaft_rates(k: Constants, s: State, d: Rates, pipe_kpa: float) -> None:
    """The turbocharger's shaft: what the turbine gives and the compressor takes."""
    gas_kg_s = s.air_kg_s + s.petrol_kg_s
    gas_k = s.exhaust_k
    driven_kg_s = gas_kg_s * (1.0 - 0.97 * s.wastegate)
    swallow = driven_kg_s / k.turbine
    s.back_kpa = k.ambient_kpa * sqrt(1.0 + swallow * swallow * gas_k)
    rise_k = s.compressor_k - k.ambient_c - ZERO_C_K
    taken_w = s.compressor_kg_s * AIR_J_KG_K * rise_k
    given_w = turbine_w(k.turbine, driven_kg_s, gas_k)
    rubbed_w = 0.01 * k.inertia_j * s.shaft
    d.shaft = (given_w - taken_w - rubbed_w) / k.inertia_j
    if s.shaft <= 0.0 and d.shaft < 0.0:
        d.shaft = 0.0
    _wastegate_rates(k, s, d, gas_kg_s, gas_k)


def _wastegate_rates(k: Constants, s: State, d: Rates, gas_kg_s: float, gas_k: float) -> None:
    """The controller's forward term and its correction, and the actuator's lag."""
    peak_kpa = larger(k.peak_kpa, 1.0)
    aim_kpa = s.aim_kpa
    error = (aim_kpa - s.boost_kpa) / peak_kpa
    # What the compressor needs at the aim, over what the turbine could give with the gate shut.
    need_k = compressor_outlet_k(300.0, 1.0 + aim_kpa / k.ambient_kpa, 0.72) - 300.0
    need_w = s.air_kg_s * AIR_J_KG_K * need_k
    could_w = larger(turbine_w(k.turbine, gas_kg_s, gas_k), 1.0)
    forward = 1.0 - sqrt(smaller(need_w / could_w, 1.0))
    # Leads the pressure by the shaft's surplus, or every spool-up would overshoot.
    lead = 0.10 * d.pipe_kpa / peak_kpa
    opening = clamp(forward - 2.2 * error + s.integral + lead, 0.0, 1.0)
    d.wastegate = (opening - s.wastegate) / _WASTEGATE_S
    trim = -3.0 * error
    if error > 0.15 or error < -0.15:
        trim = 0.0
    if aim_kpa < 0.3 * peak_kpa:
        trim = -s.integral / _FORGET_S
    if (s.integral > 0.25 and trim > 0.0) or (s.integral < -0.25 and trim < 0.0):
        trim = 0.0
    d.integral = trim


def cooler_effectiveness(k: Constants, air_kg_s: float) -> float:
    """Return the intercooler's effectiveness: less at more air (common practice, no source).

    An unboosted engine has none: its manifold warms the air instead, as if it were a poor one.
    """
    share = smaller(air_kg_s / k.full_air_kg_s, 1.2)
    if k.charger == NO_CHARGER:
        return 0.45 - 0.25 * share
    return 0.88 - 0.16 * share


def resting_core_c(k: Constants) -> float:
    """Return the core's temperature before a drive, degC: the intercooler's, or the manifold's."""
    if k.charger == NO_CHARGER:
        return 0.5 * (_HEAD_C + k.ambient_c)
    return k.ambient_c + _UNDER_BONNET_K


def _core_rates(k: Constants, s: State, d: Rates) -> None:
    """The intercooler's core soaks up heat, and gives it to the wind."""
    core_k = s.core_c + ZERO_C_K
    ambient_k = k.ambient_c + ZERO_C_K
    dry_k = s.dry_c + ZERO_C_K
    into_w = larger(s.compressor_kg_s, 0.0) * AIR_J_KG_K * (s.compressor_k - dry_k)
    if k.charger == NO_CHARGER:
        settled_c = resting_core_c(k)
        into_w += 2.0 * _HEAD_W_K_PER_M3 * k.displacement_m3 * (settled_c - s.core_c)
        d.core_c = into_w / (_MANIFOLD_J_K_PER_M3 * k.displacement_m3)
        return
    wind = _CORE_W_K_PER_M3 + _CORE_W_K_PER_M_S_M3 * s.road_m_s
    away_w = wind * (1.0 - s.cooler_blocked) * k.displacement_m3 * (core_k - ambient_k)
    # Under the bonnet it is a few degrees above the air outside.
    away_w -= _UNDER_BONNET_K * _CORE_W_K_PER_M3 * k.displacement_m3
    d.core_c = (into_w - away_w) / (_CORE_J_K_PER_M3 * k.displacement_m3)
