"""What healthy spray is due to show elsewhere: in the line's pressure and in the mixture."""

from math import nan
from typing import Final

from rules.channels import ENGINE_SPEED
from rules.facts import Rig
from rules.step.constants import Constants
from rules.step.hydraulics import full_flow_ml_min
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
    """Return the mean line pressure of the healthy system at this command and boost, kPa gauge.

    A valve that opens for a share of the time holds the pump's shut pressure in the rest of it.
    ``k`` are the rig's constants. NaN where too little is commanded to be sure.
    """
    full = full_flow_ml_min(k, d.boost_kpa)
    if full <= 0.0 or d.commanded_ml_min < 0.4 * full:
        return nan
    share = min(d.commanded_ml_min / full, 1.0)
    open_kpa = d.boost_kpa + k.check_valve_kpa + full * full / k.conductance_sq
    return share * open_kpa + (1.0 - share) * min(k.shut_off_kpa, k.regulated_kpa)
