"""Writing a still where somebody wants it: the name's ending says as what."""

from pathlib import Path
from typing import Final

from monitor.pictures.cells import Still
from monitor.pictures.svg import to_svg
from simulator.strict import ending_of, new_file

ENDINGS: Final = (".svg", ".png")


def write(still: Still, path: Path) -> None:
    """Write a picture to a new file.

    Args:
        still: What to write.
        path: Where; ``.svg`` or ``.png``.

    Raises:
        BadInput: The ending is another, a file is there already, or none can be made there.
    """
    if ending_of(path, *ENDINGS) == ".svg":
        content = to_svg(still).encode()
    else:
        from monitor.pictures.png import to_png

        content = to_png(still)
    with new_file(path) as file:
        file.write(content)
