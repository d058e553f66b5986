"""Colours and symbols: greys while all is well, Okabe-Ito hues for what is not.

Hues: Okabe & Ito, Color Universal Design (2002, rev. 2008); Wong, Nature Methods 8 (2011) 441.
Yellow, orange and sky blue fail on white, so every hue that carries text is a background under
black text, which reads the same in both themes.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Final

from rich.style import Style

OKABE_ITO: Final = {
    "black": "#000000",
    "orange": "#E69F00",
    "sky_blue": "#56B4E9",
    "bluish_green": "#009E73",
    "yellow": "#F0E442",
    "blue": "#0072B2",
    "vermillion": "#D55E00",
    "reddish_purple": "#CC79A7",
}

# A colour never says anything alone: word and symbol stand beside it. By action's number.
ACTION_WORDS: Final = ("HOLD", "WARN", "PULL TIMING", "CUT BOOST")
ACTION_SYMBOLS: Final = ("=", "!", "▼", "■")
ACTION_ROLES: Final = ("calm", "warn", "pull", "cut")
UNKNOWN: Final = "?"
GONE: Final = "×"


@dataclass(frozen=True)
class Palette:
    """One theme's colours, as #RRGGBB.

    Attributes:
        ground: Behind everything.
        ink: What should be read first.
        mid: Graphics that matter.
        dim: Text that can wait.
        faint: Graphics that can wait.
        short: Graphics of what is missing or beyond its limit.
    """

    name: str
    dark: bool
    ground: str
    ink: str
    mid: str
    dim: str
    faint: str
    short: str

    @cached_property
    def text(self) -> dict[str, Style]:
        """Styles that carry text, by role."""
        on = self.ground
        black = OKABE_ITO["black"]
        return {
            "ink": Style(color=self.ink, bgcolor=on),
            "strong": Style(color=self.ink, bgcolor=on, bold=True),
            "dim": Style(color=self.dim, bgcolor=on),
            "chosen": Style(color=on, bgcolor=self.ink),
            "calm": Style(color=self.ink, bgcolor=on, bold=True),
            "warn": Style(color=black, bgcolor=OKABE_ITO["yellow"], bold=True),
            "pull": Style(color=black, bgcolor=OKABE_ITO["orange"], bold=True),
            "cut": Style(color=black, bgcolor=OKABE_ITO["vermillion"], bold=True),
            "unknown": Style(color=black, bgcolor=OKABE_ITO["reddish_purple"], bold=True),
        }

    @cached_property
    def graphic(self) -> dict[str, Style]:
        """Styles that carry lines and bars, by role."""
        colours = {"ink": self.ink, "mid": self.mid, "faint": self.faint, "short": self.short}
        return {role: Style(color=colour, bgcolor=self.ground) for role, colour in colours.items()}


DARK: Final = Palette(
    name="flowdebt-dark",
    dark=True,
    ground="#0B0D0F",
    ink="#E8EAEC",
    mid="#AEB4BA",
    dim="#9DA4AB",
    faint="#6E757C",
    short=OKABE_ITO["orange"],
)
LIGHT: Final = Palette(
    name="flowdebt-light",
    dark=False,
    ground="#FFFFFF",
    ink="#14171A",
    mid="#454B51",
    dim="#596067",
    faint="#858C93",
    short=OKABE_ITO["vermillion"],
)
PALETTES: Final = (DARK, LIGHT)
