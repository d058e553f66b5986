"""The plant's step: discrete events, then the rates of everything continuous, then Euler."""

from collections.abc import Sequence
from math import floor
from typing import Final, NamedTuple

from rules.step.arithmetic import larger
from simulator.plant.charge import charge_rates
from simulator.plant.charging import breathe, charging_rates, displace
from simulator.plant.chassis import roll_rates
from simulator.plant.constants import Constants
from simulator.plant.driver import DriverStep, drive
from simulator.plant.engine import fuel, torque_rates
from simulator.plant.faults import FaultNow, schedule
from simulator.plant.hydraulics import spray_rates
from simulator.plant.ignition import fire, spark
from simulator.plant.noise import Draw
from simulator.plant.sensors import coloured, meter, read, sensor_rates, stroke
from simulator.plant.spray_control import ask
from simulator.plant.state import RING, Rates, State
from simulator.plant.wire import send

_AIM_S: Final = 1.5


class Range(NamedTuple):
    """What a field of the state can be at all."""

    field: str
    what: str
    unit: str
    least: float
    most: float


# Beyond these the step has diverged, and all that follows is void. As ``_ranged``.
RANGES: Final = (
    Range("speed_rpm", "engine speed", " rpm", 0.0, 15e3),
    Range("road_m_s", "road speed", " m/s", 0.0, 150.0),
    Range("manifold_kpa", "manifold pressure", " kPa absolute", 0.0, 1000.0),
    Range("pipe_kpa", "charge pipe pressure", " kPa absolute", 0.0, 1000.0),
    Range("shaft", "charger energy over its design point", "", -1.0, 9.0),
    Range("core_c", "intercooler temperature", " degC", -120.0, 500.0),
    Range("drop_k", "cooling by the spray", " K", -50.0, 300.0),
    Range("exhaust_k", "exhaust temperature", " K", 150.0, 2500.0),
    Range("line_kpa", "spray line pressure", " kPa", 0.0, 10e3),
    Range("flow_reading_ml_min", "flow reading", " mL/min", -50.0, 50e3),
)
LEAST: Final = tuple(one.least for one in RANGES)
MOST: Final = tuple(one.most for one in RANGES)
MOST_OVERSPEED: Final = 1.3  # of the redline; draws for combustions last so far


def within_range(k: Constants, s: State) -> bool:
    """Return whether the state is physical; else note which of ``RANGES`` it left (NaN is out)."""
    values = _ranged(s)
    for i in range(len(values)):
        if not LEAST[i] <= values[i] <= MOST[i]:
            s.left_range = i + 1
            return False
    if s.speed_rpm > MOST_OVERSPEED * k.redline_rpm:
        s.left_range = 1
        return False
    return True


def _ranged(
    s: State,
) -> tuple[float, float, float, float, float, float, float, float, float, float]:
    return (
        s.speed_rpm,
        s.road_m_s,
        s.manifold_kpa,
        s.pipe_kpa,
        s.shaft,
        s.core_c,
        s.drop_k,
        s.exhaust_k,
        s.line_kpa,
        s.flow_reading_ml_min,
    )


def through(ring: list[float], ticks: int, steps: int, value: float) -> float:
    """Put a value into a ring; return the one put in so many steps ago, fewer than ``RING``."""
    ring[ticks % RING] = value
    return ring[(ticks - steps) % RING]


