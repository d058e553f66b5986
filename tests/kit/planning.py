"""Shipped rigs, and sheets of mixes, without the command line."""

from functools import cache

from monitor.planning.mixing import Liquid, mix_sheet
from monitor.planning.sheet import Sheet
from rules.facts import Rig
from simulator.planning.mixing import Meaning, mix_of, to_mass_pct
from simulator.rig import find_rig, load_rig, shipped_rigs

RIGS = tuple(sorted(shipped_rigs()))


@cache
def rig_of(name: str) -> Rig:
    """Return a shipped rig."""
    return load_rig(find_rig(name)).rig


def sheet_of(percent: float, meaning: Meaning, kg: float) -> Sheet:
    """Return the sheet of a mix of methanol and water, kg of it."""
    mass_pct = to_mass_pct(percent, meaning)
    methanol, water = (Liquid(pure, Meaning.MASS, pure) for pure in (100.0, 0.0))
    mix = mix_of(mass_pct, 100.0, 0.0, kg)
    return mix_sheet(mix, Liquid(percent, meaning, mass_pct), methanol, water)
