"""Where things are: the repository's root, and the kept screens."""

from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
SCREENS: Final = ROOT / "tests" / "screens"
# Recorded by the version before evidence, to be read for ever.
OLDER_SESSION: Final = ROOT / "tests" / "kit" / "older_session"


def kept_screen(name: str, size: tuple[int, int]) -> Path:
    """Return the file with a kept screen (``tests.kit.screens`` writes them anew)."""
    return SCREENS / f"{name}_{size[0]}x{size[1]}.txt"
