"""``flowdebt fit``: this car's numbers, out of its healthy logs, into its rig."""

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter
from cyclopts.validators import Number

from monitor.commands.parameters import JsonFlag, RigOption, flag


def fit(
    *logs: Annotated[
        Path,
        Parameter(help="Healthy logs (CSV, Parquet, Arrow IPC) of this car, or sessions' folders."),
    ],
    rig: RigOption = None,
    to: Annotated[
        Path | None,
        Parameter(help="Rig file to write, never over another; without it nothing is written."),
    ] = None,
    dry_run: Annotated[bool, flag("Only print, write nothing.")] = False,
    plot: Annotated[
        Path | None,
        Parameter(help="Picture of one pull, what is left of it, what is uncertain: .png or .svg."),
    ] = None,
    runs: Annotated[
        int,
        Parameter(
            help="Drives of a simulated car in which false pulls are counted, two minutes each.",
            validator=Number(gte=0, lte=10_000),
        ),
    ] = 20,
    as_json: JsonFlag = False,
) -> int:
    """Fit a rig to its car's healthy logs: each number with its interval, and where it comes from.

    Tells what the rig says, what the logs say and how sure that is, what was left out as not
    healthy, what speaks against log or rig, and what the new rig buys: how soon a stopped pump is
    handled, and how often timing is pulled falsely. The new rig keeps your remarks and layout.
    """
    import json
    import sys

    from monitor.clock import stamp
    from monitor.commands.printed import for_output
    from monitor.commission.buys import buys, drives_of
    from monitor.commission.fit_words import as_json as plain
    from monitor.commission.fit_words import buys_in_words, in_words
    from monitor.commission.fitting import fit_logs
    from monitor.commission.rig_logs import read_rig_logs
    from monitor.pictures.write import ENDINGS
    from monitor.review.edit import save_as
    from simulator.compiled_mark import RUN_ALL, is_on_disk
    from simulator.strict import BadInput, called, ending_of, refuse_taken

    if not logs:
        raise BadInput("fit: found no LOG, expected one")
    for path, endings in ((to, (".toml",)), (plot, ENDINGS)):
        if path is not None:
            ending_of(path, *endings)
            refuse_taken(path)

    def aside(line: str) -> None:
        sys.stderr.write(f"{line}\n" * bool(line))
        sys.stderr.flush()

    def say(lines: list[str]) -> None:
        for line in lines if not as_json else ():
            sys.stdout.write(for_output(line) + "\n")
        sys.stdout.flush()

    rig_file, read = read_rig_logs(logs, rig)
    if not is_on_disk(RUN_ALL):
        aside("the decision code is compiled first, once on this machine: about a minute")
    fitted = fit_logs(rig_file, read, stamp()[: len("2026-01-31")])
    say(in_words(fitted))
    bought = None
    if fitted.new is not None:
        drives, way = drives_of(fitted.new.rig, fitted.new.time.period_s, runs)
        aside(way.why_slow)
        bought = buys(fitted, drives, way)
        say(["", *buys_in_words(fitted, bought)])
    if as_json:
        sys.stdout.write(json.dumps(plain(fitted, bought), allow_nan=False) + "\n")
        sys.stdout.flush()
    if fitted.new is None:
        raise BadInput(f"{called(logs[0])}: {fitted.refused}")
    if plot is not None and not dry_run:
        from monitor.pictures.fit_picture import save_fit

        save_fit(fitted, plot)
        aside(f"drew {called(plot)}")
    if to is None or dry_run:
        say(["", "nothing is written" + ("" if dry_run else ": --to new.toml writes the new rig")])
        return 0
    save_as(fitted.new.text, to)
    say(["", f"wrote {called(to)}"])
    say([f"next: flowdebt review {called(logs[0])} --rig {called(to)}"])
    noted = f"--done fit --by NAME --log {called(logs[0])}"
    say([f"then, where that looks right: flowdebt check {called(to)} {noted}"])
    return 0
