"""From a rig and a day to the plant's constants: charger, pipes, pump line, this car's spread."""

from math import inf, isinf, isnan, pi, sqrt
from typing import Final

from rules.channels import CHANNEL_NAMES
from rules.facts import Charger, Rig
from simulator.plant import layout as at
from simulator.plant.air import GAS_CONSTANT_J_KG_K, air_flow_kg_s
from simulator.plant.charging import (
    AIR_J_KG_K,
    EXHAUST_J_KG_K,
    TURBINE_EFFICIENCY,
    breathing,
)
from simulator.plant.engine import (
    FULL_LOAD_LAMBDA,
    LEANEST_PETROL,
    METHANOL_AIR,
    injectors_kg_s,
)
from simulator.plant.hydraulics import VALVE_S, full_flow_ml_min
from simulator.plant.mixture import surface_mn_m, viscosity_mpa_s
from simulator.plant.noise import generator
from simulator.plant.script import Scenario

LONGEST_STEP_S: Final = 0.001
AMBIENT_HUMIDITY: Final = 0.006  # kg/kg, a mild day
WATER_KG_M3: Final = 998.2  # at 20 degC, IAPWS-95; nozzles are rated on it
_SPREAD: Final = 0.2  # of this car's delay and lag about the rig's
_GAIN_SPREAD: Final = 0.04
_ACTUATION_SHARE: Final = 0.55  # of the delay the sensor shows; the rest is the sensor's own
_LINE_S: Final = 0.006  # what line and valve add to the lag
_SPOOL_OF_REDLINE: Final = 0.38  # full boost is just reached here, given time
_SPOOL_GAS_K: Final = 1080.0
_SPOOL_S: Final = 0.16  # kinetic energy at the design point over compressor power at spool
_AIR_DENSITY: Final = 1.19  # kg/m3
_REGULATOR_RISE: Final = 0.08  # how much a bypass regulator's pressure rises when flow stops
_COMPLIANCE_S_KPA: Final = 8e-5  # mL/kPa of stiff hose for each mL/s; common practice, no source
_RUN_DOWN_S: Final = 0.16  # so full flow dies away in about this time
_HOSE_M: Final = 3.0
_HOSE_BORE_M: Final = 0.004
_HOSE_AT_ML_S: Final = 11.7
_KNOCK_CONTROL_DEG: Final = 5.0  # common practice, no source
_FULL_AIR_K: Final = 320.0


