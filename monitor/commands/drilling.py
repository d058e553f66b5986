"""Drilling: a class of our own or a running one, on its screens; lessons and results told."""

import asyncio
import os
import secrets
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from monitor.attach.client import end_guard, sigterm_interrupts, start_class
from monitor.attach.endpoint import Endpoint, Kind, find_endpoint
from monitor.attach.order import ClassOrder
from monitor.attach.place import PlaceLink
from monitor.commands.printed import tell_written
from monitor.words.look import Look
from simulator.strict import BadInput, ending_of, refuse_taken

ALONE: Final = "trainee"  # the alias of who drives alone and gave none
REPORTS: Final = (".csv", ".html")
_DRIVE: Final = "a drive"
_SCREEN: Final = ("--web", "--web-port", "--units", "--theme", "--bell")
# What can be done, and what may be asked for beside it. The first that is asked for is done.
_BESIDE: Final = {
    "--list": (),
    "--results": ("--report",),
    "--from": ("--to", "--rig"),
    "--try": ("--seed",),
    "--join": ("--pid", "--alias", "--instructor", *_SCREEN),
    _DRIVE: (
        *("a lesson", "--random", "--seed", "--alias", "--instructor", "--record", "--speed"),
        *_SCREEN,
    ),
}
_NEVER_BOTH: Final = (
    ("--random", "a lesson", "one of them"),
    ("--alias", "--instructor", "a trainee's"),
    ("--alias", "--web", "none: each browser asks for its own"),
)


def check_options(given: Mapping[str, bool]) -> None:
    """Refuse what would be passed over in silence.

    Args:
        given: Whether each option was given, by its name.

    Raises:
        BadInput: Two don't go together, or one lacks another.
    """
    named = [name for name, is_given in given.items() if is_given]
    done = next((name for name in _BESIDE if name in named), _DRIVE)
    for name in named:
        if name == done or name in _BESIDE[done]:
            continue
        if done == _DRIVE:
            wanted = next(what for what, beside in _BESIDE.items() if name in beside)
            raise BadInput(f"{name}: found no {wanted}, expected it too")
        most = ", ".join(_BESIDE[done])
        expected = f"at most {most} with it" if most else "it alone"
        raise BadInput(f"{done}: found {name} too, expected {expected}")
    for name, other, expected in _NEVER_BOTH:
        if name in named and other in named:
            raise BadInput(f"{name}: found {other} too, expected {expected}")
    if "--web-port" in named and "--web" not in named:
        raise BadInput("--web-port: found no --web, expected it: the port is the browser's")
    if "--from" in named and "--to" not in named:
        raise BadInput("--from: found no --to, expected the file to write")


def order_of(
    lesson: str,
    *,
    random: bool,
    seed: int | None,
    instructed: bool,
    record: Path | None,
    speed: float,
) -> ClassOrder:
    """Return what a class is to do.

    Without a seed each run is another: who drives a lesson again must not know what comes.

    Raises:
        BadInput: There is no such lesson, or the speed is out of range.
    """
    from simulator.drill.lesson import load_lesson, shipped_lessons

    if not 0.1 <= speed <= 20.0:
        raise BadInput(f"--speed: found {speed:zg}, expected 0.1 to 20")
    first = secrets.randbelow(2**31) if seed is None else seed
    course = list(shipped_lessons())
    if random:
        import numpy as np

        course = [course[i] for i in np.random.default_rng(first).permutation(len(course))]
    elif lesson:
        found = load_lesson(lesson)
        course = course[found.number - 1 :] if found.number else [lesson]
    folder = None if record is None else str(record)
    return ClassOrder(course, first, instructed, folder, speed)


def begin(order: ClassOrder, alias: str, look: Look, port: int | None) -> int:
    """Start a class, and show it to its only trainee or its instructor; it ends with us.

    An instructor may leave it running. With a port, browsers are served instead.

    Raises:
        BadInput: The order can't be carried out, or there is no terminal.
    """
    if port is not None:
        from monitor.web.serving import serve_own_class

        return serve_own_class(order, port, look)
    _need_terminal()
    with sigterm_interrupts():
        process, endpoint = start_class(order, _load_screens)
        kept = False
        try:
            if order.instructed:
                kept = _lead(endpoint, look, owner=True)
            else:
                _drive(endpoint, alias or ALONE, look)
        finally:
            if not kept:
                end_guard(process)
    if kept:
        sys.stderr.write(
            f"flowdebt drill --join --instructor --pid {endpoint.pid} leads it again\n"
        )
    return 0


