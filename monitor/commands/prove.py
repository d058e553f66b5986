"""``flowdebt prove``: requirements that a failsafe passes or fails."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter
from cyclopts.validators import Number

from monitor.commands.parameters import (
    AnswerOption,
    BaudOption,
    ListenOption,
    RigOption,
    SilenceOption,
    check_report_files,
    flag,
    report_files,
)
from monitor.commands.printed import tell_written

if TYPE_CHECKING:
    from simulator.proof.limits import AtLimit
    from simulator.proof.outcomes import Cars
    from simulator.proof.proving import Standing
    from simulator.proof.requirements import Requirements
    from simulator.proof.results import Proof
    from simulator.rig import RigFile

PASSED, FAILED, UNDECIDED = 0, 1, 3
BROKEN_OFF = 130
HEALTHY = 0  # in --replay, the row of the healthy drives
_LONGEST = 1000  # command that is told


def prove(
    requirements: Annotated[
        Path | None, Parameter(show_default=False, help="Requirements file (TOML); see --new.")
    ] = None,
    *,
    rig: RigOption = None,
    car: Annotated[
        str | None,
        Parameter(help="Rig of the cars it is tried on, where they aren't as --rig says."),
    ] = None,
    jobs: Annotated[
        int | None,
        Parameter(
            help="Processes; otherwise one a processor. The result is the same.",
            validator=Number(gte=1, lte=61),
        ),
    ] = None,
    cluster: Annotated[
        str | None,
        Parameter(
            help="Scheduler of a Dask cluster that runs them instead: tcp://HOST:PORT, or tls://. "
            "The result is the same. Whoever reaches a tcp:// one runs any code on it: only in a "
            "network you trust."
        ),
    ] = None,
    most_runs: Annotated[
        int | None,
        Parameter(
            help="Runs a row that decide it, or nothing does; otherwise 4000, with --device 100, "
            "with --sweep as --runs.",
            validator=Number(gte=1, lte=100_000),
        ),
    ] = None,
    sweep: Annotated[
        tuple[str, ...],
        Parameter(
            name="--sweep",
            negative="",
            show_default=False,
            help="KEY=LOW..HIGH, any number of times: try values of a key of the rig, such as "
            "debt.cut=0.3 s..0.8 s, and recommend one. With two keys a grid, with more Sobol's "
            "points.",
        ),
    ] = (),
    points: Annotated[
        int | None,
        Parameter(
            help="Of a sweep, at most; otherwise 9 with one key, 25 with two, 32 with more.",
            validator=Number(gte=2, lte=1024),
        ),
    ] = None,
    runs: Annotated[
        int,
        Parameter(
            help="With --sweep: runs a row, and healthy drives, at each point.",
            validator=Number(gte=16, lte=10_000),
        ),
    ] = 64,
    to: Annotated[
        Path | None,
        Parameter(
            help="Folder for finished runs, from which the same command goes on; otherwise beside "
            "the requirements. With --replay: the log to write, .csv or .parquet. With --sweep: "
            "the rig to write, .toml."
        ),
    ] = None,
    as_json: Annotated[bool, flag("As JSON.", "--json")] = False,
    report: Annotated[
        tuple[Path, ...],
        report_files(".md, .xml (JUnit, for CI) or .json; with --sweep .svg, .png or .json"),
    ] = (),
    replay: Annotated[
        str | None,
        Parameter(
            help="Write one run's log instead: ROW:RUN, such as 1:17; 0:3 is a healthy drive."
        ),
    ] = None,
    new: Annotated[bool, flag("Write a fresh requirements file, with comments.")] = False,
    device: Annotated[
        str | None,
        Parameter(
            help="A failsafe device on the bench is tried, not the rig's guard: serial port, "
            "pyserial URL or mqtt://HOST/PREFIX that it reads samples from."
        ),
    ] = None,
    listen: ListenOption = None,
    answer: AnswerOption = "falls",
    silence: SilenceOption = 0.25,
    baud: BaudOption = None,
    log: Annotated[
        tuple[Path, ...],
        Parameter(
            name="--log",
            negative="",
            show_default=False,
            help="Recorded drives are tried, not simulated ones: a log, a session's folder, or a "
            "folder of these, any number of times.",
        ),
    ] = (),
) -> int:
    """Try a rig on simulated cars until each requirement is decided at its confidence.

    Every run is another car within the stated population, and the guard acts on it. Ctrl-C keeps
    what is done; the same command goes on. A simulated car is not the car.
    With --device and --listen the same cars are played to a failsafe device in real time, its
    output off the engine, and its answers judged. What it does doesn't reach the simulated car, so
    a row that asks about harm or work lost is undecided at best.
    With --log the rig's guard decides recorded drives again, where marks (as replay sets them) such
    as "fault pump stop" say when a fault began and which, and "fault over" that it is gone.
    Exit codes: 0 all pass; 1 one fails; 3 one is undecided; 2 bad input.
    """
    import shlex
    import sys

    from monitor.proof.report import ENDINGS
    from monitor.proof.report import as_json as json_of
    from simulator.proof.requirements import load_requirements
    from simulator.rig import find_rig, load_rig
    from simulator.strict import BadInput, clean

    if new:
        return _write_new(requirements)
    if requirements is None:
        raise BadInput("prove: found no REQUIREMENTS, expected a file (or --new)")
    if rig is None:
        raise BadInput("prove: found no --rig, expected the rig that is to be proven")
    guard_file = load_rig(find_rig(rig))
    sweeping = None
    if sweep:
        from monitor.commands.sweeping import Sweeping

        if replay is not None:
            raise BadInput("--sweep: found --replay beside it, expected one of them")
        given = (str(requirements), car or rig)
        sweeping = Sweeping(sweep, points, guard_file, to, report, given)
    else:
        check_report_files(report, ENDINGS)
    car_file = guard_file if car is None else load_rig(find_rig(car))
    asked = load_requirements(requirements, car_file)

    from simulator.proof.outcomes import Cars

    cars = Cars(guard_file.rig, car_file.rig, asked.population, asked.seed_set)
    words = ["flowdebt", "prove", str(requirements), "--rig", rig, *(["--car", car] if car else [])]
    command = clean(shlex.join(words), _LONGEST)
    if replay is not None:
        return _replay(asked, cars, replay, to)
    about = _about(asked, guard_file, car_file)
    one_of = {"--sweep": sweep, "--device": device, "--log": log, "--cluster": cluster}
    if len(two := [name for name, value in one_of.items() if value]) > 1:
        raise BadInput(f"{two[0]}: found {two[1]} beside it, expected one of them")
    if sweeping is not None:
        _compile_first(cars)
        try:
            return _code(sweeping.run(asked, cars, about, runs, most_runs, jobs, as_json=as_json))
        except KeyboardInterrupt:
            sys.stderr.write("\nbroken off: nothing is kept of a sweep\n")
            return BROKEN_OFF
    if device is not None or listen is not None:
        from monitor.commands.prove_device import prove_device

        proof = prove_device(
            asked,
            cars,
            about,
            car_file=car_file,
            ends=(device, listen, answer, silence, baud),
            most_runs=most_runs,
            folder=to or requirements.with_suffix(".device.proof"),
            progress=_progress(),
        )
    elif log:
        from monitor.commands.prove_logs import prove_logs

        proof, replay_log = prove_logs(asked, about, log, rig, guard_file)
    else:
        folder = to or requirements.with_suffix(".proof")
        proof = _prove(
            asked, cars, about, jobs=jobs, cluster=cluster, most_runs=most_runs, folder=folder
        )
    code = _code(proof)

    def replay_command(row: int, run: int) -> str:
        return replay_log(run) if log else f"{command} --replay {row}:{run} --to run.csv"

    if code != BROKEN_OFF and not _report(
        proof, None if device or log else cars, report, replay_command, jobs
    ):
        code = BROKEN_OFF
    if as_json:
        sys.stdout.write(json_of(proof))
        return code

    from monitor.proof.words import as_table

    sys.stdout.write("\n".join(as_table(proof, replay_command)) + "\n")
    return code


def _prove(
    asked: "Requirements",
    cars: "Cars",
    about: dict[str, Any],
    *,
    jobs: int | None,
    cluster: str | None,
    most_runs: int | None,
    folder: Path,
) -> "Proof":
    """Run a proof; return it."""
    import sys
    from contextlib import ExitStack
    from functools import partial

    from monitor.proof.store import Store
    from monitor.scheduling import processors
    from simulator.proof.proving import MOST_RUNS, Proving, prove_here
    from simulator.proof.reasons import explained

    with ExitStack() as until_done:
        prove_all: Callable[..., None] = partial(prove_here, jobs=jobs or processors())
        if cluster is not None:
            from monitor.proof.cluster import connected

            prove_all = until_done.enter_context(connected(cluster)).prove
        store = Store(folder, about)
        _compile_first(cars)
        proving = Proving(asked, cars, MOST_RUNS if most_runs is None else most_runs)
        unfinished = False
        try:
            prove_all(
                proving,
                kept=store.kept(),
                keep=store.keep,
                progress=_progress(),
            )
        except KeyboardInterrupt:
            unfinished = True
            sys.stderr.write(f"\nkept in {folder}: the same command goes on from there\n")
    proof = proving.proof(about, unfinished=unfinished)
    return proof if unfinished else explained(proof, cars)


def _compile_first(cars: "Cars") -> None:
    """Have the simulated car compiled, so that every worker finds it done."""
    import sys

    from simulator.compiled_mark import DRIVE_ON, is_on_disk, leave_mark
    from simulator.coverage.matrix import observe
    from simulator.coverage.points import POINTS

    if not is_on_disk(DRIVE_ON):
        sys.stderr.write("the simulated car is compiled first, once on this machine\n")
        sys.stderr.flush()
        observe(POINTS[0].scenario(cars.driven, ()), 0)
        leave_mark(DRIVE_ON)


def _code(proof: "Proof") -> int:
    from simulator.proof.results import Verdict

    if proof.unfinished:
        return BROKEN_OFF
    codes = {Verdict.PASS: PASSED, Verdict.FAIL: FAILED, Verdict.UNDECIDED: UNDECIDED}
    return codes[proof.verdict]


def _report(
    proof: "Proof",
    cars: "Cars | None",
    paths: tuple[Path, ...],
    replay: Callable[[int, int], str],
    jobs: int | None,
) -> bool:
    """Write the reports; return whether it was not broken off. Cars: of a simulation."""
    import sys

    from monitor.proof.report import PAGE, write_report
    from monitor.scheduling import processors
    from simulator.proof.limits import at_limits

    limits: Sequence[tuple[AtLimit, ...]] = ()
    if cars is not None and any(path.suffix.lower() == PAGE for path in paths):
        progress = _tell_limits if sys.stderr.isatty() else None
        try:
            limits = at_limits(
                cars,
                proof.rows,
                healthy=bool(proof.calms),
                jobs=jobs or processors(),
                progress=progress,
            )
        except KeyboardInterrupt:
            sys.stderr.write("\nno report was written: the same command goes on\n")
            return False
    for path in paths:
        write_report(proof, path, replay, limits)
        tell_written(path)
    return True


def _tell_limits(done: int, of: int) -> None:
    import sys

    line = "" if done == of else f"other limits, for the page: {done} of {of}"
    sys.stderr.write(f"\r{line:<79}\r")
    sys.stderr.flush()


def _about(asked: "Requirements", guard: "RigFile", car: "RigFile") -> dict[str, Any]:
    from hashlib import sha256
    from importlib.metadata import version

    from simulator.proof.proving import code_hash

    return {
        "requirements": asked.name,
        "requirements_sha256": asked.sha256,
        "rig": guard.rig.name,
        "rig_sha256": sha256(guard.text.encode()).hexdigest(),
        "car": car.rig.name,
        "car_sha256": sha256(car.text.encode()).hexdigest(),
        "version": version("flowdebt"),
        "code": code_hash(),
        "seed_set": asked.seed_set,
    }


def _write_new(path: Path | None) -> int:
    import sys

    import monitor.proof
    from simulator.strict import new_file

    text = (Path(monitor.proof.__file__).parent / "new.toml").read_text(encoding="utf-8")
    if path is None:
        sys.stdout.write(text)
        return PASSED
    with new_file(path) as file:
        file.write(text.encode())
    tell_written(path)
    return PASSED


def _replay(asked: "Requirements", cars: "Cars", which: str, to: Path | None) -> int:
    """Run one run again, write its log and tell what it cost."""
    import sys

    from monitor.commands.simulate import write_log
    from monitor.pictures.simulating import Run
    from simulator.logfile import LOG_ENDINGS
    from simulator.proof.outcomes import staged
    from simulator.proof.population import MOST_RUNS
    from simulator.strict import BadInput, clean, ending_of, refuse_taken

    number, _, run = which.partition(":")
    rows = asked.requirements
    if not (number.isdecimal() and run.isdecimal() and int(number) <= len(rows)):
        expected = f"ROW:RUN, a row from 1 to {len(rows)} (0: a healthy drive), such as 1:17"
        raise BadInput(f'--replay: found "{clean(which)}", expected {expected}')
    if int(run) >= MOST_RUNS:
        raise BadInput(f"--replay: found run {int(run)}, expected less than {MOST_RUNS}")
    if to is None:
        raise BadInput("--replay: found no --to, expected the log to write")
    ending_of(to, *LOG_ENDINGS)
    refuse_taken(to)
    if int(number) == HEALTHY:
        return _replay_healthy(cars, int(run), to)
    scenario, drawn, _ = staged(cars, rows[int(number) - 1], int(run))
    if scenario is None:
        raise BadInput(f"--replay: found a run that never reaches its point, {clean(which)}")
    one = Run(scenario, drawn.seed, guarded=True, compiled=True, keep=False, guard_rig=cars.guard)
    write_log(one, to, truth=True, aloud=False)
    sys.stderr.write(f"wrote {one.outcome.samples} samples to {to}\n")
    sys.stderr.write("\n".join(one.outcome.in_words()) + "\n")
    return PASSED


def _replay_healthy(cars: "Cars", number: int, to: Path) -> int:
    """Drive a healthy drive again, and write its log as its logger does."""
    import sys

    from simulator.logfile import mapped, open_log
    from simulator.proof.driving import outing
    from simulator.proof.population import draw
    from simulator.runs import Drive

    drawn = draw(cars.population, number, cars.seed_set)
    one = outing(cars.driven, drawn)
    drive = Drive(one.scenario, drawn.seed, guarded=False, compiled=True)
    with open_log(to, mapped(cars.driven), (), {"drive": one.scenario.name}) as write:
        for block in drive:
            write(one.logged(block.rows)[block.sent], block.row_truths[block.sent, :0])
    sys.stderr.write(f"wrote {one.scenario.duration_s:z.0f} s of healthy driving to {to}\n")
    return PASSED


def _progress() -> Callable[["Standing"], None] | None:
    """Return what tells how far a proof is; None where nobody looks."""
    from monitor.commands.progress import Progress

    progress = Progress(quiet_s=0.0)

    def tell(standing: "Standing") -> None:
        words = f"{standing.decided} of {standing.rows} requirements decided, {standing.runs} runs"
        progress.tell(words, standing.done, standing.left)

    return tell if progress.watched else None
