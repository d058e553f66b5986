"""From a rig and a day to the plant's constants: charger, pipes, pump line, this car's spread."""

from collections.abc import Sequence
from math import inf, isinf, isnan, pi, sqrt
from typing import Final

from rules.channels import CHANNEL_NAMES, DELIVERED
from rules.facts import Charger, CommandKind, Rig
from simulator.plant.air import GAS_CONSTANT_J_KG_K, air_flow_kg_s
from simulator.plant.charging import (
    AIR_J_KG_K,
    EXHAUST_J_KG_K,
    TURBINE_EFFICIENCY,
    breathing,
)
from simulator.plant.constants import Constants
from simulator.plant.engine import (
    FULL_LOAD_LAMBDA,
    LEANEST_PETROL,
    METHANOL_AIR,
    injectors_kg_s,
)
from simulator.plant.hydraulics import VALVE_S, full_flow_ml_min
from simulator.plant.mixture import surface_mn_m, viscosity_mpa_s
from simulator.plant.noise import generator
from simulator.plant.script import Scenario, Spread
from simulator.plant.sensors import PULSES_PER_ML
from simulator.plant.state import RING

LONGEST_STEP_S: Final = 0.001
AMBIENT_HUMIDITY: Final = 0.006  # kg/kg, a mild day
WATER_KG_M3: Final = 998.2  # at 20 degC, IAPWS-95; nozzles are rated on it
_SPREAD: Final = 0.4  # of this car's delay and lag, in what the rig says they may be off
_GAIN_SPREAD: Final = 0.5
_USUAL_NOISE: Final = 0.875  # of the rig's
_NOISE_SPREAD: Final = 0.125
_ACTUATION_SHARE: Final = 0.55  # of the delay the sensor shows
# What the meter's pulses add to a reading's delay and lag, in times from one to the next at full
# flow. From rest the first pulse only starts the clock, so a sudden rise shows one to two late. A
# slow one passes through small flows, whose pulses are few: weighted as a fit does (readings of
# 3.5 % noise and 0.6 % of full flow), 1/f averages 2.8 from a tenth of full flow up. Once flow
# stops, the reading falls no faster than the inverse of the time since the last pulse: fits of
# healthy pulls found that much of lag.
_PULSES_OF_DELAY: Final = (1.5, 2.8)
_PULSES_OF_LAG: Final = 2.8
_QUICKEST_S: Final = 0.004  # a sensor's own lag
_SPOOL_OF_REDLINE: Final = 0.38  # full boost is just reached here, given time
_SPOOL_GAS_K: Final = 1080.0
_SPOOL_S: Final = 0.16  # kinetic energy at the design point over compressor power at spool
_AIR_DENSITY: Final = 1.19  # kg/m3
_REGULATOR_RISE: Final = 0.08  # how much a bypass regulator's pressure rises when flow stops
_COMPLIANCE_S_KPA: Final = 8e-5  # mL/kPa of stiff hose for each mL/s; common practice, no source
_RUN_DOWN_S: Final = 0.16  # so full flow dies away in about this time
_SWITCH_SHARE: Final = 0.1  # of a tank: its level switch, where the rig states no reserve
_DROP_KPA: Final = 800.0  # from this pressure across the nozzles
_STROKE_HZ: Final = 70.0  # three chambers at 1400 turns a minute; common practice, no source
_STROKE_SPREAD_HZ: Final = 27.0
_HOSE_M: Final = 3.0
_HOSE_BORE_M: Final = 0.004
_HOSE_AT_ML_S: Final = 11.7
_KNOCK_CONTROL_DEG: Final = 5.0  # common practice, no source
_FULL_AIR_K: Final = 320.0
_ENRICHED_KPA: Final = 20.0  # up to full throttle where nothing boosts; common practice, no source


