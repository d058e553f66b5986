"""The state of a simulated car: what is integrated, what follows from it, and what is under way.

In the plant's kernels ``k`` is the car's constants, ``s`` its state, into which results are put,
``d`` the rates, per second. As in ``rules.step.state``: a live car interprets an object, thousands
of runs go compiled over an array of one record, through the same functions, and agree bit for bit.
"""

from dataclasses import dataclass
from typing import Final

from rules.channels import CHANNEL_NAMES, ROW_WIDTH
from rules.record import Record, block

RING: Final = 2048  # steps that anything may be under way
MOST_LATE: Final = 512  # rows that may be under way on a slow wire


@dataclass(slots=True)
class Continuous(Record):
    """What is integrated; all else follows from it, or is an event."""

    road_m_s: float = 0.0
    speed_rpm: float = 0.0  # of the engine
    throttle: float = 0.0  # 0 to 1
    manifold_kpa: float = 0.0  # absolute
    pipe_kpa: float = 0.0  # absolute
    shaft: float = 0.0  # the charger's kinetic energy over its design point
    wastegate: float = 0.0  # 0 to 1
    bypass: float = 0.0  # 0 to 1
    integral: float = 0.0  # of the boost controller
    cut: float = 0.0  # what a boost ceiling leaves of the throttle's area, 0 to 1
    core_c: float = 0.0  # intercooler
    drop_k: float = 0.0  # cooling of the charge by the spray
    wall_c: float = 0.0  # ports, valves and cylinder
    exhaust_k: float = 0.0  # gas
    exhaust_c: float = 0.0  # metal of the exhaust manifold
    seen_lambda: float = 0.0  # by the probe
    work_kj: float = 0.0  # at the crank
    opening: float = 0.0  # the spray valve's mean, 0 to 1
    due_ml_min: float = 0.0  # what healthy flow would be now
    pump: float = 0.0  # speed over nominal
    supply_v: float = 0.0
    line_kpa: float = 0.0  # behind the pump, gauge, mean over a stroke
    tank_ml: float = 0.0
    used_ml: float = 0.0  # by nozzles and leaks
    slosh_ml: float = 0.0  # what the swinging fluid adds to the gauge
    slosh_ml_s: float = 0.0
    film_kg: float = 0.0  # liquid on the intake's walls
    sensed_boost_kpa: float = 0.0
    sensed_intake_c: float = 0.0
    sensed_dry_c: float = 0.0
    sensed_line_kpa: float = 0.0
    flow_reading_ml_min: float = 0.0


@dataclass(slots=True)
class Rates(Continuous):
    """How fast each of them changes, a second."""


