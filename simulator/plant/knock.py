"""Knock: how much octane the engine has to spare, and what the controller's retard reports."""

from typing import Final

from rules.facts import Paid

# Russ, SAE 960497 (1996): borderline spark moves 1 octane number per degree, and one per 7 K of
# intake temperature. One study; other data give 7 to 13 K.
_K_PER_ON: Final = 7.0
_ON_PER_DEG: Final = 1.0
_ON_PER_KPA: Final = 0.35  # same source: 3 to 4 per 10 kPa of intake pressure
_RAISE_PER_S: Final = 7.0  # how fast the engine controller retards, per degree short
_RELEASE_DEG_S: Final = 3.0
_MOST_RETARD_DEG: Final = 9.0
_AT_EASE_DEG: Final = 0.4


def paid_deg(paid: Paid, boost_kpa: float) -> float:
    """Return the timing the tune added for spray at this boost, degrees (ends held).

    Args:
        paid: The rig's table, boosts rising.
        boost_kpa: kPa gauge.
    """
    axis = paid.boost_kpa
    value = paid.timing_deg
    if not axis or boost_kpa <= axis[0]:
        return value[0] if value else 0.0
    for i in range(len(axis) - 1):
        if boost_kpa < axis[i + 1]:
            part = (boost_kpa - axis[i]) / (axis[i + 1] - axis[i])
            return value[i] + part * (value[i + 1] - value[i])
    return value[-1]


class Knock:
    """Octane margin and the engine controller's knock control.

    The tune spends at each boost the timing its table says, and was made on a day with a reference
    charge temperature, at a margin of ``spare_deg``. Spray earns octane numbers by cooling the
    charge and by what evaporates in the cylinder or burns as methanol (``on_per_g_kg`` for each
    gram per kg of air, chosen by the caller so that full spray at full boost earns what the tune
    spends there).

    Attributes:
        margin_deg: Degrees to borderline knock without the controller's own retard.
        retard_deg: Retard the controller takes for knock, 0 to 9 degrees: the knock channel.
        harm: Cumulative knock intensity: integral of the degrees past borderline, deg s.
    """

    __slots__ = ("_on_per_g_kg", "_paid", "_spare_deg", "harm", "margin_deg", "retard_deg")

    def __init__(self, paid: Paid, spare_deg: float, on_per_g_kg: float) -> None:
        self._paid = paid
        self._spare_deg = spare_deg
        self._on_per_g_kg = on_per_g_kg
        self.margin_deg = spare_deg
        self.retard_deg = 0.0
        self.harm = 0.0

    def step(
        self,
        dt_s: float,
        *,
        boost_kpa: float,
        over_kpa: float,
        cooling_k: float,
        hotter_k: float,
        spray_g_kg: float,
        timing_retard_deg: float,
        scatter_deg: float,
    ) -> None:
        """Advance by one step.

        Args:
            dt_s: Step, seconds.
            boost_kpa: True boost, kPa gauge.
            over_kpa: Boost above what the tune was made for, >= 0.
            cooling_k: What the spray takes off the charge.
            hotter_k: Dry charge above the day of the tune.
            spray_g_kg: Spray, grams per kg of air.
            timing_retard_deg: Retard asked from outside, already in force.
            scatter_deg: Cycle-to-cycle scatter of borderline timing.
        """
        spends_on = paid_deg(self._paid, boost_kpa) * _ON_PER_DEG + _ON_PER_KPA * over_kpa
        earns_on = cooling_k / _K_PER_ON + self._on_per_g_kg * spray_g_kg
        heat_on = max(0.0, hotter_k) / _K_PER_ON
        loaded = 1.0 if boost_kpa > 20.0 else 3.0  # far from knock at light load
        margin_on = earns_on - spends_on - heat_on
        margin = margin_on / _ON_PER_DEG + self._spare_deg * loaded + timing_retard_deg
        self.margin_deg = margin
        short_deg = -(margin + self.retard_deg + scatter_deg)
        if short_deg > 0.0:
            self.retard_deg = min(
                _MOST_RETARD_DEG, self.retard_deg + _RAISE_PER_S * short_deg * dt_s
            )
            self.harm += short_deg * dt_s
        elif short_deg < -_AT_EASE_DEG:
            self.retard_deg = max(0.0, self.retard_deg - _RELEASE_DEG_S * dt_s)


def spray_octane_per_g_kg(earned_on: float, cooling_k: float, spray_g_kg: float) -> float:
    """Return the octane numbers a gram of spray per kg of air earns beside cooling the intake.

    Args:
        earned_on: What full spray earns in all.
        cooling_k: Its cooling of the charge, kelvin.
        spray_g_kg: Full spray, grams per kg of air.

    Returns:
        At least 0.02: spray that evaporates in the cylinder always helps.
    """
    if spray_g_kg <= 0.0:
        return 0.02
    return max(0.02, (earned_on - cooling_k / _K_PER_ON) / spray_g_kg)
