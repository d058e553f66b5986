"""The plant's formulas, against published numbers and definitions."""

from math import inf

import pytest

from rules.facts import Command, CommandKind
from simulator.plant import air
from simulator.plant.spray import DelayLag, command_share, operating_point


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


@pytest.mark.parametrize(
    ("dry_c", "kpa", "end_c"),
    [
        (40.0, 101.325, 14.755),
        (60.0, 101.325, 21.321),
        (60.0, 200.0, 29.007),
        (80.0, 200.0, 35.264),
        (100.0, 250.0, 43.528),
    ],
)
def test_plenty_of_water_cools_to_saturation(dry_c: float, kpa: float, end_c: float) -> None:
    """Too much water ends at saturation (ASHRAE enthalpies, liquid at 25 degC, psychrolib).

    Tolerance 0.06 K: Buck's vapour pressure instead of ASHRAE's, and 0.002 K of bisection.
    """
    assert dry_c - air.evaporation_drop_k(dry_c, kpa, 0.2, 0.0) == pytest.approx(end_c, abs=0.06)


@pytest.mark.parametrize(
    ("dry_c", "water", "methanol", "drop_k"),
    [
        (60.0, 0.005, 0.0, 12.351),
        (60.0, 0.01, 0.0, 24.477),
        (100.0, 0.02, 0.0, 49.508),
        (60.0, 0.0, 0.01, 11.936),
        (60.0, 0.00558, 0.00442, 18.94),
    ],
)
def test_spray_that_evaporates_in_full(
    dry_c: float, water: float, methanol: float, drop_k: float
) -> None:
    """Below saturation the drop is the enthalpy balance (CoolProp, psychrolib), within 0.2 K."""
    drop = air.evaporation_drop_k(dry_c, 101.325, water, methanol)
    assert drop == pytest.approx(drop_k, abs=0.2)


def test_operating_point_lies_on_both_curves() -> None:
    """Flow and pressure satisfy pump curve and nozzle law at once."""
    flow, pressure_kpa = operating_point(12.0, 1400.0, 1800.0, inf, 190.0)
    assert pressure_kpa == pytest.approx(1400.0 * (1.0 - flow / 1800.0))
    assert flow == pytest.approx(12.0 * (pressure_kpa - 190.0) ** 0.5)
    assert operating_point(12.0, 150.0, 1800.0, inf, 190.0)[0] == 0.0


def test_back_pressure_scaling() -> None:
    """A held 150 psi against 20 psi gives 1.140175 of the flow rated at 100 psi (root law)."""
    flow, _ = operating_point(100.0 / 100.0**0.5, 1e6, 1e9, 150.0, 20.0)
    assert flow / 100.0 == pytest.approx(1.140175, rel=1e-6)


def test_delay_and_lag() -> None:
    """A step passes after the delay and reaches 63.2 % one time constant later."""
    line = DelayLag(0.08, 0.1, 0.0005)
    out = [line.push(1.0) for _ in range(600)]
    assert out[159] == 0.0
    assert out[160] > 0.0
    assert out[160 + 200] == pytest.approx(0.6321, abs=0.003)


def test_every_command_law() -> None:
    """Each kind of spray control asks for what its law says."""
    fixed = Command(CommandKind.FIXED, 60.0)
    assert (command_share(fixed, 60.0, 50.0), command_share(fixed, 60.1, 50.0)) == (0.0, 1.0)
    boost = Command(CommandKind.BOOST, 60.0, 150.0)
    assert command_share(boost, 105.0, 0.0) == pytest.approx(0.5)
    assert command_share(boost, 300.0, 0.0) == 1.0
    duty = Command(CommandKind.INJECTOR_DUTY, 20.0, start_duty_pct=40.0, full_duty_pct=80.0)
    assert command_share(duty, 100.0, 50.0) == pytest.approx(0.25)
    assert command_share(duty, 10.0, 50.0) == 0.0
    table = Command(
        CommandKind.MAP,
        0.0,
        map_boost_kpa=(50.0, 100.0),
        map_duty_pct=(20.0, 60.0),
        map_pct=((0.0, 40.0), (20.0, 100.0)),
    )
    assert command_share(table, 75.0, 40.0) == pytest.approx(0.40)
    assert command_share(table, 500.0, 90.0) == pytest.approx(1.0)
