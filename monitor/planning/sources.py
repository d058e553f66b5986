"""Where the numbers of plans and mixes come from, in the words under which they are listed."""

from typing import Final

PRACTICE: Final = "common practice, no source"
CRC: Final = (
    "CRC Handbook of Chemistry and Physics, 102nd ed., Concentrative Properties of Aqueous "
    "Solutions: density at 20 °C, freezing point"
)
FLASH: Final = (
    "calculated after Liaw et al. (2006) and Astbury et al., IChemE Symposium Series 150 (2004), "
    "who found such models within 5 K of measured; 9 to 12 °C for pure methanol: IEC 60079-20-1, "
    "NIOSH, NFPA 497"
)
TOXIC: Final = (
    "National Academies, laboratory chemical safety summary (60 to 250 mL have killed); NIOSH: no "
    "more than 200 ppm over a shift, 6000 ppm immediately dangerous"
)
BURNS: Final = "NFPA 497 and IEC 60079-20-1: burns from 6.0 to 36 % in air"
