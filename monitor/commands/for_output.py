"""Lines for whoever reads the output: a terminal's are wrapped, a file's or a program's are not."""

import shutil
import sys
import textwrap
from typing import Final

_LEAST_WIDTH: Final = 40


def for_output(line: str) -> str:
    """Return a line as it goes to standard output: wrapped where that is a terminal.

    What goes on stands two columns further in than the line begins.
    """
    if not sys.stdout.isatty():
        return line
    width = max(_LEAST_WIDTH, shutil.get_terminal_size().columns)
    if len(line) <= width:
        return line
    indent = line[: len(line) - len(line.lstrip())]
    body = textwrap.wrap(
        line[len(indent) :], width, initial_indent=indent, subsequent_indent=indent + "  "
    )
    return "\n".join(body)
