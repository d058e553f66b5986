"""One healthy car and its logger: what each sensor reads of a drive, row by row.

Hydraulics, injector duty and sensors are worked out here anew, from handbook laws, and not by the
functions of the rules or the plant. Spreads are invented (no source).
"""

from dataclasses import dataclass
from math import inf, sqrt
from typing import Any, Final

import numpy as np
from scipy.optimize import brentq

from rules import channels as ch
from rules.facts import CommandKind, Rig
from tests.bench.healthy.drive import STEP_S, Drive, smoothed

WATER_KG_M3: Final = 998.2
AIR_J_KG_K: Final = 287.05
STOICHIOMETRIC: Final = 14.7  # air to petrol by mass, common practice
PETROL_KG_L: Final = 0.745


@dataclass(frozen=True, slots=True)
class Spread:
    """How far this car and its logger are from what the rig says; every part is honest.

    Attributes:
        rate_hz: Rows a second.
        jitter: Share of a row's period by which its time varies.
        gain: True gain of the flow sensor.
        delay_s: Added to the rig's transport delay.
        lag: Times the rig's lag.
        noise: Standard deviation of the flow reading, share of full flow, correlated over 50 ms.
        refresh_s: The flow sensor's own refresh period (0: every row).
        boost_step_kpa: The boost reading's step (0: fine).
        flow_step_ml_min: The flow reading's step (0: fine).
        line_gain: Times what line pressure would be by the rig's figures.
        line_step_kpa: The pressure reading's step (0: fine).
    """

    rate_hz: float
    jitter: float = 0.0
    gain: float = 1.0
    delay_s: float = 0.0
    lag: float = 1.0
    noise: float = 0.01
    refresh_s: float = 0.0
    boost_step_kpa: float = 0.0
    flow_step_ml_min: float = 0.0
    line_gain: float = 1.0
    line_step_kpa: float = 0.0


def full_flow(rig: Rig, boost_kpa: Any) -> Any:
    """Return what pump and nozzles give at each boost, mL/min, by root finding (orifice law)."""
    spray, pump = rig.spray, rig.spray.pump
    k = sum(n.count * n.rated_ml_min / sqrt(n.rated_kpa) for n in spray.nozzles)
    k *= sqrt(WATER_KG_M3 / spray.fluid_kg_m3)

    def surplus(flow: float, boost: float) -> float:
        at_pump = min(pump.shut_off_kpa * (1.0 - flow / pump.free_flow_ml_min), pump.regulated_kpa)
        return k * sqrt(max(at_pump - boost - spray.check_valve_kpa, 0.0)) - flow

    grid = np.linspace(-100.0, 400.0, 251)
    flows = [
        brentq(surplus, 0.0, pump.free_flow_ml_min, args=(b,)) if surplus(0.0, b) > 0.0 else 0.0
        for b in grid
    ]
    return np.interp(boost_kpa, grid, flows)


def injector_duty(rig: Rig, rng: Any, drive: Drive) -> Any:
    """Return injector duty, %, by speed-density with a filling of its own; nil on overrun."""
    engine, injectors = rig.engine, rig.injectors
    share = drive.engine_speed_rpm / engine.redline_rpm
    shape = 1.0 - 0.35 * (share - float(rng.uniform(0.55, 0.75))) ** 2
    filling = engine.volumetric_efficiency * float(rng.uniform(0.94, 1.04)) * shape
    charge_k = 300.0 + 0.12 * np.maximum(drive.boost_kpa, 0.0)
    absolute_pa = 1000.0 * (engine.ambient_kpa + drive.boost_kpa)
    per_cycle_kg = filling * engine.displacement_l * 1e-3 * absolute_pa / (AIR_J_KG_K * charge_k)
    mixture = np.where(drive.boost_kpa > 0.0, 0.82, 1.0)
    fuel_kg_s = per_cycle_kg * drive.engine_speed_rpm / 120.0 / (STOICHIOMETRIC * mixture)
    flow_ml_min = injectors.count * injectors.rated_ml_min
    flow_ml_min *= sqrt(injectors.fuel_kpa / injectors.rated_kpa)
    open_share = fuel_kg_s / PETROL_KG_L * 60000.0 / flow_ml_min
    dead_share = injectors.dead_time_ms * 1e-3 * drive.engine_speed_rpm / 120.0
    overrun = (drive.throttle < 0.02) & (drive.engine_speed_rpm > 1700.0)
    return np.where(overrun, 0.0, 100.0 * smoothed(open_share + dead_share, 0.03))


