"""``flowdebt draft``: a rig for this car, out of its logs and a few answers."""

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from monitor.commands.parameters import flag


def draft(
    *logs: Annotated[
        Path,
        Parameter(
            help="Logs of the car, as its logger wrote them (CSV, Parquet, Arrow IPC), or folders "
            "of these."
        ),
    ],
    to: Annotated[
        Path | None,
        Parameter(
            help="Rig file to write, never over another; on a terminal it asks five questions or "
            "so, and Enter takes what it shows. Without it the columns are told, no more."
        ),
    ] = None,
    set_: Annotated[
        tuple[str, ...],
        Parameter(
            name="--set",
            negative="",
            show_default=False,
            help='An answer beforehand, such as engine.displacement="2.0 L"; any key of a rig, any '
            "number of times: spray.nozzles[0].count=2, spray.pump.regulated=none. "
            'channels.boost_kpa.column="MAP" says which column is boost.',
        ),
    ] = (),
    new: Annotated[bool, flag("Without a log: from answers and a shipped rig's numbers.")] = False,
    from_: Annotated[
        str | None,
        Parameter(
            name="--from",
            help="Rig whose text and defaults are taken; otherwise the shipped one nearest to the "
            "engine: brindle (turbocharged), ullesby (blower), quarrick (nothing boosts).",
        ),
    ] = None,
    healthy: Annotated[bool, flag("The spray worked as it should all through these logs.")] = False,
) -> int:
    """Draft a rig for a car from its logs: which column is what, in which unit, and how sure.

    On a terminal it asks what no log can say; elsewhere nothing is asked, and --set answers. Behind
    each number in the rig stands where it comes from; what is open is marked TO DO, with a value
    that errs on the engine's side. What can't be left to a guess is written as "?", which flowdebt
    check refuses.
    """
    import sys

    from monitor.commands.printed import for_output
    from monitor.commission.from_log import read_logs
    from monitor.commission.interview import interview, told_of, what_next
    from monitor.commission.questions import MAY_BE_NONE
    from monitor.review.edit import save_as, set_keys
    from monitor.review.several import logs_in
    from simulator.rig import find_rig, load_rig
    from simulator.strict import BadInput, called, clean, ending_of, refuse_taken

    if new == bool(logs):
        raise BadInput(
            "draft: found a log and --new, expected one of the two"
            if new
            else "draft: found no LOG, expected one, or --new"
        )
    if to is not None:
        ending_of(to, ".toml")
        refuse_taken(to)
    elif new:
        raise BadInput("draft: found --new without --to, expected a rig file to write")
    sets = set_keys(load_rig(find_rig(from_ or "brindle")), *set_, may_be_none=MAY_BE_NONE)

    def say(line: str) -> None:
        sys.stdout.write(for_output(line) + "\n")

    paths = logs_in(logs)
    log = read_logs(paths, sets) if paths else None
    if to is None:
        if log is not None:
            for line in told_of(log, sets):
                say(line)
            say("nothing is written: --to mycar.toml drafts a rig")
        return 0
    person = sys.stdin is not None and sys.stdin.isatty() and sys.stdout.isatty()
    drafted = interview(
        clean(to.stem, 60),
        log,
        like=from_,
        sets=sets,
        healthy=True if healthy else None,
        ask=input if person else None,
        say=say,
    )
    save_as(drafted.toml, to)
    say(f"\nwrote {called(to)}")
    for line in what_next(drafted, to, paths):
        say(line)
    return 0
