"""What a run really did, for whoever judges a guard by it."""

from dataclasses import dataclass
from typing import Final

from simulator.logfile import TRUTH_COLUMNS
from simulator.plant.state import State

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
        s.gear * 1.0,  # compiled, a row is of one kind of number
        s.road_m_s * 3.6,
    )


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
