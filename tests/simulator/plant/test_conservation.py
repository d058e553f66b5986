"""What goes in comes out or is still there: fluid, air and energy over whole pulls."""

from dataclasses import replace
from functools import lru_cache
from math import isclose, pi
from typing import Any, Final

import numpy as np
import pytest

from rules.facts import Rig
from simulator.plant import Do, Fault, FaultKind, Step
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
RIGS: Final = ("hand-made", "brindle", "orrinby", "tarnwick", "ullesby", "wexmoor", "quarrick")


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


def gain(recorded: ys.Recording, name: str) -> float:
    """Return how much a value grew over the drive."""
    return float(recorded.of(name)[-1] - recorded.start[name])


@pytest.mark.parametrize(("rig", "fault"), CASES)
def test_what_the_tank_lost_was_sprayed_leaked_or_drained(rig: str, fault: str) -> None:
    """Tank lost = nozzles + leaks (+ what a burst tank drains), to rounding."""
    recorded = drive(rig, fault)
    before_ml = recorded.before("tank_ml")
    out = total((recorded.of("nozzle_ml_min") + recorded.of("leaked_ml_min")) / 60.0)
    drained = total(recorded.of("drain") * 4.0 * (before_ml + 5.0) * (before_ml > 0.0))
    assert gain(recorded, "used_ml") == pytest.approx(out, rel=1e-9)
    lost = -gain(recorded, "tank_ml")
    if fault == "burst tank":  # the last step takes what is left and no more
        assert lost == pytest.approx(recorded.start.tank_ml, abs=1e-9)
        assert 0.0 < drained + out - lost < 0.05
    else:
        assert lost == pytest.approx(out, rel=1e-9)
        assert drained == 0.0
    assert out > 10.0
    leaked = total(recorded.of("leaked_ml_min") / 60.0)
    assert (leaked > 5.0) == fault.startswith("split")
    behind = recorded.of("metered_ml_min") - recorded.of("nozzle_ml_min")
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
    lighter = 1.0 - recorded.k.water_less * recorded.of("wrong_mix")
    volume = total(recorded.of("nozzle_ml_min") / (lighter * lighter))
    sprayed = volume * recorded.k.density_kg_m3 * 1e-6 / 60.0
    parts = (
        "vapour_water_kg_s",
        "vapour_methanol_kg_s",
        "liquid_water_kg_s",
        "liquid_methanol_kg_s",
    )
    each = [total(recorded.of(name)) for name in parts]
    film = gain(recorded, "film_kg")
    assert sum(each) + film == pytest.approx(sprayed, rel=1e-5)
    assert min(each[0], each[1], each[2]) > 0.0
    assert recorded.of("film_kg").min() >= 0.0
    # Methanol stays the share of the mix it is.
    halved = recorded.of("wrong_mix")
    assert (halved.max() == 0.5) == (fault == "wrong mix")
    mixed = sum(recorded.of(name) for name in parts)
    methanol = total(mixed * recorded.k.methanol * (1.0 - halved))
    assert each[1] + each[3] == pytest.approx(methanol, rel=1e-9)


@pytest.mark.parametrize("rig", RIGS)
def test_air_that_is_blown_is_drawn_let_go_or_stored(rig: str) -> None:
    """Charger = throttle + bypass + pipe, throttle = engine + manifold.

    To rounding with the step's own gas temperature; against plain ``p V / (R T)`` at both ends
    within 1 % of what flowed through, as filling is worked out at constant temperature.
    """
    recorded = drive(rig)
    k = recorded.k
    dry_k = recorded.of("dry_c") + 273.15
    filled_k = 0.5 * (dry_k + recorded.of("charge_c") + 273.15)
    blown, passed, let_go, drawn = (
        total(recorded.of(name))
        for name in ("compressor_kg_s", "throttle_kg_s", "bypass_kg_s", "air_kg_s")
    )
    for name, volume, kelvin, balance in (
        ("pipe_kpa", k.pipe_m3, dry_k, blown - passed - let_go),
        ("manifold_kpa", k.manifold_m3, filled_k, passed - drawn),
    ):
        each = volume * 1e3 / GAS_J_KG_K
        growth = recorded.of(name) - recorded.before(name)
        assert each * float(np.sum(growth / kelvin)) == pytest.approx(balance, abs=1e-9)
        ends = recorded.of(name)[-1] / kelvin[-1] - recorded.start[name] / kelvin[0]
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
    drawn = recorded.of("drawn_kg_s")
    dry_c, end_c = recorded.of("dry_c"), recorded.of("end_c")
    water = recorded.of("vapour_water_kg_s") / drawn
    methanol = recorded.of("vapour_methanol_kg_s") / drawn
    liquid_c = k.ambient_c
    given = (1.006 + 1.86 * k.humidity_kg_kg) * (dry_c - end_c)
    water_takes = water * (2501.0 + 1.86 * end_c - 4.186 * liquid_c)
    at_25 = 37.43 / 32.04e-3
    methanol_takes = methanol * (at_25 + 1.37 * (end_c - 25.0) - 2.53 * (liquid_c - 25.0))
    taken = water_takes + methanol_takes
    much = given > 0.5
    assert much.sum() > 1000
    assert np.abs(given[much] / taken[much] - 1.0).max() < 0.015

    # Over the pull: what the charge was really cooled by, less the walls' share of the film.
    sprayed = recorded.of("nozzle_ml_min") * k.density_kg_m3 * 1e-6 / 60.0
    off_walls = recorded.before("film_kg") / 0.3
    offered = 0.85 * sprayed + off_walls
    charge_pays = 1.0 - 0.7 * off_walls / np.maximum(offered, 1e-12)
    wet = offered > 1e-8
    cooled = total(drawn * 1.006 * recorded.before("drop_k"))
    latent = total((drawn * taken * charge_pays)[wet])
    assert cooled == pytest.approx(latent, rel=0.03)
    assert (off_walls / np.maximum(offered, 1e-12))[wet].mean() > 0.1


