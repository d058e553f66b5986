"""A mix in words: what to pour, what comes of it, what to take care of."""

from dataclasses import dataclass
from typing import Final

from monitor.planning.cautions import FIRE, LOCAL_CODES, MATERIALS, POISON
from monitor.planning.sheet import Column, Fact, Note, Section, Sheet, Table
from monitor.planning.sources import CRC, FLASH, PRACTICE
from simulator.planning.mixing import (
    FLASH_FROM_PCT,
    FREEZING_TO_PCT,
    Meaning,
    Mix,
    finished_pct,
    flash_band_c,
    flash_c,
    freezes_c,
    poured_pct,
)
from simulator.rig.mix import density_kg_m3

MEANS: Final = {
    Meaning.VOLUME: "by volume before mixing",
    Meaning.MASS: "by mass",
    Meaning.FINISHED: "of the finished volume",
}
_CAUTIONS: Final = (
    POISON,
    FIRE,
    MATERIALS,
    Note(
        "Weigh what you pour where you can: a kilogram is one at any temperature. Volumes are at "
        "20 °C, before mixing; a mix warms a little and shrinks.",
        CRC,
    ),
    Note("Pour deionised or distilled water: what hard water leaves clogs nozzles.", PRACTICE),
    Note(
        "A premix must say methanol on its safety data sheet, and no glycol, polymer, oil or dye "
        "(they clog nozzles and don't evaporate). Ethanol and isopropanol are other liquids: these "
        "figures don't hold for them.",
        PRACTICE,
    ),
    Note(
        "Keep it closed, labelled, away from children and from drinking vessels. Open, it loses "
        "methanol first: keep what you measured, not what you remember.",
        PRACTICE,
    ),
    LOCAL_CODES,
)


@dataclass(frozen=True, slots=True)
class Liquid:
    """What is poured: percent of methanol as stated, what that is of, and by mass."""

    percent: float
    meaning: Meaning
    mass_pct: float

    @property
    def name(self) -> str:
        """What it is called."""
        if self.mass_pct <= 0.0:
            return "water"
        if self.mass_pct >= 100.0:
            return "methanol"
        return f"a premix of {strength(self.percent, self.meaning)}"


def strength(percent: float, meaning: Meaning) -> str:
    """Return a strength in words, with what the percentage is of."""
    return f"{percent:z.4g} % {MEANS[meaning]}"


def mix_sheet(mix: Mix, wanted: Liquid, strong: Liquid, weak: Liquid) -> Sheet:
    """Return the sheet of a mix.

    Args:
        mix: What is poured, and what comes of it.
        wanted: The mix, as it was asked for.
        strong: What is poured for its methanol.
        weak: What is poured to thin that.
    """
    poured_ml = mix.strong_ml + mix.weak_ml
    pour = Table(
        "pour",
        "the volumes don't add up, the masses do",
        (Column("liquid", ""), Column("ml", "volume", "mL"), Column("kg", "mass", "kg", 3)),
        (
            (strong.name, mix.strong_ml, mix.strong_kg),
            (weak.name, mix.weak_ml, mix.weak_kg),
            ("makes", mix.ml, mix.kg),
        ),
        CRC,
    )
    shrinks_pct = 100.0 * mix.shrinks_ml / poured_ml
    made = (
        Fact("density_kg_m3", "density", density_kg_m3(wanted.mass_pct), "kg/m3", 0, CRC),
        Fact(
            "shrinks_ml", "shrinks by", mix.shrinks_ml, "mL", 0, CRC,
            f"{shrinks_pct:z.1f} % of the two volumes",
        ),
    )  # fmt: skip
    percent = (
        Fact(
            "volume_pct", MEANS[Meaning.VOLUME], poured_pct(wanted.mass_pct), "%", 1, CRC,
            "as a rig's methanol_by_volume_pct and most recipes mean it",
        ),
        Fact(
            "mass_pct", MEANS[Meaning.MASS], wanted.mass_pct, "%", 1, CRC,
            "as a safety data sheet and freezing tables mean it",
        ),
        Fact(
            "finished_pct", MEANS[Meaning.FINISHED], finished_pct(wanted.mass_pct), "%", 1, CRC,
            "as labels mostly mean it (common practice, no source)",
        ),
    )  # fmt: skip
    return Sheet(
        f"A mix of {strength(wanted.percent, wanted.meaning)}, from {strong.name} and {weak.name}",
        (
            Section("pour", "Pour (at 20 °C)", (pour, *made)),
            Section("strength", "Methanol in it: one mix, three percentages", percent),
            Section("limits", "Freezes and catches fire", limits(wanted.mass_pct)),
            Section("cautions", "Take care", _CAUTIONS),
        ),
    )


def limits(mass_pct: float) -> tuple[Fact, Fact]:
    """Return where a mix freezes and from where its vapour catches fire.

    Args:
        mass_pct: Methanol in it, percent by mass.
    """
    freezing = freezes_c(mass_pct)
    flash, band = flash_c(mass_pct), flash_band_c(mass_pct)
    beyond = f"not given: the published table ends at {FREEZING_TO_PCT:z.0f} % by mass (-96 °C)"
    slush = "where the first ice comes, give or take 1 K"
    begins = f"none given below {FLASH_FROM_PCT:z.0f} % by mass"
    if mass_pct > 0.0:
        begins += ": above 50 °C, but over a hot part its vapour may burn all the same"
    if flash is not None and band is not None:
        warm = "a warm garage is enough" if band[0] < 25.0 else "a hot engine bay is enough"
        begins = f"most likely {flash:z.0f} °C, calculated, closed cup: {warm}"
    return (
        Fact(
            "freezing_c",
            "freezes at",
            freezing,
            "°C",
            0,
            CRC,
            beyond if freezing is None else slush,
        ),
        Fact("flash_c", "flash point", band, "°C", 0, FLASH, begins),
    )
