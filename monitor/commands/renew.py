"""``flowdebt renew``: a rig file of an older version in today's keys."""

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter


def renew(
    rig: Annotated[str, Parameter(help="Rig file (TOML) with keys of an older version.")],
    *,
    to: Annotated[
        Path | None, Parameter(help="New rig file to write; otherwise it is printed.")
    ] = None,
) -> int:
    """Write an older version's rig file in today's keys, with all its remarks.

    Only lines of old keys change: a key that moved takes its remarks along, one that is gone
    becomes a remark. What was changed, and what is left to decide, is told on standard error. The
    file itself is left as it is, and so is any other that is there already.
    """
    import sys

    from monitor.review.edit import save_as
    from monitor.words.literal import plain
    from simulator.rig import find_rig, left_open, renewed, rig_from_text
    from simulator.strict import called, read_text
    from simulator.strict.document import MAX_LINE

    path = find_rig(rig)
    toml, changed = renewed(read_text(path), str(path))
    rig_file = rig_from_text(toml, str(path))
    if to is None and sys.stdout.isatty():
        sys.stdout.write("\n".join(plain(line, MAX_LINE) for line in toml.split("\n")))
    elif to is None:
        sys.stdout.buffer.write(toml.encode())  # to the byte, on every system
    else:
        save_as(toml, to)
    sys.stdout.flush()
    say = sys.stderr.write
    if not changed:
        say(f"{called(path)}: nothing to renew, every key is of today\n")
    else:
        say(f"{called(path)}: renewed\n" + "".join(f"  {line}\n" for line in changed))
        say("".join(f"  to decide: {line}\n" for line in left_open(rig_file)))
    if to is not None:
        say(f"wrote {called(to)}\n")
    elif changed:
        say("the file itself is as it was\n")
    return 0
