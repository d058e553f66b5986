"""``flowdebt coverage``: which faults are found, where, and how soon."""

from typing import Annotated

from cyclopts import Parameter
from cyclopts.validators import Number

from monitor.commands.parameters import RigOption, flag


def coverage(
    *,
    rig: RigOption = None,
    runs: Annotated[
        int, Parameter(help="Cars a cell, 1 to 1000.", validator=Number(gte=1, lte=1000))
    ] = 10,
    seed: Annotated[
        int,
        Parameter(
            help="Which set of cars, 0 to 1000000; sets do not overlap.",
            validator=Number(gte=0, lte=1_000_000),
        ),
    ] = 0,
    fault: Annotated[
        str | None, Parameter(help="Only the rows whose name has this in it, such as pump_stop.")
    ] = None,
    why: Annotated[
        bool,
        flag("Add the reason behind each expectation and each cell left out."),
    ] = False,
    markdown: Annotated[bool, flag("As Markdown.")] = False,
    as_json: Annotated[bool, flag("As JSON.", "--json")] = False,
    workers: Annotated[
        int | None,
        Parameter(
            help="Processes; otherwise one a processor. The result is the same.",
            validator=Number(gte=1, lte=61),
        ),
    ] = None,
    list_: Annotated[bool, flag("List the rows' names.", "--list")] = False,
) -> int:
    """Run every fault at every operating point and compare what is found with what ought to be.

    The guard acts on each car (a closed loop). A cell says how long the first finding and the first
    action took, or in a word how it differs from what is expected. Without --rig it is brindle.
    Exit codes: 0 all that is expected came; 1 something was missed in a run; 2 bad input.
    """
    import json
    import sys

    from monitor.scheduling import processors
    from monitor.words.coverage import as_json as in_json
    from monitor.words.coverage import as_markdown, as_table
    from simulator.compiled_mark import DRIVE_ON, is_on_disk, leave_mark
    from simulator.compiled_or_not import choose
    from simulator.coverage.cases import CASES
    from simulator.coverage.matrix import State, cover, observe, simulated_s
    from simulator.coverage.points import POINTS
    from simulator.rig import find_rig, load_rig
    from simulator.strict import BadInput, clean, nearest

    if list_:
        sys.stdout.write("\n".join(case.name for case in CASES) + "\n")
        return 0
    if as_json and markdown:
        raise BadInput("coverage: found --json and --markdown, expected one of them")
    facts = load_rig(find_rig(rig or "brindle")).rig
    # As scenario files and the reports write it, pump_stop is the row "pump stop".
    part = "" if fault is None else fault.lower().replace("_", " ")
    cases = [case for case in CASES if part in case.name]
    if not cases:
        near = nearest(str(fault), [case.name for case in CASES], "flowdebt coverage --list")
        raise BadInput(
            f'--fault: found "{clean(str(fault))}", expected part of a name such as {near}'
        )
    processes = workers or processors()
    way = choose(simulated_s(facts, runs, cases) / processes)
    if way.why_slow:
        sys.stderr.write(way.why_slow + "\n")
        sys.stderr.flush()
    if way.compiled and not is_on_disk(DRIVE_ON):  # once, here, so that every worker finds it done
        observe(POINTS[0].scenario(facts, ()), 0)
        leave_mark(DRIVE_ON)
    cells = cover(
        facts,
        runs,
        seed,
        workers=processes if way.compiled else 1,
        cases=cases,
        compiled=way.compiled,
        progress=_progress if sys.stderr.isatty() else None,
    )
    if as_json:
        sys.stdout.write(json.dumps(in_json(facts, runs, seed, cells), allow_nan=False) + "\n")
    else:
        write = as_markdown if markdown else as_table
        sys.stdout.write("\n".join(write(facts, runs, seed, cells, why=why)) + "\n")
    return int(any(cell.state is State.MISSED for cell in cells))


def _progress(done: int, of: int) -> None:
    import sys

    sys.stderr.write(f"\r{done} of {of} cells" + ("\r" + " " * 40 + "\r") * (done == of))
    sys.stderr.flush()
