"""What healthy spray is due to show elsewhere: in the line's pressure and in the mixture."""

from math import nan
from typing import Final

from rules.channels import ENGINE_SPEED
from rules.facts import Rig
from rules.step import hydraulics
from rules.step.constants import Constants
from rules.step.hydraulics import full_flow_ml_min
from rules.step.line import LEAST_COMMAND
from rules.step.state import Decision

_METHANOL_AIR: Final = 6.46  # kg of air to burn 1 kg of methanol: its formula
_AIR_J_KG_K: Final = 287.05  # ICAO standard atmosphere
_CHARGE_K: Final = 310.0  # near enough for the share of spray in the air


def methanol_due(rig: Rig, d: Decision) -> float:
    """Return the air that the methanol now expected needs, over the air drawn.

    It is methanol's part of 1/lambda. ``rig`` gives engine and spray, ``d`` boost, engine speed
    (> 0) and expected flow.

    Source: ideal gas, one displacement every second turn; stoichiometry of methanol.
    """
    engine, spray = rig.engine, rig.spray
    pressure_pa = 1e3 * max(engine.ambient_kpa + d.boost_kpa, 1.0)
    drawn_m3_s = engine.displacement_l * 1e-3 * d.value[ENGINE_SPEED] / 120.0
    air_kg_s = engine.volumetric_efficiency * drawn_m3_s * pressure_pa / (_AIR_J_KG_K * _CHARGE_K)
    fluid_kg_s = d.expected_ml_min / 60.0 * 1e-6 * spray.fluid_kg_m3
    return _METHANOL_AIR * 0.01 * spray.methanol_mass_pct * fluid_kg_s / air_kg_s


def line_due_kpa(k: Constants, d: Decision) -> float:
    """Return the healthy system's mean line pressure at this command and boost, kPa gauge.

    ``k`` are the rig's constants. NaN where too little is commanded to be sure.
    """
    full = full_flow_ml_min(k, d.boost_kpa)
    if full <= 0.0 or d.commanded_ml_min < LEAST_COMMAND * full:
        return nan
    return hydraulics.line_due_kpa(k, d.boost_kpa, d.commanded_ml_min, full)