def asked_share(rig: Rig, boost_kpa: Any, duty_pct: Any) -> Any:
    """Return the share of full flow that the spray controller asks for, 0 to 1."""
    command = rig.command
    if command.kind is CommandKind.BOOST:
        span = command.full_boost_kpa - command.start_boost_kpa
        share = np.clip((boost_kpa - command.start_boost_kpa) / span, 0.0, 1.0)
    elif command.kind is CommandKind.INJECTOR_DUTY:
        span = command.full_duty_pct - command.start_duty_pct
        share = np.clip((duty_pct - command.start_duty_pct) / span, 0.0, 1.0)
    elif command.kind is CommandKind.MAP:
        by_duty = np.array(
            [np.interp(duty_pct, command.map_duty_pct, row) for row in command.map_pct]
        )
        place = np.interp(
            boost_kpa, command.map_boost_kpa, np.arange(len(command.map_boost_kpa), dtype=float)
        )
        low = np.minimum(place.astype(int), len(by_duty) - 2)
        at = np.arange(len(place))
        part = place - low
        share = 0.01 * (by_duty[low, at] * (1.0 - part) + by_duty[low + 1, at] * part)
    elif command.kind is CommandKind.FIXED:
        share = np.ones_like(boost_kpa)
        if command.rate_ml_min < inf:
            share = np.minimum(command.rate_ml_min / full_flow(rig, boost_kpa), 1.0)
    else:
        raise ValueError(f"command: found {command.kind}, expected one with a law of its own")
    return np.where(boost_kpa >= command.start_boost_kpa, share, 0.0)


def charge(rng: Any, rig: Rig, drive: Drive, share: Any) -> tuple[Any, Any]:
    """Return what the intake's sensors read ahead of the spray and behind it, degC.

    A day of -10 to 20 degC (the rigs' limits are for no hotter), what boost adds at once, what the
    intercooler's core soaks up of it, and spray that cools the less the colder the charge is. The
    rig states a car like this one: it is off by no more than its tolerances.

    Args:
        rng: Draws this car and this day.
        rig: The rig; without a ``[charge_sensor]`` spray cools by 12 K.
        drive: The drive.
        share: Of full spray, at each step.
    """
    sensor = rig.charge_sensor
    boost = np.maximum(drive.boost_kpa, 0.0) / max(*rig.paid.boost_kpa, 1.0)
    air = drive.engine_speed_rpm / rig.engine.redline_rpm
    outside_c = float(rng.uniform(-10.0, 20.0))
    adds_k = (sensor.rise_k or 30.0) * float(rng.uniform(0.9, 1.1))
    core_lag_s = float(rng.uniform(5.0, 15.0))
    soaks_k = float(rng.uniform(0.3, 0.8)) * (sensor.soak_k_s or 6.0) * core_lag_s
    core_c = outside_c + 4.0 + smoothed(soaks_k * boost * air, core_lag_s)
    dry_c = core_c + adds_k * boost * (0.65 + 0.35 * air)
    cools_k = (sensor.drop_k or 12.0) * float(rng.uniform(0.85, 1.15))
    # All of a saturated charge's cooling from half of the spray on; hardly any below 15 degC.
    warmth = np.clip((dry_c - 15.0) / 30.0, 0.0, 1.2)
    part = 1.0 - np.clip(1.0 - 1.4 * share, 0.0, 1.0) ** 2
    drops_late_s = float(rng.uniform(0.03, 0.1))
    wet_c = dry_c - smoothed(cools_k * warmth * part, drops_late_s)
    lag_s = float(rng.uniform(0.25, 0.5))
    return smoothed(dry_c, lag_s), smoothed(wet_c, lag_s)


def line_kpa(rng: Any, rig: Rig, share: Any, full: Any, spread: Spread) -> Any:
    """Return what the gauge behind the pump reads, kPa.

    The pump's straight curve, held by its regulator, at the mean flow; without spray it stands at
    the pump's pressure. A line fills and empties within tens of milliseconds, strokes swing it.
    """
    pump, n = rig.spray.pump, len(share)
    shut = min(pump.shut_off_kpa, pump.regulated_kpa)
    open_kpa = np.minimum(pump.shut_off_kpa * (1.0 - full / pump.free_flow_ml_min), shut)
    kpa = smoothed(share * open_kpa + (1.0 - share) * shut, float(rng.uniform(0.02, 0.06)))
    stroke_hz = float(rng.uniform(40.0, 97.0))
    swing = pump.ripple_share * np.sin(2.0 * np.pi * stroke_hz * STEP_S * np.arange(n))
    # A first-order filter of the rig's lag takes its part of the strokes.
    passed = 1.0 / sqrt(1.0 + (2.0 * np.pi * stroke_hz * rig.line_sensor.lag_s) ** 2)
    noise = smoothed(rng.normal(0.0, 1.0, n), 0.02) * sqrt(2.0 * 0.02 / STEP_S)
    return spread.line_gain * kpa * (1.0 + passed * swing + 0.01 * noise)


