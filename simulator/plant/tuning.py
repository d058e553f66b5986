"""The tune: timing with healthy spray, worked out as a calibrator would on a dyno.

At each boost and speed the borderline of knock is found dry and with the spray on, on the day of
the tune. Timing is what the engine takes dry, less a margin, plus what the rig says the spray paid
for; but never nearer to borderline with spray than the same margin, nor beyond best torque. One
number of the engine cannot be known from a rig: how much of the liquid that enters a cylinder cools
gas rather than metal. It is chosen so that full spray at full boost buys a little more than that.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import nan
from typing import Final

from rules.facts import Rig
from rules.step.arithmetic import interpolate
from simulator.plant.air import GAS_CONSTANT_J_KG_K, ZERO_C_K, compressor_outlet_k
from simulator.plant.autoignition import borderline_btdc_deg
from simulator.plant.charge import WALL_SHARE, steam, wall_k
from simulator.plant.charging import (
    NO_CHARGER,
    UNCOOLED_K,
    breathing,
    cooler_effectiveness,
)
from simulator.plant.combustion import best_torque_btdc_deg
from simulator.plant.constants import Constants
from simulator.plant.engine import METHANOL_AIR, STOICHIOMETRIC, full_load_share
from simulator.plant.hydraulics import flow_at_speed, full_flow_ml_min
from simulator.plant.ignition import conditions
from simulator.plant.script import Do, Scenario, Step
from simulator.plant.sizing import size, soonest_s
from simulator.plant.spray_control import command_share
from simulator.plant.state import State

MARGIN_DEG: Final = 3.0  # short of borderline, dry or with healthy spray
SPARE_DEG: Final = 1.0  # what full spray buys beyond what the tune spends
REFERENCE_C: Final = 24.0  # the day of the tune
_CORE_K: Final = 18.0  # intercooler above the air outside: not the first pull of that day
_EXHAUST_K: Final = 1120.0
_LEAST: Final = 0.10  # in-cylinder share
_MOST: Final = 1.0
_HALVINGS: Final = 8
_SPEEDS: Final = (0.30, 0.45, 0.62, 0.80, 1.0)  # of redline
_BOOSTS: Final = (0.0, 0.3, 0.6, 0.85, 1.0, 1.12)  # of peak boost
_UNBOOSTED: Final = (-60.0, -40.0, -25.0, -17.0, -10.0, -5.0, 0.0)  # kPa, where nothing boosts
_AT_SPEED: Final = 0.75
_NEAR_DEG: Final = 0.1


@dataclass(frozen=True, slots=True)
class Spent:
    """What the rig says the spray paid for at a boost, and what it can pay for in this car.

    Attributes:
        boost_kpa: Boost, gauge.
        claimed_deg: Timing the rig says was added for spray.
        bought_deg: Timing that can be added, at 0.75 of redline with all the spray that is
            commanded there: to the margin before knock, and no further than best torque.
    """

    boost_kpa: float
    claimed_deg: float
    bought_deg: float

    @property
    def too_much(self) -> bool:
        """Whether more was claimed than can be bought: the tune stops at the latter."""
        return self.claimed_deg > self.bought_deg + _NEAR_DEG

    def in_words(self) -> str:
        """Return what was claimed against what can be bought, in one clause."""
        return (
            f"timing {self.claimed_deg:z.1f} deg at {self.boost_kpa:z.0f} kPa is more than this "
            f"spray buys on this fuel: {max(self.bought_deg, 0.0):z.1f} deg, and the simulated car "
            "is tuned no further"
        )


@dataclass(frozen=True, slots=True)
class Tune:
    """What the calibrator found.

    Attributes:
        in_cylinder: Share of liquid in the cylinder that cools gas.
        boost_kpa: Boost of each row, kPa gauge.
        speed_rpm: Speed of each column.
        timing_deg: Timing, rows by boost, degrees before top dead centre.
        bought_deg: What full spray moves borderline by at full boost and 0.75 of redline.
        spent: For each boost at which the rig claims timing for spray, up to full boost.
        soonest_s: Delay and lag that valve and flow meter alone give the flow reading, seconds.
    """

    in_cylinder: float
    boost_kpa: tuple[float, ...]
    speed_rpm: tuple[float, ...]
    timing_deg: tuple[float, ...]
    bought_deg: float
    spent: tuple[Spent, ...]
    soonest_s: tuple[float, float]

    @property
    def overdrawn(self) -> Spent | None:
        """Where the rig claims most beyond what its spray buys; None where it does nowhere."""
        found = [one for one in self.spent if one.too_much]
        return max(found, key=lambda one: one.claimed_deg - one.bought_deg, default=None)


def put(k: Constants, tune: Tune) -> None:
    """Put a tune into a car's constants."""
    k.in_cylinder = tune.in_cylinder
    k.tune_kpa = list(tune.boost_kpa)
    k.tune_rpm = list(tune.speed_rpm)
    k.tune_deg = list(tune.timing_deg)


