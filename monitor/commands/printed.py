"""What commands print: lines or JSON on standard output, complaints on standard error."""

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, Final

_LEAST_WIDTH: Final = 40
_NO_TERMINAL: Final = 120


def say(lines: Iterable[str], facts: Callable[[], dict[str, Any]], *, as_json: bool) -> None:
    """Write lines, or with --json facts as a line."""
    import sys

    if as_json:
        sys.stdout.writelines(_in_parts(facts()))
    else:
        sys.stdout.writelines(for_output(line) + "\n" for line in lines)
    sys.stdout.flush()


def _in_parts(facts: dict[str, Any]) -> Iterator[str]:
    """Yield a line of JSON in parts: what an iterator in it yields is never held all at once."""
    import json

    before = "{"
    for name, value in facts.items():
        yield f"{before}{json.dumps(name)}: "
        before = ", "
        if isinstance(value, Iterator):
            yield "["
            for number, item in enumerate(value):
                yield before * (number > 0) + json.dumps(item, allow_nan=False)
            yield "]"
        else:
            yield json.dumps(value, allow_nan=False)
    yield "}\n"


def tell_written(path: Path) -> None:
    """Tell, on standard error, of a file that was written."""
    import sys

    from simulator.strict import called

    sys.stderr.write(f"wrote {called(path)}\n")


def complain(why: str) -> None:
    """Tell of a log that could not be read, or judged: the others are read all the same."""
    import sys

    from simulator.strict import clean

    sys.stderr.write(clean(f"flowdebt: {why}", 1000) + "\n")


def room() -> int:
    """Return how many cells a line of standard output has; many where that is no terminal."""
    import shutil
    import sys

    if not sys.stdout.isatty():
        return _NO_TERMINAL
    return max(_LEAST_WIDTH, shutil.get_terminal_size().columns)


def for_output(line: str) -> str:
    """Return a line as it goes to standard output: wrapped where that is a terminal.

    What goes on stands two columns further in than the line begins.
    """
    import sys
    import textwrap

    width = room()
    if not sys.stdout.isatty() or len(line) <= width:
        return line
    indent = line[: len(line) - len(line.lstrip())]
    body = textwrap.wrap(
        line[len(indent) :], width, initial_indent=indent, subsequent_indent=indent + "  "
    )
    return "\n".join(body)
