"""Corrections to reference air, held to published values, and refused outside their limits."""

from dataclasses import replace

import pytest

from simulator.dyno.correction import Air, Correction, beyond, factor

REFERENCE = Air(25.0, 99.0, 0.0)
# Barometer kPa, air degC, relative humidity %, vapour kPa, dry kPa, factor of SAE J1349 (June 1990
# form: 1.18 (99/dry) sqrt((t + 273)/298) - 0.18; vapour pressure by ASHRAE).
J1349 = (
    (99.0, 25.0, 0.0, 0.0, 99.0, 1.0),
    (101.325, 25.0, 50.0, 1.5846, 99.7404, 0.99124),
    (98.0, 35.0, 40.0, 2.2511, 95.7489, 1.06037),
    (95.0, 30.0, 60.0, 2.5476, 92.4524, 1.09413),
    (100.5, 10.0, 70.0, 0.8596, 99.6404, 0.96253),
    (84.0, 30.0, 20.0, 0.8492, 83.1508, 1.23665),
)
# ISO 1585 and UN Regulation 85, annex 5: (99/dry)^1.2 ((t + 273)/298)^0.6, of the first five.
ISO1585 = (1.0, 0.9911, 1.0617, 1.09647, 0.96201)


@pytest.mark.parametrize(("barometer", "air_c", "humid", "vapour", "dry", "cf"), J1349)
def test_j1349_comes_to_its_published_formula(
    barometer: float, air_c: float, humid: float, vapour: float, dry: float, cf: float
) -> None:
    """Vapour, dry pressure and factor, each to the digits that are given."""
    air = Air(air_c, barometer, humid)
    assert air.vapour_kpa == pytest.approx(vapour, abs=1e-4)
    assert air.dry_kpa == pytest.approx(dry, abs=1e-4)
    assert factor(Correction.J1349, air) == pytest.approx(cf, abs=2e-5)


@pytest.mark.parametrize(("row", "alpha"), [*zip(J1349, ISO1585, strict=False)])
def test_iso_1585_comes_to_its_published_formula(row: tuple[float, ...], alpha: float) -> None:
    """It differs from J1349 by less than 0.3 % near the reference, and more far from it."""
    air = Air(row[1], row[0], row[2])
    assert factor(Correction.ISO1585, air) == pytest.approx(alpha, abs=2e-5)


def test_without_a_correction_nothing_changes() -> None:
    """Whatever the weather."""
    for row in J1349:
        air = Air(row[1], row[0], row[2])
        assert factor(Correction.NONE, air) == 1.0
        assert not beyond(Correction.NONE, air)


@pytest.mark.parametrize("method", [Correction.J1349, Correction.ISO1585])
def test_a_factor_beyond_seven_percent_is_none(method: Correction) -> None:
    """Limits of 0.93 to 1.07 are stated by ISO 1585; those of temperature are from memory."""
    assert not beyond(method, REFERENCE)
    assert not beyond(method, Air(35.0, 98.0, 40.0))
    assert beyond(method, Air(30.0, 95.0, 60.0)).startswith("a factor of 1.09")
    assert beyond(method, Air(10.0, 100.5, 70.0)) == "air of 10.0 degC, expected 15 to 35 degC"
    assert not beyond(method, replace(REFERENCE, temperature_c=15.0))


def test_a_barometer_has_limits_too() -> None:
    """J1349's are narrower than those of ISO 1585; both from memory."""
    low = Air(15.0, 89.0, 0.0)
    assert beyond(Correction.J1349, low) == "a barometer of 89.0 kPa, expected 90 to 105 kPa"
    assert beyond(Correction.ISO1585, low).startswith("a factor")


def test_air_has_the_density_of_the_standard_atmosphere() -> None:
    """1.225 kg/m3 at 15 degC and 101.325 kPa (ISO 2533); vapour makes it lighter."""
    assert Air(15.0, 101.325, 0.0).density_kg_m3 == pytest.approx(1.225, abs=2e-4)
    assert 1.20 < Air(15.0, 101.325, 100.0).density_kg_m3 < 1.22
