"""``flowdebt drill``: see the fault before the engine pays for it."""

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from monitor.commands.parameters import (
    BellOption,
    RigOption,
    SeedOption,
    ThemeOption,
    UnitsOption,
    WebPortOption,
    flag,
)


def drill(
    lesson: Annotated[
        str,
        Parameter(
            show_default=False,
            help="A lesson of the course, by number or name (see --list), or a lesson's file; the "
            "course goes on from there. Otherwise it begins with its first.",
        ),
    ] = "",
    *,
    random: Annotated[bool, flag("The lessons in any order, not by the course.")] = False,
    seed: SeedOption = None,
    listed: Annotated[bool, flag("List the lessons.", "--list")] = False,
    alias: Annotated[
        str,
        Parameter(
            show_default=False,
            help="What to call the trainee on screens and in results; no real name is needed.",
        ),
    ] = "",
    instructor: Annotated[
        bool, flag("Lead a class: inject faults, pause, rewind; trainees come with --join.")
    ] = False,
    join: Annotated[bool, flag("Join a class that runs on this machine.")] = False,
    pid: Annotated[int | None, Parameter(help="With --join: which class.")] = None,
    record: Annotated[
        Path | None, Parameter(help="Folder to keep results in, by alias; otherwise none are.")
    ] = None,
    results: Annotated[
        Path | None, Parameter(help="Tell the results in a folder, and drive nothing.")
    ] = None,
    report: Annotated[
        Path | None, Parameter(help="With --results: write them to a file, .csv or .html.")
    ] = None,
    source: Annotated[
        str | None,
        Parameter(
            name="--from",
            help="Write a lesson to --to: from a scenario (name or file), or from a moment of a "
            "log or session, LOG@SECONDS.",
        ),
    ] = None,
    to: Annotated[Path | None, Parameter(help="With --from: the lesson's file, .toml.")] = None,
    rig: RigOption = None,
    tried: Annotated[
        str | None,
        Parameter(
            name="--try",
            help="Drive every case of a lesson unseen, and tell what shows when, what the guard "
            "does and what nobody costs. It tells the answers.",
        ),
    ] = None,
    web: Annotated[bool, flag("In a browser on this machine instead of this terminal.")] = False,
    web_port: WebPortOption = None,
    speed: Annotated[float, Parameter(help="Of the drive: 1 is real time; 0.1 to 20.")] = 1.0,
    units: UnitsOption = "metric",
    theme: ThemeOption = "auto",
    bell: BellOption = "action",
) -> int:
    """Train to see faults: drive a simulated car whose fault is hidden, call it, act, be told.

    The car runs on the live screen in real time. Call what you see from a short list, take timing
    or boost away, or lift: it reaches the car at once. After the drive comes the debrief: what it
    was, which reading told it first, what the guard did and when, what your acts cost or spared,
    and a score with its formula. --instructor leads a class of up to 16, all on one drive, each
    with a car and answers of their own. With --web, each browser at the address printed is a
    trainee; the instructor's address is another. Nothing here reaches an engine. Exit codes: 0 ran;
    2 bad input.
    """
    from monitor.commands import drilling
    from monitor.words.look import USUAL, Look

    look = Look(units, theme, bell)
    drilling.check_options(
        {
            "a lesson": bool(lesson),
            "--random": random,
            "--seed": seed is not None,
            "--list": listed,
            "--alias": bool(alias),
            "--instructor": instructor,
            "--join": join,
            "--pid": pid is not None,
            "--record": record is not None,
            "--results": results is not None,
            "--report": report is not None,
            "--from": source is not None,
            "--to": to is not None,
            "--rig": rig is not None,
            "--try": tried is not None,
            "--web": web,
            "--web-port": web_port is not None,
            "--speed": speed != 1.0,
            "--units": look.units != USUAL.units,
            "--theme": look.theme != USUAL.theme,
            "--bell": look.bell != USUAL.bell,
        }
    )
    if listed:
        return drilling.tell_lessons()
    if results is not None:
        return drilling.tell_results(results, report)
    if source is not None and to is not None:
        return drilling.write(source, to, rig)
    if tried is not None:
        return drilling.try_out(tried, 1 if seed is None else seed)
    port = (web_port or 0) if web else None
    if join:
        return drilling.join(pid, alias, look, port, instructor=instructor)
    order = drilling.order_of(
        lesson, random=random, seed=seed, instructed=instructor, record=record, speed=speed
    )
    return drilling.begin(order, alias, look, port)