@dataclass(slots=True)
class State(Continuous):
    """All that a car is and remembers."""

    time_s: float = 0.0  # since the start
    ticks: int = 0  # internal steps done
    left_range: int = 0  # which of ``kernel.RANGES`` did, counted from 1; 0: none

    # driver
    step: int = 0  # of the script
    engaged: int = -1  # the step whose gear was put in
    shift_left_s: float = 0.0
    gear: int = 0
    next_gear: int = 0
    pedal: float = 0.0  # 0 to 1
    lifted: float = 0.0  # 1: the pedal stays shut and the gear in, whatever the script says
    brake_m_s2: float = 0.0
    clutch_open: float = 0.0  # 0 or 1
    shift_draw: float = 0.0  # unit normal
    accel_m_s2: float = 0.0  # of the car

    # air
    dry_c: float = 0.0  # behind the intercooler
    charge_c: float = 0.0  # at the valves
    compressor_k: float = 0.0  # out of the compressor
    drawn_kg_s: float = 0.0  # air, were there no vapour
    air_kg_s: float = 0.0  # air
    compressor_kg_s: float = 0.0
    throttle_kg_s: float = 0.0
    bypass_kg_s: float = 0.0
    aim_kpa: float = 0.0  # of the boost controller, gauge
    boost_kpa: float = 0.0  # gauge
    back_kpa: float = 0.0  # in the exhaust, absolute

    # fuel and torque
    petrol_kg_s: float = 0.0
    duty_pct: float = 0.0  # of the injectors
    lambda_ratio: float = 0.0
    torque_nm: float = 0.0  # at the crank

    # spray
    asked_share: float = 0.0  # of full flow
    primed: float = 0.0  # 1: the controller has the pump running
    commanded_ml_min: float = 0.0
    nozzle_ml_min: float = 0.0  # out of the nozzles
    metered_ml_min: float = 0.0  # through the flow meter
    leaked_ml_min: float = 0.0
    air_share: float = 0.0  # of what the pump draws
    vapour_water_kg_s: float = 0.0
    vapour_methanol_kg_s: float = 0.0
    liquid_water_kg_s: float = 0.0
    liquid_methanol_kg_s: float = 0.0
    end_c: float = 0.0  # where the spray leaves the charge: the next step's guess
    end_water_kg_kg: float = 0.0
    end_methanol_kg_kg: float = 0.0

    # sensors
    stroke: float = 0.0  # of the pump, up to 1
    rotor: float = 0.0  # of the flow meter's wheel, pulses
    last_pulse_s: float = 0.0
    pulse_ml_min: float = 0.0  # flow by the last pulses
    boost_error_kpa: float = 0.0
    flow_noise: float = 0.0  # slow noise, of unit size
    boost_noise: float = 0.0
    line_noise: float = 0.0
    aim_noise: float = 0.0

    # engine controller and knock
    retard_deg: float = 0.0  # from outside, in force
    done_deg: float = 0.0  # what is done of it
    ceiling_kpa: float = 0.0  # from outside, in force, gauge
    knock_deg: float = 0.0  # the controller's own retard
    knock_hold_s: float = 0.0
    tip_in_deg: float = 0.0
    spark_deg: float = 0.0  # before top dead centre
    best_deg: float = 0.0  # for torque
    torque_share: float = 0.0  # of that at best timing
    heat_limit_deg: float = 0.0  # of retard
    heat_rise_k: float = 0.0  # of the exhaust by late timing
    engine_phase: float = 0.0  # combustions, up to 1
    events: float = 0.0  # combustions
    cycle_at: int = 0  # next draw for a combustion
    intensity: float = 0.0  # largest knock of this sample

    # what the run is judged by
    harm: float = 0.0  # sum of knock intensity
    knocks: float = 0.0
    heavy_knocks: float = 0.0
    peak_charge_c: float = 0.0
    peak_exhaust_c: float = 0.0  # of the metal
    peak_boost_kpa: float = 0.0  # gauge
    missing: float = 0.0  # share of the healthy flow

    # what the faults do at this moment; see ``faults.heal`` for "nothing"
    pump_drive: float = 0.0  # 0 or 1
    pump_asked: float = 0.0  # its speed, over nominal, where that follows the command
    pump_left: float = 0.0  # share of its pressure
    supply_left: float = 0.0  # share of its voltage under load
    nozzles_left: float = 0.0  # share of their conductance
    split_before: float = 0.0  # conductance over the nozzles', ahead of the meter
    split_after: float = 0.0  # behind the meter
    air: float = 0.0  # share of what the pump draws, with fluid left
    siphon: float = 0.0  # share of the nozzles' opening
    stuck_open: float = 0.0  # the valve's least opening
    stuck_shut: float = 0.0  # share of its opening it fails to do
    silent: float = 0.0  # 1: the spray controller commands nothing
    wrong_mix: float = 0.0  # share of the methanol that is water
    drain: float = 0.0  # out of the tank
    bypass_open: float = 0.0  # share by which its pressure is lower
    retard_ignored: float = 0.0  # share
    cut_ignored: float = 0.0  # 0 or 1
    overboost: float = 0.0  # share above the aim
    orders_late_s: float = 0.0
    cooler_blocked: float = 0.0  # share of its wind
    petrol_short: float = 0.0  # share

    # the way to the guard
    row_count: float = 0.0
    newest_s: float = 0.0  # when the last row came
    unplugged: float = 0.0  # 1: nothing comes; 2: the log is cut
    clock_offset_s: float = 0.0
    have_held_back: float = 0.0  # 1: ``back_row`` is still to come
    pending: int = 0  # rows of ``late_rows``
    held: list[float] = block(CHANNEL_NAMES)  # last reading, for sensors that stick
    next_read_s: list[float] = block(CHANNEL_NAMES)  # when a slow one is read again
    back_row: list[float] = block(range(ROW_WIDTH))  # one row, to come out of order
    late_rows: list[float] = block(range(MOST_LATE * ROW_WIDTH))  # on a slow wire

    # rings of what is under way, by internal step
    valves: list[float] = block(range(RING))  # opening the spray controller asked for
    dues_ml_min: list[float] = block(range(RING))  # healthy flow that follows it
    flows_ml_min: list[float] = block(range(RING))  # on its way to the meter
    retards_deg: list[float] = block(range(RING))  # asked for from outside
    ceilings_kpa: list[float] = block(range(RING))  # asked for from outside, gauge
