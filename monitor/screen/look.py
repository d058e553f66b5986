"""What a person may choose about the screen, by the words of the command line."""

from typing import Final, Literal, NamedTuple

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


USUAL: Final = Look()
