"""What goes in comes out or is still there: fluid, air and energy over whole pulls."""

from dataclasses import replace
from functools import lru_cache
from math import isclose, pi
from typing import Any, Final

import numpy as np
import pytest

from rules.facts import Rig
from simulator.plant import Do, Fault, FaultKind, Step
from simulator.plant import layout as at
from simulator.rig import find_rig, load_rig
from tests.kit import yardstick as ys
from tests.kit.plants import RIG, scenario

GAS_J_KG_K: Final = 287.05
AIR_J_KG_K: Final = 1005.0
# Cruise, pull with a shift, lift into vacuum (where a worn check valve siphons), pull again.
DRIVE: Final = (
    Step(Do.CRUISE, 0.7, 2),
    Step(Do.PULL, 4.3, 2),
    Step(Do.LIFT, 1.2, 2),
    Step(Do.PULL, 1.8, 3),
)
FAULTS: Final[dict[str, tuple[Fault, ...]]] = {
    "healthy": (),
    "split before": (Fault(FaultKind.SPLIT_BEFORE_SENSOR, 2.5, magnitude=0.5),),
    "split after": (Fault(FaultKind.SPLIT_AFTER_SENSOR, 2.5, magnitude=0.7),),
    "siphon": (Fault(FaultKind.SIPHON, 1.0),),
    "burst tank": (Fault(FaultKind.EMPTY_TANK, 3.0),),
    "air": (Fault(FaultKind.AIR, 2.5, magnitude=0.3),),
    "wrong mix": (Fault(FaultKind.WRONG_MIX, 2.0, magnitude=0.5),),
    "stuck open, supply low": (
        Fault(FaultKind.VALVE_STUCK_OPEN, 1.5, magnitude=0.6),
        Fault(FaultKind.SUPPLY_LOW, 3.0, magnitude=0.3),
    ),
}
RIGS: Final = ("hand-made", "brindle", "tarnwick", "ullesby", "wexmoor")


def rig_of(name: str) -> Rig:
    """Return the hand-made rig or a shipped one."""
    return RIG if name == "hand-made" else load_rig(find_rig(name)).rig


@lru_cache(maxsize=16)
def drive(rig: str = "hand-made", fault: str = "healthy") -> ys.Recording:
    """Return a drive, every step of it."""
    what = replace(scenario(*FAULTS[fault], drive=DRIVE, rig=rig_of(rig)), rate_hz=1000.0)
    return ys.record(what, 5)


CASES: Final = [("hand-made", fault) for fault in FAULTS] + [(rig, "healthy") for rig in RIGS[1:]]


def total(values: Any) -> float:
    """Return the sum of a flow over the drive, as the plant's own steps add it up."""
    return float(ys.STEP_S * np.sum(values))


def gain(recorded: ys.Recording, offset: int) -> float:
    """Return how much a value grew over the drive."""
    return float(recorded.states[-1, offset] - recorded.start[offset])


@pytest.mark.parametrize(("rig", "fault"), CASES)
def test_what_the_tank_lost_was_sprayed_leaked_or_drained(rig: str, fault: str) -> None:
    """Tank lost = nozzles + leaks (+ what a burst tank drains), to rounding."""
    recorded = drive(rig, fault)
    before_ml = recorded.before(at.S_TANK_ML)
    out = total((recorded.of(at.S_NOZZLE) + recorded.of(at.S_LEAKED)) / 60.0)
    drained = total(recorded.of(at.X_DRAIN) * 4.0 * (before_ml + 5.0) * (before_ml > 0.0))
    assert gain(recorded, at.S_USED_ML) == pytest.approx(out, rel=1e-9)
    lost = -gain(recorded, at.S_TANK_ML)
    if fault == "burst tank":  # the last step takes what is left and no more
        assert lost == pytest.approx(recorded.start[at.S_TANK_ML], abs=1e-9)
        assert 0.0 < drained + out - lost < 0.05
    else:
        assert lost == pytest.approx(out, rel=1e-9)
        assert drained == 0.0
    assert out > 10.0
    leaked = total(recorded.of(at.S_LEAKED) / 60.0)
    assert (leaked > 5.0) == fault.startswith("split")
    behind = recorded.of(at.S_METERED) - recorded.of(at.S_NOZZLE)
    assert total(behind / 60.0) == pytest.approx(
        leaked if fault == "split after" else 0.0, abs=1e-9
    )


