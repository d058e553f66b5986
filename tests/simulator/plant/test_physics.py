"""The plant's formulas, against published numbers and definitions."""

from dataclasses import replace

import pytest

from rules.facts import Command, CommandKind
from simulator.plant import air
from simulator.plant.hydraulics import root_flow
from simulator.plant.sizing import size
from simulator.plant.spray_control import command_share
from tests.kit.plants import RIG, scenario


@pytest.mark.parametrize(
    ("ratio", "efficiency", "outlet_k"),
    [
        (1.68, 1.0, 345.613),
        (1.68, 0.65, 371.251),
        (1.68, 0.7, 366.019),
        (1.68, 0.75, 361.484),
        (2.0, 0.7, 391.237),
        (2.0, 0.75, 385.021),
        (2.5, 0.7, 425.401),
        (2.5, 0.75, 416.907),
    ],
)
def test_compressor_outlet(ratio: float, efficiency: float, outlet_k: float) -> None:
    """Outlet temperature follows the isentropic-efficiency relation, gamma 1.4, from 298 K."""
    assert air.compressor_outlet_k(298.0, ratio, efficiency) == pytest.approx(outlet_k, abs=1e-3)


def test_intercooler_outlet() -> None:
    """An effectiveness of 0.7 takes 366.203 K down to 318.566 K (definition of effectiveness)."""
    hot_k = air.compressor_outlet_k(298.15, 1.68, 0.7)
    assert hot_k == pytest.approx(366.203, abs=1e-3)
    assert air.intercooler_outlet_k(hot_k, 298.15, 0.7) == pytest.approx(318.566, abs=1e-3)


@pytest.mark.parametrize(
    ("litres", "rpm", "ve", "kpa", "kelvin", "kg_s"),
    [
        (2.0, 6000.0, 0.95, 200.0, 313.15, 0.2113701),
        (2.0, 6000.0, 1.0, 101.325, 298.15, 0.1183925),
        (1.8, 6500.0, 0.9, 180.0, 318.15, 0.1729538),
    ],
)
def test_speed_density(
    litres: float, rpm: float, ve: float, kpa: float, kelvin: float, kg_s: float
) -> None:
    """Air flow follows from the ideal gas law, R = 287.05 J/(kg K)."""
    assert air.air_flow_kg_s(ve, litres, rpm, kpa, kelvin) == pytest.approx(kg_s, rel=1e-6)


@pytest.mark.parametrize(
    ("pulse_ms", "rpm", "duty_pct"),
    [(10.0, 6000.0, 50.0), (16.0, 6000.0, 80.0), (15.0, 7000.0, 87.5), (2.5, 800.0, 5.0 / 3.0)],
)
def test_injector_duty(pulse_ms: float, rpm: float, duty_pct: float) -> None:
    """Duty of one injection a cycle is pulse width times speed over 1200 (definition)."""
    assert air.injector_duty_pct(pulse_ms, rpm) == pytest.approx(duty_pct, rel=1e-12)


def test_back_pressure_scaling() -> None:
    """A held 150 psi against 20 psi gives 1.140175 of the flow rated at 100 psi (root law)."""
    assert root_flow(100.0 / 100.0**0.5, 150.0 - 20.0) / 100.0 == pytest.approx(1.140175, rel=1e-6)


def asked(command: Command, boost_kpa: float, duty_pct: float) -> float:
    """Return what a controller of this law asks for, as a share of full flow."""
    rig = replace(RIG, command=command)
    return command_share(size(rig, scenario(rig=rig), 0), boost_kpa, duty_pct)


def test_every_command_law() -> None:
    """Each kind of spray control asks for what its law says."""
    fixed = Command(CommandKind.FIXED, 60.0)
    assert (asked(fixed, 60.0, 50.0), asked(fixed, 60.1, 50.0)) == (0.0, 1.0)
    boost = Command(CommandKind.BOOST, 60.0, 150.0)
    assert asked(boost, 105.0, 0.0) == pytest.approx(0.5)
    assert asked(boost, 300.0, 0.0) == 1.0
    duty = Command(CommandKind.INJECTOR_DUTY, 20.0, start_duty_pct=40.0, full_duty_pct=80.0)
    assert asked(duty, 100.0, 50.0) == pytest.approx(0.25)
    assert asked(duty, 10.0, 50.0) == 0.0
    table = Command(
        CommandKind.MAP,
        0.0,
        map_boost_kpa=(50.0, 100.0),
        map_duty_pct=(20.0, 60.0),
        map_pct=((0.0, 40.0), (20.0, 100.0)),
    )
    assert asked(table, 75.0, 40.0) == pytest.approx(0.40)
    assert asked(table, 500.0, 90.0) == pytest.approx(1.0)
