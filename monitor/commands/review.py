"""``flowdebt review``: what happened in this log, and why?"""

from pathlib import Path
from typing import Annotated, Final, Literal

from cyclopts import Parameter

from monitor.commands.parameters import JsonFlag, RigOption

_LEAST_WIDTH: Final = 40


def review(
    log: Annotated[Path, Parameter(help="A log (CSV, Parquet, Arrow IPC), or a session's folder.")],
    *,
    rig: RigOption = None,
    as_json: JsonFlag = False,
    fail_on: Annotated[
        Literal["warn", "pull_timing", "cut_boost"] | None,
        Parameter(help="Exit with 1 where an action this bad, or worse, was taken."),
    ] = None,
) -> int:
    """Read back a log at full speed and say what happened: when, what, how deep, action, why.

    A session is judged by the rig it was recorded with, and must reproduce its own decisions; give
    --rig to judge it by another. Exit codes: 0 ran; 1 --fail-on was reached, or a session's
    decisions did not come out the same; 2 bad input, or nothing in it could be judged.
    """
    import json
    import sys

    from monitor.review.report import in_words
    from monitor.review.review import NOT_JUDGED
    from monitor.review.review import review as read_back
    from rules.facts import Action
    from simulator.strict import called

    result = read_back(log, rig)
    if as_json:
        sys.stdout.write(json.dumps(result.as_json(), allow_nan=False) + "\n")
    else:
        for line in in_words(result):
            sys.stdout.write(for_output(line) + "\n")
    sys.stdout.flush()
    if result.reproduced is False:
        return 1
    if not (result.judged or result.events):
        sys.stderr.write(f"flowdebt: {called(log)}: {NOT_JUDGED}\n")
        return 2
    return int(fail_on is not None and result.worst >= Action[fail_on.upper()])


def for_output(line: str) -> str:
    """Return a line as it goes to standard output: wrapped where that is a terminal.

    What goes on stands two columns further in than the line begins.
    """
    import shutil
    import sys
    import textwrap

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
