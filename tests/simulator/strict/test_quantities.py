"""Quantities: every unit by its handbook, and nothing but plain decimal numbers."""

import pint
import pytest

from simulator import strict
from tests.kit.rig_text import complaint, rig

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


# How pint calls what it doesn't know by the name that is written.
PINT_NAMES = {
    **{"°C": "degC", "°F": "degF", "%": "percent", "1": "dimensionless", "°": "deg"},
    **{"1/min": "rpm", "rev/min": "rpm", "PS": "metric_horsepower"},
    **dict.fromkeys(("N m", "Nm"), "N*m"),
    **dict.fromkeys(("lb ft", "lbft", "lb-ft", "ft lb", "ftlb", "ft-lb"), "lbf*ft"),
}


@pytest.mark.parametrize("kind_name", sorted(strict.UNITS.keys() - {"knock", "plain"}))
def test_every_unit_agrees_with_a_full_registry(kind_name: str) -> None:
    """Factor and offset of each accepted spelling match pint's own conversion of two values."""
    registry: pint.UnitRegistry[float] = pint.UnitRegistry()
    kind = next(
        quantity for quantity in strict.Quantity.__subclasses__() if kind_name == quantity.KIND
    )
    for unit in strict.UNITS[kind_name]:
        factor, offset = kind.linear(unit)
        for value in (1.0, 250.0):
            there = registry.Quantity(value, PINT_NAMES.get(unit, unit))
            theirs = there.to(PINT_NAMES.get(kind.UNIT, kind.UNIT)).magnitude
            assert value * factor + offset == pytest.approx(theirs, rel=1e-11), unit


@pytest.mark.parametrize(
    "text",
    ["nan kPa", "inf kPa", "1_000 kPa", "1,5 kPa", "kPa", "", "٣ kPa", "0x10 kPa", "1 kPa x"],
)
def test_only_plain_decimal_numbers_are_quantities(text: str) -> None:
    """What float() would take, or a comma, is no number here."""
    message = complaint(rig('"1400 kPa"', f'"{text}"'))
    assert message.startswith("car.toml:18: spray.pump.shut_off: found ")
    assert 'pressure unit such as "300 kPa"' in message


def test_a_narrower_range_is_another_quantity() -> None:
    """Its own bounds and example, the unit and the other bound as before; the wider one stays."""
    boost = strict.Kpa.within(high=450.0, example="90 kPa")
    assert (boost.LOW, boost.HIGH, boost.UNIT) == (strict.Kpa.LOW, 450.0, "kPa")
    assert boost.from_toml("449 kPa") == 449.0
    with pytest.raises(strict.Mismatch, match=r"-101\.4 to 450 kPa"):
        boost.from_toml("451 kPa")
    assert strict.Kpa.from_toml("451 kPa") == 451.0
