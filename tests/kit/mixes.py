"""Sheets of mixes, without the command line."""

from monitor.planning.mixing import Liquid, mix_sheet
from monitor.planning.sheet import Sheet
from simulator.planning.mixing import Meaning, mix_of, to_mass_pct


def sheet_of(percent: float, meaning: Meaning, kg: float) -> Sheet:
    """Return the sheet of a mix of methanol and water, kg of it."""
    mass_pct = to_mass_pct(percent, meaning)
    methanol, water = (Liquid(pure, Meaning.MASS, pure) for pure in (100.0, 0.0))
    mix = mix_of(mass_pct, 100.0, 0.0, kg)
    return mix_sheet(mix, Liquid(percent, meaning, mass_pct), methanol, water)