@lru_cache(maxsize=64)
def tune(rig: Rig, peak_boost_kpa: float | None) -> Tune:
    """Tune a car of this rig for a boost (None: the top of the rig's timing table)."""
    asked = nan if peak_boost_kpa is None else peak_boost_kpa
    day = Scenario(
        "tune", "", rig, (Step(Do.IDLE, 1.0),), peak_boost_kpa=asked, ambient_c=REFERENCE_C
    )
    k = size(rig, day, 0)
    peak = max(k.peak_kpa, 0.0) if k.charger != NO_CHARGER else k.peak_kpa
    speed = _AT_SPEED * k.redline_rpm
    table = max(1, k.paid_points)
    paid = interpolate(peak, k.paid_kpa, k.paid_deg, table)
    low, high = _LEAST, _MOST
    for _ in range(_HALVINGS):
        k.in_cylinder = 0.5 * (low + high)
        bought = _borderline_deg(k, peak, speed, 1.0)[0] - _borderline_deg(k, peak, speed, 0.0)[0]
        if bought > paid + SPARE_DEG:
            high = k.in_cylinder
        else:
            low = k.in_cylinder
    boosts = (-40.0, *(share * max(peak, 20.0) for share in _BOOSTS))
    if k.charger == NO_CHARGER:
        boosts = _UNBOOSTED
    speeds = tuple(share * k.redline_rpm for share in _SPEEDS)
    timing = []
    for boost in boosts:
        for rpm in speeds:
            wet, best = _borderline_deg(k, boost, rpm, 1.0)
            dry, _ = _borderline_deg(k, boost, rpm, 0.0)
            added = interpolate(boost, k.paid_kpa, k.paid_deg, table)
            timing.append(min(best, wet - MARGIN_DEG, dry - MARGIN_DEG + added))
    spent = tuple(
        _spent(k, boost, speed)
        for boost in dict.fromkeys((*(b for b in rig.paid.boost_kpa if b < peak), peak))
    )
    claims = tuple(one for one in spent if one.claimed_deg > 0.0)
    return Tune(k.in_cylinder, boosts, speeds, tuple(timing), bought, claims, soonest_s(k))


def _spent(k: Constants, boost_kpa: float, rpm: float) -> Spent:
    table = max(1, k.paid_points)
    claimed = interpolate(boost_kpa, k.paid_kpa, k.paid_deg, table)
    wet, best = _borderline_deg(k, boost_kpa, rpm, 1.0)
    dry, _ = _borderline_deg(k, boost_kpa, rpm, 0.0)
    return Spent(boost_kpa, claimed, min(best, wet - MARGIN_DEG) - (dry - MARGIN_DEG))


def _borderline_deg(
    k: Constants, boost_kpa: float, rpm: float, spray_share: float
) -> tuple[float, float]:
    """Return borderline and best-torque timing in steady state on the day of the tune, degrees.

    Args:
        k: Constants.
        boost_kpa: Boost, kPa gauge.
        rpm: Engine speed.
        spray_share: Of the commanded spray that arrives, 0 to 1.
    """
    s = State()
    manifold_kpa = k.ambient_kpa + boost_kpa
    ambient_k = REFERENCE_C + ZERO_C_K
    ratio = max(1.0, 1.03 * manifold_kpa / k.ambient_kpa)
    volume = k.volumetric_efficiency * breathing(rpm / k.redline_rpm) * k.displacement_m3
    volume *= rpm / 120.0
    about = volume * manifold_kpa * 1e3 / (GAS_CONSTANT_J_KG_K * 320.0)
    peak = max(k.peak_kpa, 0.0)
    load = full_load_share(k, boost_kpa)
    core_k = ambient_k + _CORE_K * load
    hot_k = compressor_outlet_k(ambient_k, ratio, 0.70)
    if k.charger == NO_CHARGER:
        core_k = ambient_k + UNCOOLED_K
        hot_k = ambient_k
    dry_k = hot_k - cooler_effectiveness(k, about) * (hot_k - core_k)
    s.manifold_kpa = manifold_kpa
    s.dry_c = s.end_c = dry_k - ZERO_C_K
    duty = 80.0 * min(1.0, rpm / k.redline_rpm) * load
    share = spray_share * command_share(k, boost_kpa, duty)
    full = full_flow_ml_min(k, boost_kpa)
    if k.follows_command > 0.0 and k.fixed_ml_min >= full:
        full, share = flow_at_speed(k, share, boost_kpa), 1.0
    sprayed = share * min(full, k.fixed_ml_min) * k.density_kg_m3 * 1e-6 / 60.0
    methanol = k.methanol
    drop_k = water = spirit = 0.0
    for _ in range(4):  # a cooler charge is more air, and so less spray for each of it
        charge_k = dry_k - drop_k
        s.drawn_kg_s = volume * manifold_kpa * 1e3 / (GAS_CONSTANT_J_KG_K * charge_k)
        offered = sprayed / s.drawn_kg_s
        if offered > 0.0:
            across = max(50.0, 0.9 * k.shut_off_kpa - boost_kpa)
            if k.crack_kpa < 1e9:
                across = k.crack_kpa - boost_kpa - k.check_kpa
            s.drop_k = drop_k
            water, spirit, drop_k = steam(k, s, offered, methanol, sprayed, across, WALL_SHARE)
    petrol = (1.0 - (1.0 - k.rich_petrol) * load) / STOICHIOMETRIC
    lam = 1.0 / (STOICHIOMETRIC * petrol + METHANOL_AIR * offered * methanol)
    closing_k, burn_deg, octane = conditions(
        k,
        rpm,
        manifold_kpa,
        k.ambient_kpa + 0.7 * max(0.0, boost_kpa),
        charge_k - ZERO_C_K if offered == 0.0 else dry_k - drop_k - ZERO_C_K,
        # A pull is too short for the walls to get as hot as they would.
        0.5 * (wall_k(0.2) + wall_k(manifold_kpa / (k.ambient_kpa + peak))),
        _EXHAUST_K,
        lam,
        petrol,
        offered * (1.0 - methanol),
        offered * methanol,
        offered * (1.0 - methanol) - water,
        offered * methanol - spirit,
    )
    borderline = borderline_btdc_deg(rpm, manifold_kpa, closing_k, burn_deg, octane, k.compression)
    return borderline, best_torque_btdc_deg(burn_deg)
