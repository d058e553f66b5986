"""The rig file's units: quantities, and the columns of a log."""

import pint
import pytest

from rules.channels import CHANNELS
from simulator import strict
from simulator.rig import rig_from_text
from simulator.rig.columns import quantity_of
from tests.kit.rig_text import DUTY, rig

# Exact or handbook figures: NIST SP 811, appendix B (psi, inHg, US gallon); the rest by definition.
HANDBOOK = [
    (strict.Kpa, "1 psi", 6.894757, 1e-6),
    (strict.Kpa, "1 inHg", 3.386389, 2e-6),
    (strict.Kpa, "1 mmHg", 0.1333224, 1e-6),
    (strict.Kpa, "1.5 bar", 150.0, 1e-12),
    (strict.Kpa, "1 MPa", 1000.0, 1e-12),
    (strict.Kpa, "-300 mbar", -30.0, 1e-12),
    (strict.Kpa, "180kPa", 180.0, 1e-15),
    (strict.DegC, "212 degF", 100.0, 1e-11),
    (strict.DegC, "-40 °F", -40.0, 1e-11),
    (strict.DegC, "300 K", 26.85, 1e-12),
    (strict.DegC, "35 degC", 35.0, 1e-15),
    (strict.MlMin, "1 gal/h", 63.09020, 1e-6),
    (strict.MlMin, "550 cc/min", 550.0, 1e-15),
    (strict.MlMin, "0.5 L/min", 500.0, 1e-15),
    (strict.MlMin, "6 L/h", 100.0, 1e-14),
    (strict.Ml, "1 gal", 3785.412, 1e-6),
    (strict.Ml, "2.0 L", 2000.0, 1e-15),
    (strict.Seconds, "80 ms", 0.08, 1e-15),
    (strict.Seconds, "1.5e3 us", 0.0015, 1e-15),
    (strict.Percent, "12 %", 12.0, 1e-15),
    (strict.Percent, "12%", 12.0, 1e-15),
    (strict.Degrees, "6 deg", 6.0, 1e-15),
    (strict.Rpm, "7000 rpm", 7000.0, 1e-15),
    (strict.Volts, "13500 mV", 13.5, 1e-15),
    (strict.Plain, "0.85", 0.85, 1e-15),
]


@pytest.mark.parametrize(("kind", "text", "value", "rel"), HANDBOOK)
def test_units_agree_with_the_handbook(
    kind: type[strict.Quantity], text: str, value: float, rel: float
) -> None:
    """Quantities come out as NIST SP 811 and the units' definitions say."""
    assert kind.from_toml(text) == pytest.approx(value, rel=rel)


@pytest.mark.parametrize("kind_name", sorted(strict.UNITS.keys() - {"knock", "plain"}))
def test_every_unit_agrees_with_a_full_registry(kind_name: str) -> None:
    """Factor and offset of each accepted spelling match pint's own conversion of two values."""
    registry: pint.UnitRegistry[float] = pint.UnitRegistry()
    kind = next(
        quantity for quantity in strict.Quantity.__subclasses__() if kind_name == quantity.KIND
    )
    aliases = strict.UNITS[kind_name]
    for unit, pint_name in aliases.items():
        factor, offset = kind.linear(unit)
        for value in (1.0, 250.0):
            there = registry.Quantity(value, pint_name or unit)
            theirs = there.to(aliases[kind.UNIT] or kind.UNIT).magnitude
            assert value * factor + offset == pytest.approx(theirs, rel=1e-11), unit


def test_every_channel_has_its_quantity() -> None:
    """Each channel's own unit is accepted and leaves its values as they are."""
    for channel in CHANNELS:
        assert quantity_of(channel).linear(channel.unit) == (1.0, 0.0)


def test_an_absolute_column_loses_the_ambient_pressure() -> None:
    """Manifold absolute pressure in psi reads as gauge kPa."""
    text = rig(
        "[channels.boost_kpa]",
        '[channels.boost_kpa]\ncolumn = "manifold absolute psi"\nunit = "psi"\nabsolute = true',
    )
    column = rig_from_text(text, "car.toml").columns["boost_kpa"]
    assert column.column == "manifold absolute psi"
    assert 14.7 * column.factor + column.offset == pytest.approx(101.3529 - 101.325, abs=1e-3)
    assert 36.7 * column.factor + column.offset == pytest.approx(253.0376 - 101.325, abs=1e-3)


def test_a_fahrenheit_column_has_its_offset() -> None:
    """Freezing and boiling point come out right."""
    text = rig(more='[channels.intake_c]\nunit = "degF"\n')
    column = rig_from_text(text, "car.toml").columns["intake_c"]
    assert 32 * column.factor + column.offset == pytest.approx(0.0, abs=1e-9)
    assert 212 * column.factor + column.offset == pytest.approx(100.0, abs=1e-9)


def test_a_column_of_parts_of_one_becomes_percent() -> None:
    """A duty logged from 0 to 1 is scaled to percent points."""
    column = rig_from_text(rig(more=DUTY + 'unit = "1"\n'), "c").columns["injector_duty_pct"]
    assert (column.factor, column.offset) == (100.0, 0.0)


def test_microseconds_of_a_time_column() -> None:
    """The time column's unit reaches the map as a factor."""
    file = rig_from_text(rig(more='[time]\ncolumn = "t"\nunit = "us"\n'), "car.toml")
    assert (file.time.column, file.time.factor) == ("t", 1e-6)
