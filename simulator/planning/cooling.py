"""How far spray cools the charge, where the air takes no more, and what that may be worth in knock.

Every answer is a band: how much of the spray has evaporated by the inlet valve isn't known, and
published sensitivities of knock differ by a factor of two.
"""

from dataclasses import dataclass
from typing import Final

from rules.facts import Charger, Rig
from simulator.plant.air import ZERO_C_K, compressor_outlet_k, intercooler_outlet_k
from simulator.plant.charging import UNCOOLED_K
from simulator.plant.evaporation import charge_after, in_cylinder_drop_k
from simulator.plant.mixture import AIR_G_MOL, WATER_G_MOL, water_vapour_kpa

HUMIDITY_KG_KG: Final = 0.006  # vapour in the air outside, a mild day; common practice, no source
EVAPORATES: Final = (0.3, 1.0)  # by the inlet valve; common practice, no source
IN_CYLINDER: Final = (0.5, 0.8)  # of the rest, in gas and not off metal; common practice, no source
EFFICIENCY: Final = {  # isentropic; common practice, no source
    Charger.TURBOCHARGER: 0.70,
    Charger.CENTRIFUGAL: 0.70,
    Charger.DISPLACEMENT: 0.60,
}
COOLER: Final = 0.70  # an intercooler's effectiveness; common practice, no source
K_PER_OCTANE: Final = (7.0, 13.0)  # Russ, SAE 960497; road studies (Hamilton, Gasoline FAQ)
DEG_PER_OCTANE: Final = 1.0  # Russ, within a factor of two
OCTANE_PER_10_KPA: Final = (3.0, 4.0)  # of intake pressure; Russ
_MOST_KG_KG: Final = 0.2


def assumed_charge_c(rig: Rig, boost_kpa: float, ambient_c: float) -> float:
    """Return the dry charge's temperature where nobody measured it, degC.

    Args:
        rig: The rig.
        boost_kpa: Gauge.
        ambient_c: Air outside, degC, -20 to 50.

    Source: isentropic compression at ``EFFICIENCY`` behind an intercooler of effectiveness
    ``COOLER``; where nothing boosts, what a manifold warms its air by (common practice, no source).
    """
    charger = rig.engine.charger
    if charger is Charger.NONE or boost_kpa <= 0.0:
        return ambient_c + UNCOOLED_K
    inlet_k = ambient_c + ZERO_C_K
    ratio = 1.0 + boost_kpa / rig.engine.ambient_kpa
    hot_k = compressor_outlet_k(inlet_k, ratio, EFFICIENCY[charger])
    return intercooler_outlet_k(hot_k, inlet_k, COOLER) - ZERO_C_K


def assumed_humidity_kg_kg(rig: Rig, ambient_c: float) -> float:
    """Return the vapour in the air outside: a mild day's, or no more than cold air holds.

    Args:
        rig: The rig.
        ambient_c: Air outside, degC, -20 to 50.

    Source: ``HUMIDITY_KG_KG``; humidity ratio at saturation (ASHRAE Handbook Fundamentals, ch. 1).
    """
    kpa = water_vapour_kpa(ambient_c)
    return min(HUMIDITY_KG_KG, WATER_G_MOL / AIR_G_MOL * kpa / (rig.engine.ambient_kpa - kpa))


@dataclass(frozen=True, slots=True)
class Air:
    """The dry charge and the liquid that is sprayed into it.

    Attributes:
        dry_c: Charge before the spray, degC, 0 to 150.
        pressure_kpa: Absolute, 20 to 500.
        methanol_share: Of the liquid, by mass, 0 to 1.
        humidity_kg_kg: Vapour the air brought along, kg per kg of dry air, 0 to 0.05.
        liquid_c: Liquid as sprayed, degC, -20 to 80.
    """

    dry_c: float
    pressure_kpa: float
    methanol_share: float
    humidity_kg_kg: float
    liquid_c: float

    def after(self, kg_kg: float) -> tuple[float, float]:
        """Return where so much spray leaves the charge, and what of it evaporates.

        Args:
            kg_kg: Liquid given all the time it needs, kg per kg of dry air, 0 to 0.2.

        Returns:
            Charge in degC, and the liquid that evaporated, kg per kg.

        Source: ``simulator.plant.evaporation.charge_after`` (ASHRAE enthalpies, equilibrium).
        """
        methanol = self.methanol_share * kg_kg
        end_c, water_out, methanol_out = charge_after(
            self.dry_c,
            self.pressure_kpa,
            kg_kg - methanol,
            methanol,
            self.humidity_kg_kg,
            self.liquid_c,
            self.dry_c,
            0.0,
            0.0,
        )
        return end_c, water_out + methanol_out

    def saturates_at(self) -> tuple[float, float]:
        """Return the most spray that evaporates whole, kg per kg, and the charge then, degC.

        More water cools no further; of more methanol a little still evaporates.
        """
        low, high = 0.0, _MOST_KG_KG
        for _ in range(40):
            middle = 0.5 * (low + high)
            whole = self.after(middle)[1] >= middle * (1.0 - 1e-9)
            low, high = (middle, high) if whole else (low, middle)
        return low, self.after(low)[0]


def intake_drop_k(air: Air, kg_kg: float, evaporates: float) -> float:
    """Return how far spray cools the charge by the inlet valve, K.

    Args:
        air: Charge and liquid.
        kg_kg: Sprayed, kg per kg of dry air, 0 to 0.2.
        evaporates: Share of it that has the time to, 0 to 1.
    """
    return air.dry_c - air.after(evaporates * kg_kg)[0]


def all_drop_k(air: Air, kg_kg: float, evaporates: float, in_cylinder: float) -> float:
    """Return how far it cools the charge in all, in the cylinder too, K.

    Args:
        air: Charge and liquid.
        kg_kg: Sprayed, kg per kg of dry air, 0 to 0.2.
        evaporates: Share that has the time to by the inlet valve, 0 to 1.
        in_cylinder: Share of the rest that evaporates in the gas, 0 to 1.

    Source: ``simulator.plant.evaporation.in_cylinder_drop_k`` for what passes the valve.
    """
    end_c, gone = air.after(evaporates * kg_kg)
    left = max(kg_kg - gone, 0.0)
    methanol = air.methanol_share * left
    return air.dry_c - end_c + in_cylinder_drop_k(left - methanol, methanol, in_cylinder)


def octane_band(least_k: float, most_k: float) -> tuple[float, float]:
    """Return what cooling by ``least_k`` to ``most_k`` (K) is worth, octane numbers.

    Source: one number for 7 K (Russ, SAE 960497) to 13 K (road studies, Hamilton's FAQ).
    """
    return least_k / K_PER_OCTANE[1], most_k / K_PER_OCTANE[0]


def boost_worth_kpa(octane: tuple[float, float]) -> tuple[float, float]:
    """Return the boost that takes as many octane numbers, kPa: 3 to 4 for 10 kPa (Russ)."""
    least, most = OCTANE_PER_10_KPA
    return 10.0 * octane[0] / most, 10.0 * octane[1] / least
