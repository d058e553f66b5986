"""Pours, strengths, freezing and flash points, against handbooks and calculated tables."""

import pytest
from hypothesis import given
from hypothesis import strategies as some

from simulator.planning.mixing import (
    Meaning,
    finished_pct,
    flash_band_c,
    flash_c,
    freezes_c,
    mix_of,
    poured_pct,
    to_mass_pct,
)
from simulator.rig.mix import mass_pct

# Label, percent by mass if it is of the volumes before mixing, or of the finished volume, and where
# each freezes: derived from the CRC Handbook's tables, 102nd ed., at 20 degC.
LABELS = [
    (20, 16.55, 16.32, -11.8, -11.6),
    (30, 25.37, 24.80, -20.5, -19.9),
    (40, 34.59, 33.48, -31.2, -29.9),
    (50, 44.23, 42.56, -44.9, -42.3),
]
# Lange's Handbook of Chemistry, 15th ed., Table 5.13: mass %, volume % of the solution (15.6 degC),
# freezing point.
LANGE = [
    (3.9, 5, -2.2), (8.1, 10, -5.0), (12.2, 15, -8.3), (16.4, 20, -11.7), (20.6, 25, -15.6),
    (24.9, 30, -20.0), (29.2, 35, -25.0), (33.6, 40, -30.0),
]  # fmt: skip
# CRC Handbook, 102nd ed., Concentrative Properties of Aqueous Solutions.
FREEZING = [(10, -6.6), (24, -19.04), (30, -25.91), (40, -38.6), (50, -54.5), (68, -96.3)]
# Calculated, closed cup (UNIFAC; Liaw et al. 2006, Astbury et al. 2004), and by Raoult's law alone.
FLASH = [
    (10, 54.9, 71.8), (20, 41.3, 53.2), (30, 34.4, 42.9), (40, 29.6, 35.7), (44.2, 28.0, 33.1),
    (50, 25.9, 30.0), (60, 22.7, None), (70, 19.8, 21.2), (80, 16.9, None), (90, 14.0, None),
    (100, 11.0, 11.0),
]  # fmt: skip
PERCENT = some.floats(0.0, 100.0)


@pytest.mark.parametrize(("label", "poured", "finished", "poured_c", "finished_c"), LABELS)
def test_a_label_means_three_things(
    label: float, poured: float, finished: float, poured_c: float, finished_c: float
) -> None:
    """Mass percent to 0.05 and freezing point to 0.5 K, by what the label is of."""
    for meaning, mass, celsius in (
        (Meaning.VOLUME, poured, poured_c),
        (Meaning.FINISHED, finished, finished_c),
    ):
        found = to_mass_pct(label, meaning)
        assert found == pytest.approx(mass, abs=0.05)
        assert freezes_c(found) == pytest.approx(celsius, abs=0.5)
    assert to_mass_pct(label, Meaning.MASS) == label


@pytest.mark.parametrize(("mass", "volume", "celsius"), LANGE)
def test_an_antifreeze_table(mass: float, volume: float, celsius: float) -> None:
    """Lange's volume percent is of the solution; at 15.6 degC, hence 0.3; freezing to 0.5 K."""
    assert finished_pct(mass) == pytest.approx(volume, abs=0.3)
    assert freezes_c(mass) == pytest.approx(celsius, abs=0.5)


def test_freezing_points_of_the_handbook() -> None:
    """CRC: 0.5 K below 30 % by mass and 1 K above; no guess beyond its last row."""
    for mass, celsius in FREEZING:
        assert freezes_c(mass) == pytest.approx(celsius, abs=0.5 if mass < 30 else 1.0)
    assert freezes_c(0.0) == 0.0
    assert freezes_c(68.1) is None


def test_flash_points() -> None:
    """Within 2 K of UNIFAC's, well inside the 5 K such models are off, and below Raoult's."""
    for mass, celsius, raoult in FLASH:
        found = flash_c(mass)
        band = flash_band_c(mass)
        assert found is not None
        assert band is not None
        assert found == pytest.approx(celsius, abs=2.0)
        assert band[0] <= celsius <= band[1]
        assert raoult is None or found <= raoult + 1e-9
    assert flash_band_c(100.0) == (9.0, 12.0)  # IEC 60079-20-1, NFPA 497
    assert flash_c(9.9) is None
    assert flash_band_c(0.0) is None


def test_one_litre_and_one_litre() -> None:
    """1.7899 kg, 44.23 % by mass, 1.9311 L: 3.44 % less, 51.78 % of it methanol (CRC tables)."""
    mix = mix_of(mass_pct(50.0), 100.0, 0.0, 1.7899)
    assert mix.strong_ml == pytest.approx(1000.0, abs=0.1)
    assert mix.weak_ml == pytest.approx(1000.0, abs=0.1)
    assert mix.ml == pytest.approx(1931.1, abs=0.5)
    assert 100.0 * mix.shrinks_ml / 2000.0 == pytest.approx(3.44, abs=0.1)
    assert finished_pct(mix.methanol_mass_pct) == pytest.approx(51.78, abs=0.05)


@given(PERCENT)
def test_each_meaning_comes_back(percent: float) -> None:
    """From a percentage to mass percent and back; the finished volume's is never the least."""
    by_volume = to_mass_pct(percent, Meaning.VOLUME)
    assert poured_pct(by_volume) == pytest.approx(percent, abs=1e-9)
    assert finished_pct(to_mass_pct(percent, Meaning.FINISHED)) == pytest.approx(percent, abs=1e-9)
    assert finished_pct(by_volume) >= percent - 1e-9
    assert percent >= by_volume - 1e-9


@given(PERCENT, PERCENT, some.floats(0.0, 1.0), some.floats(1e-3, 1e3))
def test_a_mix_conserves_mass(one: float, other: float, share: float, kg: float) -> None:
    """All mass and all methanol poured is in the mix; volumes never grow."""
    weak, strong = sorted((one, other))
    if strong - weak < 0.01:
        return
    wanted = min(max(weak + share * (strong - weak), weak), strong)
    mix = mix_of(wanted, strong, weak, kg)
    assert mix.strong_kg >= 0.0
    assert mix.weak_kg >= -1e-12 * kg
    assert mix.strong_kg + mix.weak_kg == pytest.approx(kg, rel=1e-12)
    methanol = mix.strong_kg * strong + mix.weak_kg * weak
    assert methanol == pytest.approx(kg * wanted, rel=1e-9, abs=1e-9 * kg)
    assert mix.shrinks_ml >= -1e-3 * mix.ml  # the table's rows are rounded


@pytest.mark.parametrize(
    ("wanted", "strong", "weak"), [(50, 40, 0), (10, 40, 20), (40, 40, 40), (50, 101, 0)]
)
def test_the_impossible_is_refused(wanted: float, strong: float, weak: float) -> None:
    """No mix is stronger than its stronger part, or weaker than its weaker."""
    with pytest.raises(ValueError, match="%"):
        mix_of(wanted, strong, weak, 1.0)