def size(rig: Rig, scenario: Scenario, seed: int) -> Constants:
    """Return the constants of one car on one day, without its tune.

    Args:
        rig: The car.
        scenario: Its day.
        seed: Which car of its kind: its pump's strokes, and where the scenario doesn't give this
            car's delay, lag, gain and noise, those too.
    """
    drawn = generator(seed, 0).uniform(-1.0, 1.0, 7).tolist()
    this = scenario.spread or _spread(rig, drawn)
    k = Constants()
    sample_s = 1.0 / scenario.rate_hz
    substeps = max(1, -int(-sample_s / LONGEST_STEP_S * (1.0 - 1e-9) // 1))
    k.sample_s = sample_s
    k.substeps = substeps
    k.dt_s = sample_s / substeps
    k.ambient_kpa = rig.engine.ambient_kpa
    k.ambient_c = scenario.ambient_c
    k.humidity_kg_kg = AMBIENT_HUMIDITY
    _engine(k, rig, peak_kpa(rig, scenario.peak_boost_kpa))
    _charger(k, rig)
    _vehicle(k, rig)
    _spray(k, rig)
    _controller(k, rig)
    rich = 1.0 / FULL_LOAD_LAMBDA
    full = full_flow_ml_min(k, k.peak_kpa) * k.density_kg_m3 * 1e-6 / 60.0
    methanol = full * k.methanol / (0.75 * k.full_air_kg_s)
    # A careful tuner leaves the petrol itself on the rich side, should the spray fail.
    k.rich_petrol = max(rich - METHANOL_AIR * methanol, 1.0 / LEANEST_PETROL)
    k.shut_off_kpa *= 1.0 - this.pump_wear
    if not isnan(this.octane):
        k.petrol_octane = this.octane
    sent = {channel.name for channel in rig.channels}
    # A car that reports no knock has no knock control.
    k.most_knock_deg = _KNOCK_CONTROL_DEG if "knock" in sent else 0.0
    for i, name in enumerate(CHANNEL_NAMES):
        k.sent[i] = 1.0 if name in sent else 0.0
    _share_out(k, this.delay_s, this.lag_s)
    k.flow_gain = 1.0 + this.gain
    k.line_gain = 1.0 + this.line_gain
    k.flow_noise = this.noise
    k.flow_noise_lasts_s = max(rig.flow_sensor.noise_lasts_s, k.dt_s)
    k.stroke_hz = _STROKE_HZ + _STROKE_SPREAD_HZ * drawn[6]
    late = round(rig.fault_intervals.reaction_s / k.dt_s)
    most_late = RING - 2 - round(1.0 / k.dt_s)  # faults may add a second
    k.reaction_steps = max(0, min(late, most_late))
    return k


def soonest_s(k: Constants) -> tuple[float, float]:
    """Return delay and lag that valve and flow meter alone give the flow reading, seconds.

    A rig that says less has a car that is slower than it says. The line adds nothing: it stands
    under pressure when the valve opens.

    Args:
        k: Constants: pump, line, nozzles and command, and what is sent.
    """
    if k.sent[DELIVERED - 1] == 0.0:
        return VALVE_S, 0.0
    flow_ml_min = min(full_flow_ml_min(k, k.peak_kpa), k.fixed_ml_min)
    pulse_s = 60.0 / (PULSES_PER_ML * max(flow_ml_min, 1.0))
    # Injector duty follows engine speed, and takes a second; boost is there in some tenths.
    slow = k.command in (CommandKind.INJECTOR_DUTY, CommandKind.MAP)
    return VALVE_S + _PULSES_OF_DELAY[slow] * pulse_s, _PULSES_OF_LAG * pulse_s


def _share_out(k: Constants, delay_s: float, lag_s: float) -> None:
    """Let the flow reading show a delay and a lag, with what valve and meter add to its own.

    What the sensor itself takes gives way first, then the way to the valve: what the engine gets
    comes no later for a slow meter.
    """
    before_s, smeared_s = soonest_s(k)
    left_s = max(delay_s - before_s, 0.0)
    k.actuation_steps = min(round(min(_ACTUATION_SHARE * delay_s, left_s) / k.dt_s), RING - 1)
    k.sensor_steps = min(round(left_s / k.dt_s) - k.actuation_steps, RING - 1)
    k.sensor_lag_s = max(_QUICKEST_S, lag_s - smeared_s, 2.0 * k.dt_s)


def _spread(rig: Rig, drawn: Sequence[float]) -> Spread:
    """Return a car that spreads about its rig, over part of what the rig says it may be off.

    Args:
        rig: The rig.
        drawn: Numbers from -1 to 1.
    """
    sensor = rig.flow_sensor
    return Spread(
        sensor.delay_s + _SPREAD * sensor.delay_within_s * drawn[0],
        sensor.lag_s + _SPREAD * sensor.lag_within_s * drawn[1],
        _GAIN_SPREAD * sensor.gain_within * drawn[2],
        sensor.noise * (_USUAL_NOISE + _NOISE_SPREAD * drawn[4]),
    )


def peak_kpa(rig: Rig, asked_kpa: float) -> float:
    """Return the boost an engine is tuned to, kPa gauge: as asked, or its table's highest."""
    if not isnan(asked_kpa):
        return asked_kpa
    return rig.paid.boost_kpa[-1] if rig.paid.boost_kpa else 0.0


def _engine(k: Constants, rig: Rig, peak: float) -> None:
    engine = rig.engine
    k.displacement_m3 = engine.displacement_l * 1e-3
    k.cylinders = float(engine.cylinders)
    k.redline_rpm = engine.redline_rpm
    k.volumetric_efficiency = engine.volumetric_efficiency
    k.compression = engine.compression_ratio
    k.petrol_octane = engine.petrol_octane
    k.peak_kpa = peak
    unboosted = peak <= 0.0
    k.load_from_kpa = min(peak, 0.0) - _ENRICHED_KPA if unboosted else 0.0
    k.load_span_kpa = _ENRICHED_KPA if unboosted else max(peak, 60.0)
    k.knock_from_kpa = k.load_from_kpa - 15.0
    full_kpa = engine.ambient_kpa + max(peak, 0.0)
    full = air_flow_kg_s(
        engine.volumetric_efficiency,
        engine.displacement_l,
        engine.redline_rpm,
        full_kpa,
        _FULL_AIR_K,
    )
    k.full_air_kg_s = full
    # An engine that breathes more has wider pipes too.
    breathes = max(1.0, engine.redline_rpm * engine.volumetric_efficiency / 6650.0)
    k.manifold_m3 = 2.0e-3 * engine.displacement_l * breathes
    k.pipe_m3 = 2.8e-3 * engine.displacement_l * breathes
    # Wide open it loses three per cent of the pressure at full flow.
    k.throttle_m2 = full * sqrt(GAS_CONSTANT_J_KG_K * _FULL_AIR_K) / (full_kpa * 143.0)
    injectors = rig.injectors
    k.injectors_kg_s = injectors_kg_s(
        float(injectors.count), injectors.rated_ml_min, injectors.rated_kpa, injectors.fuel_kpa
    )
    k.dead_time_ms = injectors.dead_time_ms


def _charger(k: Constants, rig: Rig) -> None:
    charger = rig.engine.charger if k.peak_kpa > 0.0 else Charger.NONE
    k.charger = int(charger)
    k.inertia_j = 1.0
    k.turbine = 1.0
    if charger is Charger.NONE:
        return
    ambient_kpa = k.ambient_kpa
    full_kpa = ambient_kpa + k.peak_kpa
    full = k.full_air_kg_s
    ratio = 1.04 * full_kpa / ambient_kpa  # with what filter, cooler and throttle take
    choked = full_kpa * 1e3 * 0.685 / sqrt(GAS_CONSTANT_J_KG_K * _FULL_AIR_K)
    # A blower's bypass must pass all it gives at next to no pressure.
    k.bypass_m2 = (0.7 if charger is Charger.TURBOCHARGER else 4.0) * full / choked
    reserve = 1.16 if charger is Charger.CENTRIFUGAL else 1.25
    highest = 1.0 + reserve * (ratio - 1.0)
    k.head = highest ** (1.0 / 3.5) - 1.0
    design = full if charger is Charger.CENTRIFUGAL else 0.8 * full
    k.choke_kg_s = design / (1.0 - 1.0 / (reserve * reserve))
    inlet_kg_m3 = _AIR_DENSITY * ambient_kpa / 101.325
    leak = 0.06 * (ratio - 1.0)
    turns_s = rig.engine.redline_rpm / 60.0
    k.blower_m3 = 1.12 * full / (turns_s * inlet_kg_m3 * (1.0 - leak))
    # The turbine: with the gate shut it gives what the compressor needs at spool speed.
    at_spool = full * _SPOOL_OF_REDLINE * breathing(_SPOOL_OF_REDLINE)
    need_w = at_spool * AIR_J_KG_K * 297.0 * (ratio ** (0.4 / 1.4) - 1.0) / 0.70
    gas = 1.075 * at_spool
    part = min(0.45, need_w / (TURBINE_EFFICIENCY * gas * EXHAUST_J_KG_K * _SPOOL_GAS_K))
    swallow = sqrt((1.0 - part) ** -8.0 - 1.0)
    k.turbine = gas * sqrt(_SPOOL_GAS_K) / swallow
    k.inertia_j = _SPOOL_S * need_w


def _vehicle(k: Constants, rig: Rig) -> None:
    vehicle = rig.vehicle
    k.mass_kg = vehicle.mass_kg
    k.drag_kg_m = 0.5 * _AIR_DENSITY * vehicle.drag_area_m2
    k.rolling = vehicle.rolling
    k.driveline = vehicle.driveline_efficiency
    k.engine_kg_m2 = rig.engine_inertia_kg_m2
    k.tyre_m = vehicle.tyre_radius_m
    k.final_drive = vehicle.final_drive
    k.gears = len(vehicle.gears)
    for i, ratio in enumerate(vehicle.gears):
        k.gear_ratio[1 + i] = ratio


def _spray(k: Constants, rig: Rig) -> None:
    spray = rig.spray
    pump = spray.pump
    conductance = sqrt(WATER_KG_M3 / spray.fluid_kg_m3) * sum(
        nozzle.count * nozzle.rated_ml_min / sqrt(nozzle.rated_kpa) for nozzle in spray.nozzles
    )
    k.conductance = conductance
    k.water_less = 1.0 - sqrt(spray.fluid_kg_m3 / WATER_KG_M3)
    k.shut_off_kpa = pump.shut_off_kpa
    k.free_ml_s = pump.free_flow_ml_min / 60.0
    k.ripple_share = pump.ripple_share
    k.follows_command = 1.0 if pump.follows_command else 0.0
    k.check_kpa = spray.check_valve_kpa
    k.density_kg_m3 = spray.fluid_kg_m3
    k.methanol = 0.01 * spray.methanol_mass_pct
    k.nozzles = float(sum(nozzle.count for nozzle in spray.nozzles))
    k.viscosity_mpa_s = viscosity_mpa_s(k.methanol, 20.0)
    k.surface_mn_m = surface_mn_m(k.methanol, 20.0)
    k.tank_ml = spray.tank_ml
    k.switch_ml = rig.watch.tank_reserve_ml or _SWITCH_SHARE * spray.tank_ml
    held_kpa = min(pump.regulated_kpa, 0.8 * pump.shut_off_kpa)
    against_kpa = max(k.peak_kpa, 0.0) + spray.check_valve_kpa
    full = conductance * sqrt(max(held_kpa - against_kpa, 1.0))
    full_ml_s = full / 60.0
    runs_down = pump.run_down_s / _RUN_DOWN_S
    k.compliance_ml_kpa = _COMPLIANCE_S_KPA * full_ml_s * runs_down
    bore_m = _HOSE_BORE_M * sqrt(full_ml_s / _HOSE_AT_ML_S)
    # Hagen-Poiseuille, in kPa for each mL/min.
    friction = 128.0 * 1e-3 * k.viscosity_mpa_s * _HOSE_M / (pi * bore_m**4)
    k.friction_kpa_min_ml = friction * 1e-6 / 60.0 * 1e-3
    k.crack_kpa = 1e12
    k.bypass_ml_s_kpa = 0.0
    if isinf(pump.regulated_kpa):
        # Full flow stands at a lower pressure, on the pump's own curve: as much must be held there.
        full = full_flow_ml_min(k, max(k.peak_kpa, 0.0))
        drop_kpa = max((full / conductance) ** 2, 1.0)
        k.compliance_ml_kpa = _COMPLIANCE_S_KPA * full / 60.0 * runs_down * _DROP_KPA / drop_kpa
        return
    slope = full_ml_s / (_REGULATOR_RISE * pump.regulated_kpa)
    given = pump.free_flow_ml_min * max(0.0, 1.0 - pump.regulated_kpa / pump.shut_off_kpa)
    k.bypass_ml_s_kpa = slope
    # At full flow against full boost the line stands at the rated pressure.
    k.crack_kpa = pump.regulated_kpa - max(0.0, given - full) / 60.0 / slope


def _controller(k: Constants, rig: Rig) -> None:
    command = rig.command
    k.command = int(command.kind)
    k.start_kpa = command.start_boost_kpa
    full_kpa = command.full_boost_kpa
    k.full_kpa = command.start_boost_kpa + 100.0 if full_kpa == inf else full_kpa
    k.start_duty_pct = command.start_duty_pct
    k.full_duty_pct = command.full_duty_pct
    k.fixed_ml_min = min(command.rate_ml_min, 1e9)
    k.map_rows = len(command.map_boost_kpa)
    k.map_columns = len(command.map_duty_pct)
    cells = [cell for line in command.map_pct for cell in line]
    _fill(k.map_kpa, command.map_boost_kpa)
    _fill(k.map_duty_pct, command.map_duty_pct)
    _fill(k.map_pct, cells)
    k.paid_points = len(rig.paid.boost_kpa)
    _fill(k.paid_kpa, rig.paid.boost_kpa)
    _fill(k.paid_deg, rig.paid.timing_deg)


def _fill(block: list[float], values: Sequence[float]) -> None:
    """Put values at the beginning of a block that has room for as many and more."""
    block[: len(values)] = values
