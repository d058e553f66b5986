"""``flowdebt reload``: new thresholds for a running guard."""

from typing import Annotated

from cyclopts import Parameter

from monitor.commands.parameters import JsonFlag, PidOption


def reload(
    *,
    rig: Annotated[
        str | None,
        Parameter(help="Another rig file or shipped rig; otherwise the same file."),
    ] = None,
    pid: PidOption = None,
    as_json: JsonFlag = False,
) -> int:
    """Have a running guard read its rig file again, without losing a sample.

    Debt, ladder, limits, watch, paid, fault timing, the command's figures and what a channel may
    read can change. The engine, the spray system, channels, their columns and the serial port
    can't: that is refused, and so is a file with a mistake in it; the old rig then stays in force.
    The recording goes on in a new segment with the new rig, and review says what changed and when.
    """
    import json
    import sys

    from monitor.attach.ask import ask
    from monitor.attach.protocol import LONGEST_PATH, Command
    from simulator.rig import find_rig
    from simulator.strict import BadInput, called, clean

    # The guard may run in another folder.
    path = "" if rig is None else str(find_rig(rig).absolute())
    if len(path.encode(errors="replace")) > LONGEST_PATH or not path.isprintable():
        raise BadInput(f"--rig: found {called(path)}, expected a path the guard can be told")
    told = ask(pid, Command("reload", rig=path))
    line = json.dumps({"reload": told}) if as_json else clean(told, 2000)
    sys.stdout.write(line + "\n")
    return 0
