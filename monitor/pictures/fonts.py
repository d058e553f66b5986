"""The fonts that matplotlib brings, found without loading it."""

from functools import cache
from importlib.util import find_spec
from pathlib import Path


@cache
def bundled_font(name: str) -> Path:
    """Return the file of a font, such as ``DejaVuSansMono``.

    Raises:
        FileNotFoundError: There is none of this name.
    """
    spec = find_spec("matplotlib")
    folder = Path(spec.origin).parent if spec is not None and spec.origin else Path()
    path = folder / "mpl-data" / "fonts" / "ttf" / f"{name}.ttf"
    if not path.is_file():
        raise FileNotFoundError(path)
    return path