@pytest.mark.parametrize(("rig", "fault"), CASES)
def test_what_the_nozzles_spray_is_vapour_liquid_or_film(rig: str, fault: str) -> None:
    """Mass sprayed = vapour + liquid into the cylinders + growth of the film, within 1e-5.

    The rest is film too thin to follow (below 1e-8 kg/s).
    """
    recorded = drive(rig, fault)
    # Water alone is denser; half of it is taken to lie on the root law between.
    lighter = 1.0 - recorded.k[at.K_WATER_LESS] * recorded.of(at.X_WRONG_MIX)
    volume = total(recorded.of(at.S_NOZZLE) / (lighter * lighter))
    sprayed = volume * recorded.k[at.K_DENSITY] * 1e-6 / 60.0
    parts = (at.S_VAPOUR_WATER, at.S_VAPOUR_METHANOL, at.S_LIQUID_WATER, at.S_LIQUID_METHANOL)
    each = [total(recorded.of(offset)) for offset in parts]
    film = gain(recorded, at.S_FILM_KG)
    assert sum(each) + film == pytest.approx(sprayed, rel=1e-5)
    assert min(each[0], each[1], each[2]) > 0.0
    assert recorded.of(at.S_FILM_KG).min() >= 0.0
    # Methanol stays the share of the mix it is.
    halved = recorded.of(at.X_WRONG_MIX)
    assert (halved.max() == 0.5) == (fault == "wrong mix")
    mixed = sum(recorded.of(offset) for offset in parts)
    methanol = total(mixed * recorded.k[at.K_METHANOL] * (1.0 - halved))
    assert each[1] + each[3] == pytest.approx(methanol, rel=1e-9)


@pytest.mark.parametrize("rig", RIGS)
def test_air_that_is_blown_is_drawn_let_go_or_stored(rig: str) -> None:
    """Charger = throttle + bypass + pipe, throttle = engine + manifold.

    To rounding with the step's own gas temperature; against plain ``p V / (R T)`` at both ends
    within 1 % of what flowed through, as filling is worked out at constant temperature.
    """
    recorded = drive(rig)
    k = recorded.k
    dry_k = recorded.of(at.S_DRY_C) + 273.15
    filled_k = 0.5 * (dry_k + recorded.of(at.S_CHARGE_C) + 273.15)
    blown, passed, let_go, drawn = (
        total(recorded.of(offset))
        for offset in (at.S_COMPRESSOR_KG_S, at.S_THROTTLE_KG_S, at.S_BYPASS_KG_S, at.S_AIR_KG_S)
    )
    for offset, volume, kelvin, balance in (
        (at.S_PIPE_KPA, k[at.K_PIPE_M3], dry_k, blown - passed - let_go),
        (at.S_MANIFOLD_KPA, k[at.K_MANIFOLD_M3], filled_k, passed - drawn),
    ):
        each = volume * 1e3 / GAS_J_KG_K
        growth = recorded.of(offset) - recorded.before(offset)
        assert each * float(np.sum(growth / kelvin)) == pytest.approx(balance, abs=1e-9)
        ends = recorded.states[-1, offset] / kelvin[-1] - recorded.start[offset] / kelvin[0]
        assert isclose(each * ends, balance, abs_tol=0.01 * passed)
    assert 0.2 < passed < 3.0  # kg, in 8 s
    assert drawn < passed < blown + 0.02 * passed


@pytest.mark.parametrize(("rig", "fault"), CASES)
def test_the_charge_gives_what_evaporation_takes(rig: str, fault: str) -> None:
    """Enthalpy the charge loses = latent heat of the vapour, step by step within 1.5 %.

    Water: ASHRAE Handbook Fundamentals, chapter 1 (2501 kJ/kg at 0 degC, vapour 1.86, liquid 4.186
    kJ/kg K); methanol: 37.43 kJ/mol at 25 degC (CRC Handbook, enthalpy of vaporization), vapour
    1.37, liquid 2.53 kJ/kg K, 32.04 g/mol.
    """
    recorded = drive(rig, fault)
    k = recorded.k
    drawn = recorded.of(at.S_DRAWN_KG_S)
    dry_c, end_c = recorded.of(at.S_DRY_C), recorded.of(at.S_END_C)
    water = recorded.of(at.S_VAPOUR_WATER) / drawn
    methanol = recorded.of(at.S_VAPOUR_METHANOL) / drawn
    liquid_c = k[at.K_AMBIENT_C]
    given = (1.006 + 1.86 * k[at.K_HUMIDITY]) * (dry_c - end_c)
    water_takes = water * (2501.0 + 1.86 * end_c - 4.186 * liquid_c)
    at_25 = 37.43 / 32.04e-3
    methanol_takes = methanol * (at_25 + 1.37 * (end_c - 25.0) - 2.53 * (liquid_c - 25.0))
    taken = water_takes + methanol_takes
    much = given > 0.5
    assert much.sum() > 1000
    assert np.abs(given[much] / taken[much] - 1.0).max() < 0.015

    # Over the pull: what the charge was really cooled by, less the walls' share of the film.
    sprayed = recorded.of(at.S_NOZZLE) * k[at.K_DENSITY] * 1e-6 / 60.0
    off_walls = recorded.before(at.S_FILM_KG) / 0.3
    offered = 0.85 * sprayed + off_walls
    charge_pays = 1.0 - 0.7 * off_walls / np.maximum(offered, 1e-12)
    wet = offered > 1e-8
    cooled = total(drawn * 1.006 * recorded.before(at.S_DROP_K))
    latent = total((drawn * taken * charge_pays)[wet])
    assert cooled == pytest.approx(latent, rel=0.03)
    assert (off_walls / np.maximum(offered, 1e-12))[wet].mean() > 0.1


