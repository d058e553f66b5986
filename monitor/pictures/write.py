"""Writing a still where somebody wants it: the name's ending says as what."""

from pathlib import Path
from typing import Final

from monitor.pictures.cells import Still
from monitor.pictures.svg import to_svg
from simulator.strict import BadInput, called, new_file

ENDINGS: Final = (".svg", ".png")


def checked_ending(path: Path) -> str:
    """Return a picture's ending in small letters.

    Raises:
        BadInput: It is none that can be written; to be told before there is a picture.
    """
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise BadInput(f"{called(path)}: found {ending or 'no ending'}, expected .svg or .png")
    return ending


def write(still: Still, path: Path) -> None:
    """Write a picture to a new file.

    Args:
        still: What to write.
        path: Where; ``.svg`` or ``.png``.

    Raises:
        BadInput: The ending is another, a file is there already, or none can be made there.
    """
    if checked_ending(path) == ".svg":
        content = to_svg(still).encode()
    else:
        from monitor.pictures.png import to_png

        content = to_png(still)
    with new_file(path) as file:
        file.write(content)
