"""What nozzles and pump can deliver against boost, at a supply voltage: by the rules' hydraulics.

A plan tells what the guard will expect. The plant has hydraulics of its own, which a test holds
this against.
"""

from dataclasses import dataclass
from math import inf, pi, sqrt
from typing import Final

from rules.facts import Nozzle, Rig
from rules.step.from_rig import constants_of, nozzle_conductance
from rules.step.hydraulics import flow_at_ml_min
from simulator.rig.mix import WATER_KG_M3

RATED_V: Final = 13.6  # at which a pump's curve is taken to hold; common practice, no source
SUPPLY_V: Final = (13.6, 12.6, 11.6)  # a healthy supply, a volt lost on the way, two
HOLE_CD: Final = 0.62  # of a sharp-edged hole; Crane TP-410


@dataclass(frozen=True, slots=True)
class Delivered:
    """A healthy system at full command, against one boost.

    Attributes:
        boost_kpa: Gauge.
        flow_ml_min: All nozzles together.
        line_kpa: Pressure behind the pump, gauge.
        across_kpa: Pressure across the nozzles.
        pump_ml_min: What the pump could give at that pressure; what is more than the flow goes
            back through the regulator.
        regulated: Whether a regulator holds the pressure, or the pump's own curve ends it.
    """

    boost_kpa: float
    flow_ml_min: float
    line_kpa: float
    across_kpa: float
    pump_ml_min: float
    regulated: bool


def delivered(rig: Rig, boost_kpa: float, supply_v: float = RATED_V) -> Delivered:
    """Return what the system delivers, at full command.

    Args:
        rig: The rig.
        boost_kpa: Gauge, above the vacuum of ``ambient_kpa``.
        supply_v: At the pump, 6 V to ``RATED_V``: its speed is taken to go with it.

    Source: ``rules.step.hydraulics``; affinity laws; speed of a direct-current motor in proportion
    to its voltage (common practice, no source).
    """
    k = constants_of(rig)
    speed = supply_v / RATED_V
    flow = flow_at_ml_min(k, boost_kpa, speed)
    back_kpa = boost_kpa + k.check_valve_kpa
    top_kpa = k.shut_off_kpa * speed * speed
    if flow <= 0.0:
        line_kpa = min(top_kpa, k.regulated_kpa)
        return Delivered(boost_kpa, 0.0, line_kpa, 0.0, 0.0, regulated=line_kpa < top_kpa)
    across_kpa = flow * flow / k.conductance_sq
    line_kpa = back_kpa + across_kpa
    pump = rig.spray.pump.free_flow_ml_min * speed * (1.0 - max(line_kpa, 0.0) / top_kpa)
    return Delivered(
        boost_kpa,
        flow,
        line_kpa,
        across_kpa,
        max(pump, flow),
        regulated=line_kpa >= k.regulated_kpa * (1.0 - 1e-9) and k.regulated_kpa < k.shut_off_kpa,
    )


def most_boost_kpa(rig: Rig) -> float:
    """Return the boost against which the healthy pump passes nothing more, kPa gauge."""
    pump = rig.spray.pump
    return min(pump.shut_off_kpa, pump.regulated_kpa) - rig.spray.check_valve_kpa


def highest_line_kpa(rig: Rig) -> float:
    """Return the highest pressure hoses and fittings see once the regulator fails, kPa gauge."""
    return rig.spray.pump.shut_off_kpa


def ignoring_boost_pct(rig: Rig, at: Delivered) -> float:
    """Return by how much flow is overstated by who leaves the boost out, percent.

    Source: square-root law, at the same line pressure.
    """
    dry_kpa = at.line_kpa - rig.spray.check_valve_kpa
    return 100.0 * (sqrt(dry_kpa / at.across_kpa) - 1.0) if at.across_kpa > 0.0 else inf


def scaled(rated: float, rated_kpa: float, line_kpa: float, boost_kpa: float) -> float:
    """Return a nozzle's flow from its rating, on the liquid it was rated on, in the rating's unit.

    Args:
        rated: Its flow, at ``rated_kpa`` across it.
        rated_kpa: > 0.
        line_kpa: Pressure ahead of it, gauge, at least ``boost_kpa``.
        boost_kpa: Behind it, gauge.

    Source: square-root law.
    """
    return rated * sqrt((line_kpa - boost_kpa) / rated_kpa)


def rating_ml_min(rig: Rig) -> float:
    """Return what all nozzles together pass on water at the first one's rated pressure, mL/min."""
    nozzles = rig.spray.nozzles
    return sum(
        one.count * scaled(one.rated_ml_min, one.rated_kpa, nozzles[0].rated_kpa, 0.0)
        for one in nozzles
    )


def rating_for(flow_ml_min: float, across_kpa: float, rated_kpa: float, kg_m3: float) -> float:
    """Return the rating (on water, all nozzles together) that passes a flow, mL/min.

    Args:
        flow_ml_min: Wanted flow of the mix, >= 0.
        across_kpa: Pressure across the nozzles, > 0.
        rated_kpa: Pressure at which nozzles are rated, > 0.
        kg_m3: Density of the mix, > 0.

    Source: square-root law; at equal pressure volume flow goes with 1 / sqrt(density).
    """
    return flow_ml_min * sqrt(rated_kpa / across_kpa) * sqrt(kg_m3 / WATER_KG_M3)


def orifice_ml_min(hole_mm: float, across_kpa: float, kg_m3: float, cd: float = HOLE_CD) -> float:
    """Return the flow through a round hole, mL/min.

    Args:
        hole_mm: Its diameter, > 0.
        across_kpa: Pressure across it, >= 0.
        kg_m3: Density of the liquid, > 0.
        cd: Discharge coefficient, 0.5 to 1.

    Source: Q = Cd A sqrt(2 dp / rho), e.g. Crane TP-410.
    """
    area_m2 = 0.25 * pi * (1e-3 * hole_mm) ** 2
    return cd * area_m2 * sqrt(2.0 * 1e3 * across_kpa / kg_m3) * 60e6


def hole_mm(nozzle: Nozzle) -> float:
    """Return the hole that a nozzle's rating speaks for, mm: what its filter must be finer than."""
    return sqrt(nozzle.rated_ml_min / orifice_ml_min(1.0, nozzle.rated_kpa, WATER_KG_M3))


def siphon_ml_min(rig: Rig, vacuum_kpa: float) -> float:
    """Return what a manifold's vacuum draws through a pump at rest, mL/min.

    Args:
        rig: The rig.
        vacuum_kpa: Below the air outside, >= 0.

    Source: square-root law, once the check valve's own pressure is overcome.
    """
    over_kpa = vacuum_kpa - rig.spray.check_valve_kpa
    return nozzle_conductance(rig) * sqrt(over_kpa) if over_kpa > 0.0 else 0.0


def clearance_ml(rig: Rig) -> float:
    """Return the volume left in a cylinder at top dead centre, mL: liquid beyond it locks it.

    Source: definition of the compression ratio.
    """
    engine = rig.engine
    return 1e3 * engine.displacement_l / engine.cylinders / (engine.compression_ratio - 1.0)