@pytest.mark.parametrize("rig", RIGS[:-1])  # the unboosted car has none
def test_the_intercooler_gives_the_wind_what_it_took_or_keeps_it(rig: str) -> None:
    """Heat from the charge = heat stored in the core + heat away, to rounding."""
    recorded = drive(rig)
    k = recorded.k
    litres = k.displacement_m3
    flow = np.maximum(recorded.of("compressor_kg_s"), 0.0)
    hot_k, dry_k = recorded.of("compressor_k"), recorded.of("dry_c") + 273.15
    into = flow * AIR_J_KG_K * (hot_k - dry_k)
    over = recorded.before("core_c") - k.ambient_c
    wind = (83.0e3 + 6.7e3 * recorded.before("road_m_s")) * litres
    away = wind * over - 4.0 * 83.0e3 * litres  # it stands a few degrees above the air outside
    stored = 2.8e6 * litres * gain(recorded, "core_c")
    assert total(into) == pytest.approx(stored + total(away), rel=1e-9)
    assert stored > 0.1 * total(into)
    assert total(away) > 0.05 * total(into)
    # And it cools towards its core, never past it.
    core_k = recorded.before("core_c") + 273.15
    assert ((dry_k - core_k) * np.sign(hot_k - core_k)).min() >= -1e-9


@pytest.mark.parametrize("rig", ["hand-made", "brindle", "tarnwick", "wexmoor"])
def test_the_turbine_pays_for_the_compressor(rig: str) -> None:
    """Turbine work = enthalpy the compressor adds + bearings + kinetic energy, to rounding.

    The turbine takes no more from the exhaust than an ideal one would (isentropic, gamma 1.333).
    """
    recorded = drive(rig)
    k = recorded.k
    gas_kg_s = recorded.of("air_kg_s") + recorded.of("petrol_kg_s")
    through = gas_kg_s * (1.0 - 0.97 * recorded.before("wastegate"))
    gas_k = recorded.before("exhaust_k")
    ratio = recorded.of("back_kpa") / k.ambient_kpa
    ideal = through * 1150.0 * gas_k * (1.0 - ratio ** (-0.333 / 1.333))
    rise = recorded.of("compressor_k") - k.ambient_c - 273.15
    compressor = total(recorded.of("compressor_kg_s") * AIR_J_KG_K * rise)
    bearings = total(0.01 * k.inertia_j * recorded.before("shaft"))
    stored = k.inertia_j * gain(recorded, "shaft")
    assert compressor + bearings + stored == pytest.approx(0.70 * total(ideal), rel=2e-3)
    assert compressor > 0.8 * (compressor + bearings + stored)


@pytest.mark.parametrize("rig", RIGS)
def test_work_comes_from_what_burns_and_goes_into_the_car(rig: str) -> None:
    """Work is torque times speed; 22 to 38 % of the fuel's heat; the car's energy grows by less.

    Lower heating values 43.5 (petrol, common practice) and 19.9 MJ/kg (methanol, CRC Handbook).
    """
    recorded = drive(rig)
    rad_s = recorded.before("speed_rpm") * pi / 30.0
    power = np.maximum(recorded.of("torque_nm"), 0.0) * rad_s
    work = gain(recorded, "work_kj") * 1e3
    assert work == pytest.approx(total(power), rel=1e-9)
    burning = recorded.of("petrol_kg_s") > 0.0
    methanol = (recorded.of("vapour_methanol_kg_s") + recorded.of("liquid_methanol_kg_s")) * burning
    heat = total(recorded.of("petrol_kg_s") * 43.5e6 + methanol * 19.9e6)
    assert 0.22 < work / heat < 0.38
    speed = np.concatenate(([recorded.start.road_m_s], recorded.of("road_m_s")))
    braked = total(recorded.of("brake_m_s2") * speed[:-1]) * recorded.k.mass_kg
    kinetic = 0.5 * recorded.k.mass_kg * float(speed[-1] ** 2 - speed[0] ** 2)
    dragged = total(recorded.k.drag_kg_m * speed[:-1] ** 3)
    assert kinetic + braked + dragged < work
    assert kinetic + braked + dragged > 0.6 * work
