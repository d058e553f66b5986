"""What a run really did, for whoever judges a guard by it."""

from dataclasses import dataclass
from math import inf


@dataclass(slots=True)
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
        knock_harm_deg_s: Cumulative knock intensity: degrees past borderline times seconds.
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
    knock_harm_deg_s: float = 0.0
    retard_deg: float = 0.0
    ceiling_kpa: float = inf
    faults: tuple[str, ...] = ()
