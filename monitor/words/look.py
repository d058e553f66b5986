"""What a person may choose about the screen, by the words of the command line."""

from typing import Final, Literal, NamedTuple

from monitor.words.units import ALL_UNITS, Units

UnitsName = Literal["metric", "us"]
ThemeName = Literal["auto", "dark", "light", "contrast", "mono"]
BellName = Literal["off", "action", "alarm"]


class Look(NamedTuple):
    """The choices.

    Attributes:
        units: For figures.
        theme: Colours; ``auto`` is dark, or without colour where NO_COLOR is set.
        bell: What rings the terminal's bell: nothing, an action, or a sounding alarm too.
    """

    units: UnitsName = "metric"
    theme: ThemeName = "auto"
    bell: BellName = "action"

    @property
    def figures(self) -> Units:
        """How figures are shown."""
        return next(units for units in ALL_UNITS if units.name == self.units)


USUAL: Final = Look()
