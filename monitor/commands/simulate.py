"""``flowdebt simulate``: a scenario as a log, a report and a picture."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

from cyclopts import Parameter

from monitor.commands.parameters import PlotOption, ScenarioArgument, SeedOption, flag
from monitor.commands.printed import tell_written

if TYPE_CHECKING:
    from monitor.pictures.simulating import Run
    from simulator.logfile import Write
    from simulator.plant import Scenario

_WIDE = 80
_HANG = " " * 21


def simulate(
    scenario: ScenarioArgument = "",
    *,
    to: Annotated[
        Path | None,
        Parameter(
            help="Log to write, .csv or .parquet; otherwise CSV on standard output, or none with "
            "--plot."
        ),
    ] = None,
    seed: SeedOption = None,
    guarded: Annotated[
        bool,
        flag("Let the guard act on the car (a closed loop); otherwise it only watches."),
    ] = False,
    truth: Annotated[
        bool,
        flag("Add what really happened, as columns true_...: no sensor in between."),
    ] = False,
    mark: Annotated[
        bool, flag("Mark each fault beside the log (with --to), as a person does in replay.")
    ] = False,
    plot: PlotOption = None,
    as_json: Annotated[
        bool,
        flag("The report as JSON on standard output (with --to or --plot).", "--json"),
    ] = False,
    list_: Annotated[bool, flag("List scenarios.", "--list")] = False,
) -> int:
    """Run a scenario as fast as possible: write its log, draw it, report what it cost.

    The same scenario and seed give the same bytes. The report (knock, work, peaks, first actions,
    against the same car's drive without fault and without guard) goes to standard error. A log or
    picture that is there already is left alone.
    """
    import json
    import sys

    from simulator.compiled_mark import DRIVE_ON, leave_mark
    from simulator.compiled_or_not import choose
    from simulator.scenario import load_scenario
    from simulator.strict import BadInput

    if list_:
        sys.stdout.write("\n".join(listed()) + "\n")
        return 0
    if not scenario:
        raise BadInput("simulate: found no scenario, expected one (or --list)")
    if as_json and to is None and plot is None:
        raise BadInput("--json: found no --to and no --plot, expected one: the log goes here")
    drive = load_scenario(scenario)
    if mark and to is None:
        raise BadInput("--mark: found no --to, expected a log to keep marks beside")
    place = LogPlace(to) if mark and to is not None else None
    _check(drive, to, plot, place)
    way = choose(drive.duration_s * (2.0 if drive.faults or guarded else 1.0))
    if way.why_slow:
        sys.stderr.write(way.why_slow + "\n")
        sys.stderr.flush()

    from monitor.pictures.simulating import Run

    run = Run(
        drive,
        drive.seed if seed is None else seed,
        guarded=guarded,
        compiled=way.compiled,
        keep=plot is not None,
    )
    write_log(run, to, truth, to is None and plot is None)
    if way.compiled:
        leave_mark(DRIVE_ON)
    if plot is not None:
        from monitor.pictures.plotting import save_picture

        save_picture(run.outcome, run.kept, plot)
        tell_written(plot)
    if place is not None:
        _mark_faults(run, place)
    if to is not None:
        sys.stderr.write(f"wrote {run.outcome.samples} samples to {to}\n")
    if as_json:
        sys.stdout.write(json.dumps(run.outcome.as_json(), allow_nan=False) + "\n")
    else:
        sys.stderr.write("\n".join(run.outcome.in_words()) + "\n")
    return 0


def listed() -> list[str]:
    """Return the shipped scenarios in lines of at most 80 columns.

    Each with its name and what it teaches; beneath, its car, its length and its faults.
    """
    import textwrap

    from simulator.scenario import load_scenario, shipped_scenarios

    lines = []
    for name, path in shipped_scenarios().items():
        drive = load_scenario(path)
        below = f"({drive.rig.name}, {drive.duration_s:zg} s: {_faults(drive)})"
        lines += textwrap.wrap(
            drive.teaches, _WIDE, initial_indent=f"{name:<20} ", subsequent_indent=_HANG
        )
        lines += textwrap.wrap(below, _WIDE, initial_indent=_HANG, subsequent_indent=_HANG)
    return lines


def _faults(drive: "Scenario") -> str:
    words: dict[str, int] = {}
    for fault in drive.faults:
        word = fault.kind.word.replace("_", " ")
        if fault.channel:
            word += f" ({fault.channel})"
        words[word] = words.get(word, 0) + 1
    texts = [word if count == 1 else f"{word} x {count}" for word, count in words.items()]
    return ", ".join(texts) or "no fault"


class LogPlace(NamedTuple):
    """Where a log lies that marks are kept beside."""

    path: Path
    session: bool = False


def _mark_faults(run: "Run", place: LogPlace) -> None:
    """Mark when each fault begins, and when it is over."""
    from math import isfinite

    from monitor.proof.asked import fault_named
    from monitor.review.marks import add_mark

    outcome = run.outcome
    for fault, span in zip(outcome.scenario.faults, outcome.spans, strict=True):
        if isfinite(span.begins_s):
            add_mark(place, span.begins_s, f"fault {fault_named(fault)}", "simulate")
            if span.ends_s < outcome.scenario.duration_s:
                add_mark(place, span.ends_s, "fault over", "simulate")


def _check(
    drive: "Scenario", to: Path | None, plot: Path | None, place: LogPlace | None = None
) -> None:
    """Find out before the run what would stop it afterwards."""
    from monitor.pictures.simulating import MOST_DRAWN
    from monitor.pictures.write import ENDINGS
    from monitor.review.marks import marks_path
    from simulator.logfile import LOG_ENDINGS
    from simulator.strict import BadInput, called, ending_of, refuse_taken

    if to is not None:
        ending_of(to, *LOG_ENDINGS)
        refuse_taken(to)
    if place is not None:
        refuse_taken(marks_path(place))
    if plot is None:
        return
    refuse_taken(plot)
    ending_of(plot, *ENDINGS)
    if not plot.parent.is_dir():
        raise BadInput(f"{called(plot)}: found no such folder, expected one to draw in")
    samples = drive.duration_s * drive.rate_hz
    if samples > MOST_DRAWN:
        raise BadInput(
            f"--plot: found a drive of {samples:z.0f} samples, expected at most {MOST_DRAWN}"
        )


def write_log(run: "Run", to: Path | None, truth: bool, aloud: bool) -> None:
    """Drive, and write the log to a file, to standard output (``aloud``) or nowhere."""
    import contextlib
    import sys

    from simulator.logfile import TRUTH_COLUMNS, csv_log, mapped, open_log

    outcome = run.outcome
    names = mapped(outcome.scenario.rig)
    more = TRUTH_COLUMNS if truth else ()
    about = {
        "scenario": outcome.scenario.name,
        "rig": outcome.scenario.rig.name,
        "seed": str(outcome.seed),
        "guarded": str(outcome.guarded).lower(),
    }
    with contextlib.ExitStack() as stack:
        write: Write | None = None
        if to is not None:
            write = stack.enter_context(open_log(to, names, more, about))
        elif aloud:
            write = csv_log(sys.stdout, names, more)
        for block in run.blocks():
            if write is not None:
                write(block.rows[block.sent], block.row_truths[block.sent, 1 : 1 + len(more)])
