"""What a run really did, for whoever judges a guard by it."""

from dataclasses import dataclass
from math import inf
from typing import Final

from rules.step.vector import Vector
from simulator.plant import layout as at

# Column in a log with the truth, and where it stands in the state.
TRUTH_COLUMNS: Final = {
    "true_flow_ml_min": at.S_NOZZLE,
    "true_due_ml_min": at.S_DUE,
    "true_missing": at.S_MISSING,
    "true_boost_kpa": at.S_BOOST_KPA,
    "true_line_kpa": at.S_LINE_KPA,
    "true_tank_ml": at.S_TANK_ML,
    "true_charge_c": at.S_CHARGE_C,
    "true_exhaust_c": at.S_HOT_C,
    "true_torque_nm": at.S_TORQUE_NM,
    "true_timing_deg": at.S_SPARK_DEG,
    "true_retard_deg": at.S_RETARD_DEG,
    "true_ceiling_kpa": at.S_CEILING_KPA,
    "true_knock_intensity": at.S_INTENSITY,
    "true_harm": at.S_HARM,
    "true_knocks": at.S_KNOCKS,
}


@dataclass(frozen=True, slots=True)
class Truth:
    """What is really happening; no sensor in between.

    Attributes:
        time_s: Time since the start, seconds.
        flow_ml_min: Flow out of the nozzles.
        missing: Share of the healthy flow that is missing, 0 to 1.
        boost_kpa: Manifold pressure, gauge.
        line_kpa: Line pressure behind the pump, gauge.
        tank_ml: Fluid left.
        charge_c: Charge temperature, degC.
        harm: Cumulative knock intensity: the sum over knocking cycles, 1 being clearly audible.
        knocks: Knocking cycles so far.
        heavy_knocks: Those that hurt.
        retard_deg: Retard from outside in force, degrees.
        ceiling_kpa: Boost ceiling from outside in force, kPa gauge.
        faults: Names of the active faults.
    """

    time_s: float = 0.0
    flow_ml_min: float = 0.0
    missing: float = 0.0
    boost_kpa: float = 0.0
    line_kpa: float = 0.0
    tank_ml: float = 0.0
    charge_c: float = 20.0
    harm: float = 0.0
    knocks: int = 0
    heavy_knocks: int = 0
    retard_deg: float = 0.0
    ceiling_kpa: float = inf
    faults: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Report:
    """What a whole run cost.

    Attributes:
        harm: Cumulative knock intensity.
        knocks: Knocking cycles.
        heavy_knocks: Those that hurt.
        work_kj: Work at the crank.
        peak_charge_c: Hottest charge.
        peak_exhaust_c: Hottest exhaust manifold.
        peak_boost_kpa: Highest boost, gauge.
        used_ml: Fluid that left by nozzles and leaks.
    """

    harm: float
    knocks: int
    heavy_knocks: int
    work_kj: float
    peak_charge_c: float
    peak_exhaust_c: float
    peak_boost_kpa: float
    used_ml: float


def report_of(s: Vector) -> Report:
    """Return the report of the run that led to a state."""
    return Report(
        harm=float(s[at.S_HARM]),
        knocks=int(s[at.S_KNOCKS]),
        heavy_knocks=int(s[at.S_HEAVY_KNOCKS]),
        work_kj=float(s[at.S_WORK_KJ]),
        peak_charge_c=float(s[at.S_PEAK_CHARGE_C]),
        peak_exhaust_c=float(s[at.S_PEAK_HOT_C]),
        peak_boost_kpa=float(s[at.S_PEAK_BOOST_KPA]),
        used_ml=float(s[at.S_USED_ML]),
    )
