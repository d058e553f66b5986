"""Writing a still where somebody wants it: the name's ending says as what."""

import contextlib
from pathlib import Path
from typing import Final

from monitor.still.cells import Still
from monitor.still.svg import to_svg
from simulator.strict import BadInput, called

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


def refuse_taken(path: Path) -> None:
    """Refuse a name that something has already; to be told before there is a picture.

    Raises:
        BadInput: Something has it.
    """
    if path.exists() or path.is_symlink():
        raise BadInput(
            f"{called(path)}: found a file there already, expected a new name: pictures are never "
            "written over others"
        )


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
        from monitor.still.png import to_png

        content = to_png(still)
    try:
        file = path.open("xb")
    except FileExistsError:
        refuse_taken(path)
        raise
    except (OSError, ValueError) as error:
        raise _unwritable(path, error) from None
    try:
        with file:
            file.write(content)
    except OSError as error:
        with contextlib.suppress(OSError):
            path.unlink()  # it is ours: it did not exist before
        raise _unwritable(path, error) from None


def _unwritable(path: Path, error: Exception) -> BadInput:
    why = error.strerror if isinstance(error, OSError) else str(error)
    return BadInput(f"{called(path)}: found {why}, expected a file to write")
