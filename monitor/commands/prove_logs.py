"""``flowdebt prove --log``: requirements held against recorded drives, their faults marked."""

import shlex
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from monitor.proof.in_logs import LogProof
from monitor.review.several import logs_in, names_of
from simulator.proof.requirements import Requirements
from simulator.proof.results import Proof
from simulator.rig import RigFile
from simulator.strict import clean

_LONGEST = 2000


def prove_logs(
    asked: Requirements,
    about: dict[str, Any],
    logs: Sequence[Path],
    rig: str,
    rig_file: RigFile,
) -> tuple[Proof, Callable[[int], str]]:
    """Judge logs; return the proof, and what returns the command that shows a fault of it.

    Raises:
        BadInput: A log, or its marks, can't be read or used.
    """
    paths = logs_in(logs)
    names = names_of(paths)
    proof = LogProof(asked, rig_file)
    for i, (path, name) in enumerate(zip(paths, names, strict=True)):
        if sys.stderr.isatty():
            sys.stderr.write(f"\r{i} of {len(paths)} logs\r")
            sys.stderr.flush()
        proof.take(path, name, rig)
    for told in proof.unmatched:
        sys.stderr.write(f"mark not used: {told}\n")
    del about["seed_set"]
    about |= {"logs": [clean(name) for name in names], "marks_not_used": proof.unmatched}

    def replay(run: int) -> str:
        path, time_s, _ = proof.marked[run]
        command = ["flowdebt", "replay", str(path), "--rig", rig, "--at", f"{time_s:z.2f}"]
        return clean(shlex.join(command), _LONGEST)

    return proof.proof(about), replay
