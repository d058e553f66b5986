"""``flowdebt sessions``: what has been recorded."""

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from monitor.commands.parameters import JsonFlag


def sessions(
    folder: Annotated[
        Path | None,
        Parameter(help="Folder that sessions are recorded in; otherwise sessions."),
    ] = None,
    *,
    as_json: JsonFlag = False,
) -> int:
    """List recorded sessions, newest first.

    When each began, its rig and source, how long it is, what was found and the worst action, and
    whether the recording is complete, lacks rows, was cut off, or goes on.
    """
    import contextlib
    import json
    import os
    import sys
    from dataclasses import asdict

    from monitor.attach.endpoint import running_endpoints
    from monitor.recorder.index import in_words, sessions_in
    from simulator.strict import BadInput, called

    running: set[int] = set()
    with contextlib.suppress(BadInput):
        running = {endpoint.pid for endpoint in running_endpoints()}
    usual = Path("sessions")
    if folder is None and not os.path.lexists(usual):
        if not as_json:
            sys.stdout.write(
                "nothing recorded here yet: flowdebt watch records in a folder called sessions\n"
            )
        return 0
    folder = folder or usual
    entries = sessions_in(folder, running)
    if as_json:
        for entry in entries:
            sys.stdout.write(json.dumps(asdict(entry), allow_nan=False) + "\n")
        return 0
    for line in in_words(entries):
        sys.stdout.write(line + "\n")
    if not entries:
        sys.stdout.write(f"no sessions in {called(folder)}\n")
    return 0