def size(rig: Rig, scenario: Scenario, seed: int) -> list[float]:
    """Return the constants of one car on one day, without its tune.

    Args:
        rig: The car.
        scenario: Its day.
        seed: Which car of its kind: delay, lag, gain and noise spread about the rig's.
    """
    spread = generator(seed, 0).uniform(-1.0, 1.0, 6).tolist()
    k = [0.0] * at.N_K
    sample_s = 1.0 / scenario.rate_hz
    substeps = max(1, -int(-sample_s / LONGEST_STEP_S * (1.0 - 1e-9) // 1))
    k[at.K_SAMPLE_S] = sample_s
    k[at.K_SUBSTEPS] = float(substeps)
    k[at.K_DT_S] = sample_s / substeps
    k[at.K_AMBIENT_KPA] = rig.engine.ambient_kpa
    k[at.K_AMBIENT_C] = scenario.ambient_c
    k[at.K_HUMIDITY] = AMBIENT_HUMIDITY
    _engine(k, rig, peak_kpa(rig, scenario.peak_boost_kpa))
    _charger(k, rig)
    _vehicle(k, rig)
    _spray(k, rig)
    _controller(k, rig)
    rich = 1.0 / FULL_LOAD_LAMBDA
    full = full_flow_ml_min(k, k[at.K_PEAK_KPA]) * k[at.K_DENSITY] * 1e-6 / 60.0
    methanol = full * k[at.K_METHANOL] / (0.75 * k[at.K_FULL_AIR_KG_S])
    # A careful tuner leaves the petrol itself on the rich side, should the spray fail.
    k[at.K_RICH_PETROL] = max(rich - METHANOL_AIR * methanol, 1.0 / LEANEST_PETROL)
    delay_s = rig.spray.transport_delay_s * (1.0 + _SPREAD * spread[0])
    lag_s = rig.spray.lag_s * (1.0 + _SPREAD * spread[1])
    actuation = min(round(_ACTUATION_SHARE * delay_s / k[at.K_DT_S]), at.RING - 1)
    k[at.K_ACTUATION_STEPS] = float(actuation)
    rest = round(delay_s / k[at.K_DT_S]) - actuation
    k[at.K_SENSOR_STEPS] = float(max(0, min(rest, at.RING - 1)))
    k[at.K_SENSOR_LAG_S] = max(0.004, lag_s - VALVE_S - _LINE_S, 2.0 * k[at.K_DT_S])
    k[at.K_FLOW_GAIN] = 1.0 + _GAIN_SPREAD * spread[2]
    k[at.K_FLOW_NOISE] = 0.035 + 0.005 * spread[4]
    late = round(rig.fault_intervals.reaction_s / k[at.K_DT_S])
    most_late = at.RING - 2 - round(1.0 / k[at.K_DT_S])  # faults may add a second
    k[at.K_REACTION_STEPS] = float(max(0, min(late, most_late)))
    sent = {channel.name for channel in rig.channels}
    # A car that reports no knock has no knock control.
    k[at.K_MOST_KNOCK_DEG] = _KNOCK_CONTROL_DEG if "knock" in sent else 0.0
    for i, name in enumerate(CHANNEL_NAMES):
        k[at.K_SENT + i] = 1.0 if name in sent else 0.0
    return k


def peak_kpa(rig: Rig, asked_kpa: float) -> float:
    """Return the boost an engine is tuned to, kPa gauge: as asked, or its table's highest."""
    if not isnan(asked_kpa):
        return asked_kpa
    return rig.paid.boost_kpa[-1] if rig.paid.boost_kpa else 0.0


def _engine(k: list[float], rig: Rig, peak: float) -> None:
    engine = rig.engine
    k[at.K_DISPLACEMENT_M3] = engine.displacement_l * 1e-3
    k[at.K_CYLINDERS] = float(engine.cylinders)
    k[at.K_REDLINE_RPM] = engine.redline_rpm
    k[at.K_VE] = engine.volumetric_efficiency
    k[at.K_COMPRESSION] = engine.compression_ratio
    k[at.K_PETROL_OCTANE] = engine.petrol_octane
    k[at.K_PEAK_KPA] = peak
    full_kpa = engine.ambient_kpa + max(peak, 0.0)
    full = air_flow_kg_s(
        engine.volumetric_efficiency,
        engine.displacement_l,
        engine.redline_rpm,
        full_kpa,
        _FULL_AIR_K,
    )
    k[at.K_FULL_AIR_KG_S] = full
    # An engine that breathes more has wider pipes too.
    breathes = max(1.0, engine.redline_rpm * engine.volumetric_efficiency / 6650.0)
    k[at.K_MANIFOLD_M3] = 2.0e-3 * engine.displacement_l * breathes
    k[at.K_PIPE_M3] = 2.8e-3 * engine.displacement_l * breathes
    # Wide open it loses three per cent of the pressure at full flow.
    k[at.K_THROTTLE_M2] = full * sqrt(GAS_CONSTANT_J_KG_K * _FULL_AIR_K) / (full_kpa * 143.0)
    injectors = rig.injectors
    k[at.K_INJECTORS_KG_S] = injectors_kg_s(
        float(injectors.count), injectors.rated_ml_min, injectors.rated_kpa, injectors.fuel_kpa
    )
    k[at.K_DEAD_TIME_MS] = injectors.dead_time_ms


def _charger(k: list[float], rig: Rig) -> None:
    charger = rig.engine.charger if k[at.K_PEAK_KPA] > 0.0 else Charger.NONE
    k[at.K_CHARGER] = float(charger)
    k[at.K_INERTIA_J] = 1.0
    k[at.K_TURBINE] = 1.0
    if charger is Charger.NONE:
        return
    ambient_kpa = k[at.K_AMBIENT_KPA]
    full_kpa = ambient_kpa + k[at.K_PEAK_KPA]
    full = k[at.K_FULL_AIR_KG_S]
    ratio = 1.04 * full_kpa / ambient_kpa  # with what filter, cooler and throttle take
    choked = full_kpa * 1e3 * 0.685 / sqrt(GAS_CONSTANT_J_KG_K * _FULL_AIR_K)
    # A blower's bypass must pass all it gives at next to no pressure.
    k[at.K_BYPASS] = (0.7 if charger is Charger.TURBOCHARGER else 4.0) * full / choked
    reserve = 1.16 if charger is Charger.CENTRIFUGAL else 1.25
    highest = 1.0 + reserve * (ratio - 1.0)
    k[at.K_HEAD] = highest ** (1.0 / 3.5) - 1.0
    design = full if charger is Charger.CENTRIFUGAL else 0.8 * full
    k[at.K_CHOKE_KG_S] = design / (1.0 - 1.0 / (reserve * reserve))
    inlet_kg_m3 = _AIR_DENSITY * ambient_kpa / 101.325
    leak = 0.06 * (ratio - 1.0)
    turns_s = rig.engine.redline_rpm / 60.0
    k[at.K_BLOWER_M3] = 1.12 * full / (turns_s * inlet_kg_m3 * (1.0 - leak))
    # The turbine: with the gate shut it gives what the compressor needs at spool speed.
    at_spool = full * _SPOOL_OF_REDLINE * breathing(_SPOOL_OF_REDLINE)
    need_w = at_spool * AIR_J_KG_K * 297.0 * (ratio ** (0.4 / 1.4) - 1.0) / 0.70
    gas = 1.075 * at_spool
    part = min(0.45, need_w / (TURBINE_EFFICIENCY * gas * EXHAUST_J_KG_K * _SPOOL_GAS_K))
    swallow = sqrt((1.0 - part) ** -8.0 - 1.0)
    k[at.K_TURBINE] = gas * sqrt(_SPOOL_GAS_K) / swallow
    k[at.K_INERTIA_J] = _SPOOL_S * need_w


def _vehicle(k: list[float], rig: Rig) -> None:
    vehicle = rig.vehicle
    k[at.K_MASS_KG] = vehicle.mass_kg
    k[at.K_DRAG] = 0.5 * _AIR_DENSITY * vehicle.drag_area_m2
    k[at.K_TYRE_M] = vehicle.tyre_radius_m
    k[at.K_FINAL_DRIVE] = vehicle.final_drive
    k[at.K_GEARS] = float(len(vehicle.gears))
    for i, ratio in enumerate(vehicle.gears):
        k[at.K_GEAR + 1 + i] = ratio


def _spray(k: list[float], rig: Rig) -> None:
    spray = rig.spray
    pump = spray.pump
    conductance = sqrt(WATER_KG_M3 / spray.fluid_kg_m3) * sum(
        nozzle.count * nozzle.rated_ml_min / sqrt(nozzle.rated_kpa) for nozzle in spray.nozzles
    )
    k[at.K_FULL_FLOW] = conductance
    k[at.K_WATER_LESS] = 1.0 - sqrt(spray.fluid_kg_m3 / WATER_KG_M3)
    k[at.K_SHUT_OFF_KPA] = pump.shut_off_kpa
    k[at.K_FREE_ML_S] = pump.free_flow_ml_min / 60.0
    k[at.K_CHECK_KPA] = spray.check_valve_kpa
    k[at.K_DENSITY] = spray.fluid_kg_m3
    k[at.K_METHANOL] = 0.01 * spray.methanol_mass_pct
    k[at.K_NOZZLES] = float(sum(nozzle.count for nozzle in spray.nozzles))
    k[at.K_VISCOSITY] = viscosity_mpa_s(k[at.K_METHANOL], 20.0)
    k[at.K_SURFACE] = surface_mn_m(k[at.K_METHANOL], 20.0)
    k[at.K_TANK_ML] = spray.tank_ml
    held_kpa = min(pump.regulated_kpa, 0.8 * pump.shut_off_kpa)
    against_kpa = max(k[at.K_PEAK_KPA], 0.0) + spray.check_valve_kpa
    full = conductance * sqrt(max(held_kpa - against_kpa, 1.0))
    full_ml_s = full / 60.0
    runs_down = pump.run_down_s / _RUN_DOWN_S
    k[at.K_COMPLIANCE_ML_KPA] = _COMPLIANCE_S_KPA * full_ml_s * runs_down
    bore_m = _HOSE_BORE_M * sqrt(full_ml_s / _HOSE_AT_ML_S)
    # Hagen-Poiseuille, in kPa for each mL/min.
    friction = 128.0 * 1e-3 * k[at.K_VISCOSITY] * _HOSE_M / (pi * bore_m**4)
    k[at.K_FRICTION] = friction * 1e-6 / 60.0 * 1e-3
    k[at.K_CRACK_KPA] = 1e12
    k[at.K_BYPASS_ML_S_KPA] = 0.0
    if isinf(pump.regulated_kpa):
        return
    slope = full_ml_s / (_REGULATOR_RISE * pump.regulated_kpa)
    given = pump.free_flow_ml_min * max(0.0, 1.0 - pump.regulated_kpa / pump.shut_off_kpa)
    k[at.K_BYPASS_ML_S_KPA] = slope
    # At full flow against full boost the line stands at the rated pressure.
    k[at.K_CRACK_KPA] = pump.regulated_kpa - max(0.0, given - full) / 60.0 / slope


def _controller(k: list[float], rig: Rig) -> None:
    command = rig.command
    k[at.K_COMMAND] = float(command.kind)
    k[at.K_START_KPA] = command.start_boost_kpa
    full_kpa = command.full_boost_kpa
    k[at.K_FULL_KPA] = command.start_boost_kpa + 100.0 if full_kpa == inf else full_kpa
    k[at.K_START_DUTY] = command.start_duty_pct
    k[at.K_FULL_DUTY] = command.full_duty_pct
    k[at.K_RATE] = min(command.rate_ml_min, 1e9)
    k[at.K_N_MAP_BOOST] = float(len(command.map_boost_kpa))
    k[at.K_N_MAP_DUTY] = float(len(command.map_duty_pct))
    cells = [cell for line in command.map_pct for cell in line]
    for start, values in (
        (at.K_MAP_BOOST, command.map_boost_kpa),
        (at.K_MAP_DUTY, command.map_duty_pct),
        (at.K_MAP_PCT, cells),
    ):
        k[start : start + len(values)] = values
    k[at.K_N_PAID] = float(len(rig.paid.boost_kpa))
    k[at.K_PAID_BOOST : at.K_PAID_BOOST + len(rig.paid.boost_kpa)] = rig.paid.boost_kpa
    k[at.K_PAID_DEG : at.K_PAID_DEG + len(rig.paid.timing_deg)] = rig.paid.timing_deg
