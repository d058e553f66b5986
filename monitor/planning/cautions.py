"""Cautions about methanol and its mixes that go with every mix and plan."""

from typing import Final

from monitor.planning.sheet import Note
from monitor.planning.sources import BURNS, PRACTICE, TOXIC

POISON: Final = Note(
    "Methanol is poisonous swallowed, breathed or through the skin: 60 mL can kill. Gloves that "
    "it doesn't pass, goggles, fresh air; see a doctor at once, before anything is felt.",
    TOXIC,
    "!",
)
FIRE: Final = Note(
    "Its flame is nearly invisible in daylight and its vapour burns from 6 to 36 % in air: no "
    "sparks, flames or hot parts near, earthed metal vessels, an alcohol-resistant foam or "
    "powder extinguisher at hand.",
    BURNS,
    "!",
)
MATERIALS: Final = Note(
    "Methanol attacks bare aluminium, magnesium and some plastics and rubbers: every part that it "
    "touches must be made for it.",
    PRACTICE,
)
LOCAL_CODES: Final = Note(
    "How much may be kept, where, how it is moved and where leftovers go is decided by local code "
    "and the fire authority, not here. The safety data sheet of what you buy goes before all of "
    "this."
)
