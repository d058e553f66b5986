"""``flowdebt export``: a recorded session for other programs."""

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter


def export(
    session: Annotated[Path, Parameter(help="A recorded session's folder.")],
    *,
    to: Annotated[Path, Parameter(help="File to write: .csv or .parquet.")],
    from_: Annotated[
        float | None, Parameter(name="--from", help="Only from this time on, s, as review says it.")
    ] = None,
    until: Annotated[float | None, Parameter(help="Only up to this time, s.")] = None,
) -> int:
    """Write a recorded session as CSV or Parquet.

    Every number reads back to the last bit, and review decides the same on the file as on the
    session. Parquet also holds what was decided, and each column's unit. A file that is there
    already is left alone.
    """
    import sys
    from math import inf

    from monitor.recorder.export import export as write
    from monitor.recorder.span import counted
    from simulator.strict import called

    done = write(session, to, -inf if from_ is None else from_, inf if until is None else until)
    sys.stderr.write(f"wrote {counted(done.rows, 'row')} to {called(to)}\n")
    if done.cut is not None:
        sys.stderr.write(f"the recording is not whole: {done.cut}\n")
    if done.rig_changed:
        sys.stderr.write(
            "thresholds changed while it was recorded: review judges this file by one rig alone\n"
        )
    return 0
