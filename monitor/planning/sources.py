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
RIG: Final = "the rig file"
ASKED: Final = "asked for on the command line"
HYDRAULICS: Final = (
    "the rig through the guard's own hydraulics: square-root law (Crane TP-410), straight pump "
    "curve, affinity laws"
)
VOLTAGE: Final = (
    "the guard's own hydraulics; the pump's speed in proportion to its voltage, its curve that at "
    "13.6 V (common practice, no source)"
)
SPEED_DENSITY: Final = (
    "speed-density (ideal gas) by the rig's engine; charge of 40 °C with spray and lambda 0.82 by "
    "the petrol alone (common practice, no source)"
)
WORK: Final = "280 to 380 g of petrol for a kWh at full load (common practice, no source)"
AS_ASKED: Final = (
    "the power asked for, at 320 g of petrol for a kWh and lambda 0.82 by the petrol alone (common "
    "practice, no source); over speeds as speed-density has it"
)
SHARE: Final = "10 to 35 % of the petrol by mass (common practice, no source)"
VAPOUR: Final = (
    "ASHRAE Handbook Fundamentals, chapter 1 (enthalpies, Hyland-Wexler vapour pressure); methanol "
    "by Antoine (NIST Chemistry WebBook), van Laar activities"
)
COMPRESSED: Final = (
    "isentropic compression at an efficiency of 0.70 (a displacement blower's 0.60), intercooler "
    "of effectiveness 0.70; 25 K over the air outside where nothing boosts (common practice, no "
    "source)"
)
BY_THE_VALVE: Final = (
    "enthalpies and vapour pressures as for saturation; 30 to 100 % has evaporated by the inlet "
    "valve (common practice, no source)"
)
IN_ALL: Final = (
    "as for the intake; of the rest 50 to 80 % evaporates in the cylinder's gas and not off metal "
    "(common practice, no source)"
)
FUEL: Final = (
    "lambda's definition; 6.473 kg of air a kg of methanol (its elements), 14.7 of petrol (a "
    "convention; E10 14.1); 19.91 MJ/kg (CRC formation enthalpies) and 43.5 MJ/kg"
)
KNOCK: Final = (
    "Russ, SAE 960497 (1996): one octane number for 7 K of intake temperature and for 1 deg of "
    "timing, 3 to 4 for 10 kPa of boost, within a factor of two; road studies in B. Hamilton, "
    "Gasoline FAQ part 3 (1996): one for 10 to 13 K"
)
TANK: Final = "volume over full flow and the share of the time with spray"
CLEARANCE: Final = "definition of the compression ratio"