def integrate(s: State, d: Rates, dt_s: float) -> None:
    """Advance what is continuous by one step, by Euler's rule."""
    s.road_m_s += dt_s * d.road_m_s
    s.speed_rpm += dt_s * d.speed_rpm
    s.throttle += dt_s * d.throttle
    s.manifold_kpa += dt_s * d.manifold_kpa
    s.pipe_kpa += dt_s * d.pipe_kpa
    s.shaft += dt_s * d.shaft
    s.wastegate += dt_s * d.wastegate
    s.bypass += dt_s * d.bypass
    s.integral += dt_s * d.integral
    s.cut += dt_s * d.cut
    s.core_c += dt_s * d.core_c
    s.drop_k += dt_s * d.drop_k
    s.wall_c += dt_s * d.wall_c
    s.exhaust_k += dt_s * d.exhaust_k
    s.exhaust_c += dt_s * d.exhaust_c
    s.seen_lambda += dt_s * d.seen_lambda
    s.work_kj += dt_s * d.work_kj
    s.opening += dt_s * d.opening
    s.due_ml_min += dt_s * d.due_ml_min
    s.pump += dt_s * d.pump
    s.supply_v += dt_s * d.supply_v
    s.line_kpa += dt_s * d.line_kpa
    s.tank_ml += dt_s * d.tank_ml
    s.used_ml += dt_s * d.used_ml
    s.slosh_ml += dt_s * d.slosh_ml
    s.slosh_ml_s += dt_s * d.slosh_ml_s
    s.film_kg += dt_s * d.film_kg
    s.sensed_boost_kpa += dt_s * d.sensed_boost_kpa
    s.sensed_intake_c += dt_s * d.sensed_intake_c
    s.sensed_dry_c += dt_s * d.sensed_dry_c
    s.sensed_line_kpa += dt_s * d.sensed_line_kpa
    s.flow_reading_ml_min += dt_s * d.flow_reading_ml_min
    s.road_m_s = larger(s.road_m_s, 0.0)
    s.line_kpa = larger(s.line_kpa, 0.0)
    s.tank_ml = larger(s.tank_ml, 0.0)


def rates(k: Constants, s: State, d: Rates, valve: float, due_ml_min: float) -> None:
    """Work out every algebraic value and every rate from the continuous state.

    Args:
        k: Constants.
        s: State; algebraic values are put into it.
        d: Rates, per second.
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
    roll_rates(k, s, d)
    sensor_rates(k, s, d)


def substep(
    k: Constants,
    s: State,
    d: Rates,
    steps: Sequence[DriverStep],
    faults: Sequence[FaultNow],
    cycles: Sequence[float],
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
    dt_s = k.dt_s
    ticks = s.ticks
    now_s = ticks * dt_s
    s.time_s = now_s
    drive(k, s, steps, now_s, dt_s)
    schedule(k, s, faults, now_s)
    late = k.reaction_steps + int(s.orders_late_s / dt_s + 0.5)
    s.retard_deg = through(s.retards_deg, ticks, late, retard_deg)
    s.ceiling_kpa = through(s.ceilings_kpa, ticks, late, ceiling_kpa)
    spark(k, s)
    wanted, due = ask(k, s)
    valve = through(s.valves, ticks, k.actuation_steps, wanted)
    due_ml_min = through(s.dues_ml_min, ticks, k.actuation_steps, due)
    rates(k, s, d, valve, due_ml_min)
    integrate(s, d, dt_s)
    if not within_range(k, s):
        return
    metered = through(s.flows_ml_min, ticks, k.sensor_steps, s.metered_ml_min)
    meter(s, metered, now_s + dt_s, dt_s)
    stroke(k, s, dt_s)
    fire(k, s, cycles, dt_s)
    s.peak_charge_c = larger(s.peak_charge_c, s.charge_c)
    s.peak_exhaust_c = larger(s.peak_exhaust_c, s.exhaust_c)
    s.peak_boost_kpa = larger(s.peak_boost_kpa, s.boost_kpa)
    s.ticks = ticks + 1


def advance(
    k: Constants,
    s: State,
    d: Rates,
    steps: Sequence[DriverStep],
    faults: Sequence[FaultNow],
    cycles: Sequence[float],
    draws: Sequence[Draw],
    number: int,
    retard_deg: float,
    ceiling_kpa: float,
    row: list[float],
    out: list[float],
) -> int:
    """Advance by one sample; return how many rows come down the wire.

    None do once the state has left its physical range, which ``left_range`` tells.

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
    draw = draws[number]
    s.shift_draw = draw.shift
    s.aim_noise = coloured(s.aim_noise, draw.aim, _AIM_S, k.sample_s)
    s.intensity = 0.0
    for _ in range(k.substeps):
        substep(k, s, d, steps, faults, cycles, retard_deg, ceiling_kpa)
        if s.left_range != 0:
            return 0
    time_s = floor(s.ticks / k.substeps * k.sample_s * 1e4 + 0.5) / 1e4
    s.time_s = time_s
    read(k, s, faults, draw, time_s, row)
    return send(k, s, faults, draw, row, out)
