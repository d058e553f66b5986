"""The plant's step: discrete events, then the rates of everything continuous, then Euler."""

from math import floor
from typing import Final

from rules.step.arithmetic import larger
from rules.step.vector import Vector
from simulator.plant.charge import charge_rates
from simulator.plant.charging import breathe, charging_rates, displace
from simulator.plant.chassis import roll_rates
from simulator.plant.driver import drive
from simulator.plant.engine import fuel, torque_rates
from simulator.plant.faults import schedule
from simulator.plant.hydraulics import spray_rates
from simulator.plant.ignition import fire, spark
from simulator.plant.layout import (
    DRAW_WIDTH,
    K_ACTUATION_STEPS,
    K_DT_S,
    K_REACTION_STEPS,
    K_REDLINE_RPM,
    K_SAMPLE_S,
    K_SENSOR_STEPS,
    K_SUBSTEPS,
    N_AIM,
    RING,
    S_ACTUATION,
    S_BOOST_KPA,
    S_BYPASS,
    S_CEILING_KPA,
    S_CEILINGS,
    S_CHARGE_C,
    S_CORE_C,
    S_CUT,
    S_DROP_K,
    S_DRY_C,
    S_DUE,
    S_DUES,
    S_EXHAUST_K,
    S_FILM_KG,
    S_FLOW_READING,
    S_HOT_C,
    S_INTEGRAL,
    S_INTENSITY,
    S_LEFT_RANGE,
    S_LINE_KPA,
    S_MANIFOLD_KPA,
    S_METER,
    S_METERED,
    S_OPEN,
    S_PEAK_BOOST_KPA,
    S_PEAK_CHARGE_C,
    S_PEAK_HOT_C,
    S_PIPE_KPA,
    S_PUMP,
    S_RETARD_DEG,
    S_RETARDS,
    S_ROAD_M_S,
    S_SEEN_LAMBDA,
    S_SENSED_BOOST,
    S_SENSED_DRY,
    S_SENSED_INTAKE,
    S_SENSED_LINE,
    S_SHAFT,
    S_SHIFT_DRAW,
    S_SLOSH_ML,
    S_SLOSH_ML_S,
    S_SPEED_RPM,
    S_SUPPLY_V,
    S_TANK_ML,
    S_THROTTLE,
    S_TICKS,
    S_TIME_S,
    S_USED_ML,
    S_WALL_C,
    S_WASTEGATE,
    S_WORK_KJ,
    W_AIM,
    W_SHIFT,
    X_SLOW_S,
)
from simulator.plant.sensors import coloured, meter, read, sensor_rates
from simulator.plant.spray_control import ask
from simulator.plant.wire import send

_AIM_S: Final = 1.5
# What is integrated; all else follows from it, or is an event.
CONTINUOUS: Final = (
    S_ROAD_M_S,
    S_SPEED_RPM,
    S_THROTTLE,
    S_MANIFOLD_KPA,
    S_PIPE_KPA,
    S_SHAFT,
    S_WASTEGATE,
    S_BYPASS,
    S_INTEGRAL,
    S_CUT,
    S_CORE_C,
    S_DROP_K,
    S_WALL_C,
    S_EXHAUST_K,
    S_HOT_C,
    S_SEEN_LAMBDA,
    S_WORK_KJ,
    S_OPEN,
    S_DUE,
    S_PUMP,
    S_SUPPLY_V,
    S_LINE_KPA,
    S_TANK_ML,
    S_USED_ML,
    S_SLOSH_ML,
    S_SLOSH_ML_S,
    S_FILM_KG,
    S_SENSED_BOOST,
    S_SENSED_INTAKE,
    S_SENSED_DRY,
    S_SENSED_LINE,
    S_FLOW_READING,
)

# What each of these can be at all; beyond it the step has diverged, and all that follows is void.
RANGED: Final = (
    S_SPEED_RPM,
    S_ROAD_M_S,
    S_MANIFOLD_KPA,
    S_PIPE_KPA,
    S_SHAFT,
    S_CORE_C,
    S_DROP_K,
    S_EXHAUST_K,
    S_LINE_KPA,
    S_FLOW_READING,
)
LEAST: Final = (0.0, 0.0, 0.0, 0.0, -1.0, -120.0, -50.0, 150.0, 0.0, -50.0)
MOST: Final = (15e3, 150.0, 1000.0, 1000.0, 9.0, 500.0, 300.0, 2500.0, 10e3, 50e3)
MOST_OVERSPEED: Final = 1.3  # of the redline; draws for combustions last so far


def within_range(k: Vector, s: Vector) -> bool:
    """Return whether the state is physical; else note which of ``RANGED`` is not (nor is NaN)."""
    for i in range(len(RANGED)):
        if not LEAST[i] <= s[RANGED[i]] <= MOST[i]:
            s[S_LEFT_RANGE] = i + 1.0
            return False
    if s[S_SPEED_RPM] > MOST_OVERSPEED * k[K_REDLINE_RPM]:
        s[S_LEFT_RANGE] = 1.0
        return False
    return True


def through(s: Vector, ring: int, ticks: int, steps: int, value: float) -> float:
    """Put a value into a ring; return the one put in so many steps ago, fewer than ``RING``."""
    s[ring + ticks % RING] = value
    return s[ring + (ticks - steps) % RING]