def join(pid: int | None, alias: str, look: Look, port: int | None, *, instructor: bool) -> int:
    """Join a running class, as a trainee or as another instructor; leaving leaves it running.

    With a port, browsers are served instead; each says its alias itself.

    Raises:
        BadInput: There is none, or there is no terminal.
    """
    endpoint = find_endpoint(pid, "--join", Kind.CLASS)
    if instructor:
        asyncio.run(_may_lead(endpoint))
    if port is not None:
        from monitor.web.role import Role
        from monitor.web.serving import serve_running

        role = Role.INSTRUCTOR if instructor else Role.TRAINEE
        return serve_running(endpoint.pid, port, look, "", role)
    _need_terminal()
    if instructor:
        _lead(endpoint, look, owner=False)
    else:
        _drive(endpoint, alias, look)
    return 0


async def _may_lead(endpoint: Endpoint) -> None:
    """Knock at the instructor's place.

    Raises:
        BadInput: The class has none: it is its trainees' own.
    """
    async with PlaceLink(endpoint, "instruct"):
        pass


def _need_terminal() -> None:
    if not sys.stdout.isatty() or os.environ.get("TERM") == "dumb":
        raise BadInput("drill: found no terminal, expected one, or --web")


def _load_screens() -> None:
    """Load what is drawn; both processors are free for that while a class starts."""
    import monitor.screen.drill.trainee  # noqa: F401  # loaded now, used later


def _drive(endpoint: Endpoint, alias: str, look: Look) -> None:
    """Show a trainee's screen until it is left."""
    from monitor.screen.drill.trainee import TraineeDashboard

    def link_for(alias: str) -> PlaceLink:
        return PlaceLink(endpoint, "join", alias)

    _say(TraineeDashboard(link_for, alias, look=look).run())


def _lead(endpoint: Endpoint, look: Look, *, owner: bool) -> bool:
    """Show the instructor's screen until it is left; return whether the class is to go on."""
    from monitor.screen.drill.instructor import InstructorDashboard

    app = InstructorDashboard(lambda: PlaceLink(endpoint, "instruct"), owner=owner, look=look)
    _say(app.run())
    return app.detached


def _say(last: str | None) -> None:
    if last:
        sys.stderr.write(last + "\n")


# --- told -----------------------------------------------------------------------------------------


def tell_lessons() -> int:
    """Write the lessons of the course to standard output: what a trainee may know before."""
    from simulator.drill.lesson import load_lesson, shipped_lessons

    for name in shipped_lessons():
        lesson = load_lesson(name)
        sys.stdout.write(
            f"{lesson.number:>3}  {name:<18} {lesson.title:<26} {lesson.scenario.rig.name}, "
            f"{lesson.scenario.duration_s:zg} s, failsafe {lesson.failsafe}\n"
        )
    return 0


def write(source: str, to: Path, rig: str | None) -> int:
    """Write a lesson from a scenario or a moment of a log.

    Raises:
        BadInput: It can't be read, or the lesson can't be written.
    """
    from monitor.drill.authoring import write_lesson

    sys.stderr.write("\n".join(write_lesson(source, to, rig)) + "\n")
    return 0


def try_out(name: str, seed: int) -> int:
    """Drive every case of a lesson, and tell what can be seen of it when.

    Raises:
        BadInput: There is no such lesson.
    """
    from simulator.drill.dry_run import dry_run, lines_of
    from simulator.drill.lesson import load_lesson

    lesson = load_lesson(name)
    for tried in dry_run(lesson, seed):
        sys.stdout.write("\n".join(lines_of(lesson, tried)) + "\n")
        sys.stdout.flush()
    return 0


def tell_results(folder: Path, report: Path | None) -> int:
    """Tell the results in a folder, in lines or as a file.

    Raises:
        BadInput: There are none, or the file can't be written.
    """
    from monitor.drill.results import as_csv, as_html, in_lines, read_results

    if report is not None:
        ending_of(report, *REPORTS)
        refuse_taken(report)
    found = read_results(folder)
    if report is None:
        sys.stdout.write("\n".join(in_lines(found)) + "\n")
        return 0
    text = as_csv(found) if report.suffix.lower() == REPORTS[0] else as_html(found)
    report.write_text(text, encoding="utf-8", newline="")
    tell_written(report)
    return 0
