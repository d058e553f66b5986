"""Colours and symbols: greys while all is well, Okabe-Ito hues for what is not.

Hues: Okabe & Ito, Color Universal Design (2002, rev. 2008); Wong, Nature Methods 8 (2011) 441.
Yellow, orange and sky blue fail on white, so every hue that carries text is a background under
black text, which reads the same in all themes that have colours.
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
ACTION_WORDS: Final = ("NO ACTION", "WARN", "PULL TIMING", "CUT BOOST")
ACTION_SYMBOLS: Final = ("=", "!", "▼", "▬")
ACTION_ROLES: Final = ("calm", "warn", "pull", "cut")
UNKNOWN: Final = "?"
GONE: Final = "×"


@dataclass(frozen=True)
class Palette:
    """One theme's colours, as #RRGGBB.

    Attributes:
        word: What it is chosen by.
        ground: Behind everything.
        ink: What should be read first.
        mid: Graphics that matter.
        dim: Text that can wait.
        faint: Graphics that can wait.
        short: Graphics of what is missing or beyond its limit.
        warn: Behind a warning's word, in black; so are the next three.
        pull: Behind the word of an action that pulls timing.
        cut: Behind the word of a boost cut.
        unknown: Behind what is not known.
        heavy: Whether text is bold, and the line that matters twice as thick.
        colourless: Whether the terminal's own two colours are all there is: then bold, underline
            and reverse tell the roles apart, and the colours named here are never sent.
    """

    word: str
    dark: bool
    ground: str
    ink: str
    mid: str
    dim: str
    faint: str
    short: str
    warn: str = OKABE_ITO["yellow"]
    pull: str = OKABE_ITO["orange"]
    cut: str = OKABE_ITO["vermillion"]
    unknown: str = OKABE_ITO["reddish_purple"]
    heavy: bool = False
    colourless: bool = False

    @property
    def name(self) -> str:
        """Textual's name of the theme."""
        return f"flowdebt-{self.word}"

    @cached_property
    def text(self) -> dict[str, Style]:
        """Styles that carry text, by role."""
        plain = Style(color=self.ink, bgcolor=self.ground)
        bold = plain + Style(bold=True)
        if self.colourless:
            return {
                "ink": plain,
                "strong": bold,
                "dim": plain,
                "chosen": plain + Style(underline=True),
                "calm": bold,
                "warn": bold + Style(underline=True),
                "pull": bold + Style(reverse=True),
                "cut": bold + Style(reverse=True, underline=True),
                "unknown": plain + Style(reverse=True),
            }
        black = OKABE_ITO["black"]
        return {
            "ink": bold if self.heavy else plain,
            "strong": bold,
            "dim": Style(color=self.dim, bgcolor=self.ground, bold=self.heavy),
            "chosen": Style(color=self.ground, bgcolor=self.ink),
            "calm": bold,
            "warn": Style(color=black, bgcolor=self.warn, bold=True),
            "pull": Style(color=black, bgcolor=self.pull, bold=True),
            "cut": Style(color=black, bgcolor=self.cut, bold=True),
            "unknown": Style(color=black, bgcolor=self.unknown, bold=True),
        }

    @cached_property
    def graphic(self) -> dict[str, Style]:
        """Styles that carry lines and bars, by role."""
        colours = {"ink": self.ink, "mid": self.mid, "faint": self.faint, "short": self.short}
        heavy = {"ink": self.heavy, "short": self.heavy}
        return {
            role: Style(color=colour, bgcolor=self.ground, bold=heavy.get(role, False))
            for role, colour in colours.items()
        }


DARK: Final = Palette(
    word="dark",
    dark=True,
    ground="#0B0D0F",
    ink="#E8EAEC",
    mid="#AEB4BA",
    dim="#9DA4AB",
    faint="#6E757C",
    short=OKABE_ITO["orange"],
)
LIGHT: Final = Palette(
    word="light",
    dark=False,
    ground="#FFFFFF",
    ink="#14171A",
    mid="#454B51",
    dim="#596067",
    faint="#858C93",
    short=OKABE_ITO["vermillion"],
)
CONTRAST: Final = Palette(
    word="contrast",
    dark=True,
    ground="#000000",
    ink="#FFFFFF",
    mid="#FFFFFF",
    dim="#FFFFFF",
    faint="#A8A8A8",
    short=OKABE_ITO["yellow"],
    # Vermillion and reddish purple stay below 7 to 1 under black.
    cut="#FFFFFF",
    unknown=OKABE_ITO["sky_blue"],
    heavy=True,
)
MONO: Final = Palette(
    word="mono",
    dark=True,
    ground="#000000",
    ink="#FFFFFF",
    mid="#FFFFFF",
    dim="#FFFFFF",
    faint="#FFFFFF",
    short="#FFFFFF",
    heavy=True,
    colourless=True,
)
PALETTES: Final = (DARK, LIGHT, CONTRAST, MONO)


def palette_for(word: str, *, no_color: bool) -> Palette:
    """Return the palette chosen by a word; "auto" is dark, or without colour where that is asked.

    Raises:
        ValueError: There is no such palette.
    """
    if word == "auto":
        return MONO if no_color else DARK
    for palette in PALETTES:
        if palette.word == word:
            return palette
    expected = ", ".join(palette.word for palette in PALETTES)
    raise ValueError(f"theme: found {word}, expected auto, {expected}")