def rates(k: Vector, s: Vector, d: Vector, valve: float, due_ml_min: float) -> None:
    """Work out every algebraic value and every rate from the continuous state.

    Args:
        k: Constants.
        s: State; algebraic values are put into it.
        d: Rates of ``CONTINUOUS``, per second.
        valve: Spray valve opening asked for, 0 to 1.
        due_ml_min: What healthy flow follows it.
    """
    breathe(k, s)
    spray_rates(k, s, d, valve, due_ml_min)
    charge_rates(k, s, d)
    displace(s)
    fuel(k, s)
    charging_rates(k, s, d)
    torque_rates(k, s, d)
    roll_rates(k, s, d, k[K_DT_S])
    sensor_rates(k, s, d, s[S_BOOST_KPA], s[S_CHARGE_C], s[S_DRY_C], s[S_LINE_KPA])


def substep(
    k: Vector,
    s: Vector,
    d: Vector,
    steps: Vector,
    faults: Vector,
    cycles: Vector,
    retard_deg: float,
    ceiling_kpa: float,
) -> None:
    """Advance by one internal step; it ends early where the state leaves its physical range.

    Args:
        k: Constants.
        s: State.
        d: Room for rates.
        steps: The driver's script.
        faults: The faults.
        cycles: Draws of combustions to come.
        retard_deg: Retard asked for now, degrees.
        ceiling_kpa: Boost ceiling asked for now, kPa gauge.
    """
    dt_s = k[K_DT_S]
    ticks = int(s[S_TICKS])
    now_s = ticks * dt_s
    s[S_TIME_S] = now_s
    drive(k, s, steps, now_s, dt_s)
    schedule(k, s, faults, now_s)
    late = int(k[K_REACTION_STEPS]) + int(s[X_SLOW_S] / dt_s + 0.5)
    s[S_RETARD_DEG] = through(s, S_RETARDS, ticks, late, retard_deg)
    s[S_CEILING_KPA] = through(s, S_CEILINGS, ticks, late, ceiling_kpa)
    spark(k, s, dt_s)
    wanted, due = ask(k, s)
    act = int(k[K_ACTUATION_STEPS])
    valve = through(s, S_ACTUATION, ticks, act, wanted)
    due_ml_min = through(s, S_DUES, ticks, act, due)
    rates(k, s, d, valve, due_ml_min)
    for i in CONTINUOUS:
        s[i] += dt_s * d[i]
    s[S_ROAD_M_S] = larger(s[S_ROAD_M_S], 0.0)
    s[S_LINE_KPA] = larger(s[S_LINE_KPA], 0.0)
    s[S_TANK_ML] = larger(s[S_TANK_ML], 0.0)
    if not within_range(k, s):
        return
    metered = through(s, S_METER, ticks, int(k[K_SENSOR_STEPS]), s[S_METERED])
    meter(s, metered, now_s + dt_s, dt_s)
    fire(k, s, cycles, dt_s)
    s[S_PEAK_CHARGE_C] = larger(s[S_PEAK_CHARGE_C], s[S_CHARGE_C])
    s[S_PEAK_HOT_C] = larger(s[S_PEAK_HOT_C], s[S_HOT_C])
    s[S_PEAK_BOOST_KPA] = larger(s[S_PEAK_BOOST_KPA], s[S_BOOST_KPA])
    s[S_TICKS] = float(ticks + 1)


def advance(
    k: Vector,
    s: Vector,
    d: Vector,
    steps: Vector,
    faults: Vector,
    cycles: Vector,
    draws: Vector,
    number: int,
    retard_deg: float,
    ceiling_kpa: float,
    row: Vector,
    out: Vector,
) -> int:
    """Advance by one sample; return how many rows come down the wire.

    None do once the state has left its physical range, which ``S_LEFT_RANGE`` tells.

    Args:
        k: Constants.
        s: State.
        d: Room for rates.
        steps: The driver's script.
        faults: The faults.
        cycles: Draws of combustions to come.
        draws: Draws of samples to come.
        number: Number of this sample among them.
        retard_deg: Retard asked for, degrees.
        ceiling_kpa: Boost ceiling asked for, kPa gauge.
        row: Room for the row the sensors make.
        out: Room for the rows that come out of the wire.
    """
    if not within_range(k, s):
        return 0
    at = number * DRAW_WIDTH
    s[S_SHIFT_DRAW] = draws[at + W_SHIFT]
    s[N_AIM] = coloured(s[N_AIM], draws[at + W_AIM], _AIM_S, k[K_SAMPLE_S])
    s[S_INTENSITY] = 0.0
    for _ in range(int(k[K_SUBSTEPS])):
        substep(k, s, d, steps, faults, cycles, retard_deg, ceiling_kpa)
        if s[S_LEFT_RANGE] != 0.0:
            return 0
    time_s = floor(s[S_TICKS] / k[K_SUBSTEPS] * k[K_SAMPLE_S] * 1e4 + 0.5) / 1e4
    s[S_TIME_S] = time_s
    read(k, s, faults, draws, at, time_s, row)
    return send(k, s, faults, draws, at, row, out)