def _stepped(x: Any, step: float) -> Any:
    return np.round(x / step) * step if step > 0.0 else x


def rows_for(rng: Any, rig: Rig, drive: Drive, spread: Spread) -> Any:
    """Return what the logger hands over, (n, ROW_WIDTH) samples, every channel the rig maps."""
    n = len(drive.throttle)
    boost = drive.boost_kpa
    duty = injector_duty(rig, rng, drive)
    full = full_flow(rig, boost)
    share = asked_share(rig, boost, duty)
    asked = share * full

    late = max(rig.flow_sensor.delay_s + spread.delay_s, 0.0)
    at = np.arange(n, dtype=float)
    arriving = np.interp(at - late / STEP_S, at, asked)
    flow = spread.gain * smoothed(arriving, max(rig.flow_sensor.lag_s * spread.lag, 0.005))
    scatter = smoothed(rng.normal(0.0, 1.0, n), 0.05) * sqrt(2.0 * 0.05 / STEP_S)
    # A turbine's scatter goes with what flows through it; at rest it reads nil.
    flow = np.maximum(flow * (1.0 + spread.noise * scatter), 0.0)
    flow = np.where(flow < 0.01 * np.max(full), 0.0, flow)
    if spread.refresh_s > 0.0:
        every = max(round(spread.refresh_s / STEP_S), 1)
        flow = flow[at.astype(int) // every * every]

    dry_c, wet_c = charge(rng, rig, drive, asked / np.maximum(full, 1.0))
    line = line_kpa(rng, rig, share, full, spread)
    nearly = rng.normal(0.0, 1.0, n)
    readings = {
        ch.ENGINE_SPEED: np.round(drive.engine_speed_rpm + 6.0 * nearly),
        ch.BOOST: _stepped(boost + 0.4 * rng.normal(0.0, 1.0, n), spread.boost_step_kpa),
        ch.INJECTOR_DUTY: np.round(duty, 1),
        ch.INTAKE: np.round(wet_c + 0.2 * nearly, 1),
        ch.KNOCK: np.round(np.maximum(0.4 * rng.normal(0.0, 1.0, n), 0.0), 1),
        ch.COMMANDED: asked,
        ch.COMMAND_PCT: 100.0 * share,
        ch.DELIVERED: _stepped(flow, spread.flow_step_ml_min),
        ch.TIMING: np.round(18.0 - 0.05 * boost + 0.2 * nearly, 1),
        ch.LAMBDA: np.where(boost > 0.0, 0.82, 1.0) + 0.01 * nearly,
        ch.THROTTLE: np.round(100.0 * drive.throttle, 1),
        ch.TANK: np.full(n, 0.8 * rig.spray.tank_ml) + np.round(20.0 * nearly),
        ch.LINE: _stepped(line, spread.line_step_kpa),
        ch.SUPPLY: np.round(13.8 + 0.05 * nearly, 2),
        ch.DRY_INTAKE: np.round(dry_c + 0.2 * nearly, 1),
        ch.TANK_SWITCH: np.zeros(n),
    }

    count = int(n * STEP_S * spread.rate_hz)
    time_s = (np.arange(count) + rng.uniform(-0.5, 0.5, count) * spread.jitter) / spread.rate_hz
    time_s = np.sort(np.clip(time_s, 0.0, (n - 1) * STEP_S))
    picked = (time_s / STEP_S).astype(int)
    rows = np.full((count, ch.ROW_WIDTH), ch.NOT_SENT)
    rows[:, ch.TIME] = time_s
    rows[:, ch.OPERATOR] = ch.OPERATOR_NOTHING
    rows[:: int(5 * spread.rate_hz), ch.OPERATOR] = ch.OPERATOR_ACKNOWLEDGE
    for terms in rig.channels:
        column = ch.ROW_NAMES.index(terms.name)
        rows[:, column] = readings[column][picked]
    return rows
