"""What a run really did, for whoever judges a guard by it."""

from dataclasses import dataclass
from math import inf
from typing import Final

from simulator.plant.state import State

# The columns of a log with the truth; see ``truth_row``.
TRUTH_COLUMNS: Final = (
    "true_flow_ml_min",
    "true_due_ml_min",
    "true_missing",
    "true_boost_kpa",
    "true_line_kpa",
    "true_tank_ml",
    "true_charge_c",
    "true_exhaust_c",
    "true_torque_nm",
    "true_timing_deg",
    "true_retard_deg",
    "true_ceiling_kpa",
    "true_knock_intensity",
    "true_harm",
    "true_knocks",
)
TRUTH_NAMES: Final = ("time_s", *TRUTH_COLUMNS)


def truth_row(s: State) -> tuple[float, ...]:
    """Return what is true now, in the order of ``TRUTH_NAMES``."""
    return (
        s.time_s,
        s.nozzle_ml_min,
        s.due_ml_min,
        s.missing,
        s.boost_kpa,
        s.line_kpa,
        s.tank_ml,
        s.charge_c,
        s.exhaust_c,
        s.torque_nm,
        s.spark_deg,
        s.retard_deg,
        s.ceiling_kpa,
        s.intensity,
        s.harm,
        s.knocks,
    )


@dataclass(frozen=True, slots=True)
class Truth:
    """What is really happening; no sensor in between.

    Attributes:
        time_s: Time since the start, seconds.
        flow_ml_min: Flow out of the nozzles.
        missing: Share of the healthy flow that is missing, 0 to 1.
        boost_kpa: Manifold pressure, gauge.
        line_kpa: Line pressure behind the pump, gauge, mean over a stroke.
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


def report_of(s: State) -> Report:
    """Return the report of the run that led to a state."""
    return Report(
        harm=float(s.harm),
        knocks=int(s.knocks),
        heavy_knocks=int(s.heavy_knocks),
        work_kj=float(s.work_kj),
        peak_charge_c=float(s.peak_charge_c),
        peak_exhaust_c=float(s.peak_exhaust_c),
        peak_boost_kpa=float(s.peak_boost_kpa),
        used_ml=float(s.used_ml),
    )