@pytest.mark.parametrize("rig", RIGS)
def test_the_intercooler_gives_the_wind_what_it_took_or_keeps_it(rig: str) -> None:
    """Heat from the charge = heat stored in the core + heat away, to rounding."""
    recorded = drive(rig)
    k = recorded.k
    litres = k[at.K_DISPLACEMENT_M3]
    flow = np.maximum(recorded.of(at.S_COMPRESSOR_KG_S), 0.0)
    hot_k, dry_k = recorded.of(at.S_HOT_K), recorded.of(at.S_DRY_C) + 273.15
    into = flow * AIR_J_KG_K * (hot_k - dry_k)
    over = recorded.before(at.S_CORE_C) - k[at.K_AMBIENT_C]
    wind = (83.0e3 + 6.7e3 * recorded.before(at.S_ROAD_M_S)) * litres
    away = wind * over - 4.0 * 83.0e3 * litres  # it stands a few degrees above the air outside
    stored = 2.8e6 * litres * gain(recorded, at.S_CORE_C)
    assert total(into) == pytest.approx(stored + total(away), rel=1e-9)
    assert stored > 0.1 * total(into)
    assert total(away) > 0.05 * total(into)
    # And it cools towards its core, never past it.
    core_k = recorded.before(at.S_CORE_C) + 273.15
    assert ((dry_k - core_k) * np.sign(hot_k - core_k)).min() >= -1e-9


@pytest.mark.parametrize("rig", ["hand-made", "brindle", "tarnwick", "wexmoor"])
def test_the_turbine_pays_for_the_compressor(rig: str) -> None:
    """Turbine work = enthalpy the compressor adds + bearings + kinetic energy, to rounding.

    The turbine takes no more from the exhaust than an ideal one would (isentropic, gamma 1.333).
    """
    recorded = drive(rig)
    k = recorded.k
    gas_kg_s = recorded.of(at.S_AIR_KG_S) + recorded.of(at.S_PETROL_KG_S)
    through = gas_kg_s * (1.0 - 0.97 * recorded.before(at.S_WASTEGATE))
    gas_k = recorded.before(at.S_EXHAUST_K)
    ratio = recorded.of(at.S_BACK_KPA) / k[at.K_AMBIENT_KPA]
    ideal = through * 1150.0 * gas_k * (1.0 - ratio ** (-0.333 / 1.333))
    rise = recorded.of(at.S_HOT_K) - k[at.K_AMBIENT_C] - 273.15
    compressor = total(recorded.of(at.S_COMPRESSOR_KG_S) * AIR_J_KG_K * rise)
    bearings = total(0.01 * k[at.K_INERTIA_J] * recorded.before(at.S_SHAFT))
    stored = k[at.K_INERTIA_J] * gain(recorded, at.S_SHAFT)
    assert compressor + bearings + stored == pytest.approx(0.70 * total(ideal), rel=2e-3)
    assert compressor > 0.8 * (compressor + bearings + stored)


@pytest.mark.parametrize("rig", RIGS)
def test_work_comes_from_what_burns_and_goes_into_the_car(rig: str) -> None:
    """Work is torque times speed; 22 to 38 % of the fuel's heat; the car's energy grows by less.

    Lower heating values 43.5 (petrol, common practice) and 19.9 MJ/kg (methanol, CRC Handbook).
    """
    recorded = drive(rig)
    rad_s = recorded.before(at.S_SPEED_RPM) * pi / 30.0
    power = np.maximum(recorded.of(at.S_TORQUE_NM), 0.0) * rad_s
    work = gain(recorded, at.S_WORK_KJ) * 1e3
    assert work == pytest.approx(total(power), rel=1e-9)
    burning = recorded.of(at.S_PETROL_KG_S) > 0.0
    methanol = (recorded.of(at.S_VAPOUR_METHANOL) + recorded.of(at.S_LIQUID_METHANOL)) * burning
    heat = total(recorded.of(at.S_PETROL_KG_S) * 43.5e6 + methanol * 19.9e6)
    assert 0.22 < work / heat < 0.38
    speed = np.concatenate(([recorded.start[at.S_ROAD_M_S]], recorded.of(at.S_ROAD_M_S)))
    braked = total(recorded.of(at.S_BRAKE_M_S2) * speed[:-1]) * recorded.k[at.K_MASS_KG]
    kinetic = 0.5 * recorded.k[at.K_MASS_KG] * float(speed[-1] ** 2 - speed[0] ** 2)
    dragged = total(recorded.k[at.K_DRAG] * speed[:-1] ** 3)
    assert kinetic + braked + dragged < work
    assert kinetic + braked + dragged > 0.6 * work
