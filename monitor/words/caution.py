"""The caution that goes with everything."""

from typing import Final

ON_PAPER: Final = (
    "flowdebt advises; it is not a certified safety device. Methanol is toxic and burns unseen, "
    "spray lines are under pressure, and spray without combustion can hydrolock an engine: follow "
    "local codes and let licensed people do what needs a licence."
)
CAUTION: Final = f"{ON_PAPER} A driver must not read this screen."
