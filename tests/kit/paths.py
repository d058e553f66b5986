"""Where things are: the repository's root, and the kept screens."""

from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
SCREENS: Final = ROOT / "tests" / "screens"
