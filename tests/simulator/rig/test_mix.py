"""Mass share and density of water and methanol, against published tables."""

from itertools import pairwise

import pytest

from simulator.rig.mix import density_kg_m3, mass_pct


@pytest.mark.parametrize(
    ("poured_pct", "expected_mass_pct"), [(20, 16.55), (30, 25.37), (40, 34.59), (50, 44.23)]
)
def test_mass_percent_of_a_pour(poured_pct: float, expected_mass_pct: float) -> None:
    """Volumes before mixing, from the CRC densities 791.7 and 998.2 kg/m3 at 20 degC."""
    assert mass_pct(poured_pct) == pytest.approx(expected_mass_pct, abs=0.005)


def test_a_pour_is_not_the_volume_of_the_solution() -> None:
    """50 % of the finished volume is 42.56 % by mass (CRC table); a 50/50 pour isn't that."""
    assert abs(mass_pct(50.0) - 42.56) > 1.5


@pytest.mark.parametrize(
    ("wt_pct", "rho"),
    # CRC Handbook of Chemistry and Physics, 102nd ed., Concentrative Properties, 20 degC.
    [(0, 998.2), (10, 981.6), (24, 960.6), (40, 934.7), (44, 927.3), (50, 915.6), (100, 791.7)],
)
def test_density_of_the_mix(wt_pct: float, rho: float) -> None:
    """The CRC rows come back, both ends included."""
    assert density_kg_m3(wt_pct) == pytest.approx(rho, abs=1e-9)


def test_one_litre_and_one_litre_shrink() -> None:
    """1 L + 1 L: 1.7899 kg at 926.86 kg/m3, 1.9311 L (derived from the CRC table)."""
    density = density_kg_m3(mass_pct(50.0))
    assert density == pytest.approx(926.86, abs=0.2)
    assert 1.7899 / density * 1000.0 == pytest.approx(1.9311, rel=1e-3)


def test_density_falls_all_the_way() -> None:
    """More methanol is always lighter, between the table's rows too."""
    densities = [density_kg_m3(step / 4.0) for step in range(401)]
    assert all(after < before for before, after in pairwise(densities))
