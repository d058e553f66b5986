"""Writes a lesson file: from a scenario, or from a moment of a log or a recorded session."""

import re
from math import inf
from pathlib import Path
from typing import Any, Final

import numpy as np

from monitor.review.log import open_log
from rules.channels import TIME
from simulator.drill.authoring import (
    Draft,
    lesson_of,
    lesson_text,
    of_moment,
    of_scenario,
)
from simulator.drill.recorded import AFTER_S, BEFORE_S
from simulator.plant import FaultKind
from simulator.rig import RigFile, shipped_rigs
from simulator.scenario import load_scenario_and_rig, shipped_scenarios
from simulator.strict import BadInput, called, clean, ending_of, new_file, refuse_taken

_MOMENT: Final = re.compile(r"(.+)@(-?[0-9]+(?:\.[0-9]+)?)(?: ?s)?")
_LEAST_ROWS: Final = 20
_TELLING: Final = {part for kind in FaultKind for part in kind.word.split("_") if len(part) > 3}


def write_lesson(source: str, to: Path, rig: str | None = None) -> list[str]:
    """Write a lesson file, and return what is to be told of it.

    Args:
        source: A scenario's name or file; or a log or a session, "@" and a time in seconds, such
            as ``drive.csv@81.5``.
        to: The file to write, .toml; nothing is overwritten.
        rig: The rig of a log; a session brings its own.

    Raises:
        BadInput: Anything of it can't be read, used or written.
    """
    ending_of(to, ".toml")
    refuse_taken(to)
    moment = _MOMENT.fullmatch(source)
    if moment is not None:
        draft = _of_log(moment[1], float(moment[2]), rig)
    else:
        draft = _of_scenario(source, rig)
    text = lesson_text(draft)
    lesson = lesson_of(text, clean(to.stem))
    with new_file(to) as file:
        file.write(text.encode())
    told = [
        f"wrote {called(to)}: {lesson.scenario.duration_s:z.0f} s of driving, "
        f"{len(lesson.cases)} cases; title, brief and debrief are yours to write"
    ]
    if _TELLING & set(re.findall("[a-z]+", to.stem.lower())):
        told.append(f"its name says what is wrong, and trainees see it: rename {called(to)}")
    return told


def _of_scenario(source: str, rig: str | None) -> Draft:
    is_scenario = source in shipped_scenarios() or source.endswith(".toml")
    if not is_scenario and ("@" in source or Path(source).exists()):
        raise BadInput(
            f'--from: found "{clean(source)}", expected LOG@SECONDS, such as drive.csv@81.5'
        )
    scenario, rig_file = load_scenario_and_rig(source)
    if rig is not None:
        raise BadInput("--rig: found a scenario, expected a log: a scenario names its own rig")
    return of_scenario(scenario, _name_of(rig_file))


def _of_log(path: str, at_s: float, rig: str | None) -> Draft:
    log = open_log(path, rig)
    try:
        rows, first_s, last_s = _stretch(log, at_s)
    finally:
        log.close()
    if not first_s <= at_s <= last_s:
        raise BadInput(
            f"{called(path)}: found no row at {at_s:zg} s, expected a time from {first_s:z.1f} s "
            f"to {last_s:z.1f} s"
        )
    if len(rows) < _LEAST_ROWS:
        raise BadInput(
            f"{called(path)}: found {len(rows)} rows about {at_s:zg} s, expected {_LEAST_ROWS}"
        )
    origin = f"{clean(Path(path).name)} at {at_s:zg} s"
    return of_moment(rows, log.rig_file.rig, _name_of(log.rig_file), at_s, origin)


def _stretch(log: Any, at_s: float) -> tuple[Any, float, float]:
    """Return the rows about a moment, and when the log begins and ends."""
    kept, first_s, last_s = [], inf, -inf
    for block in log.stream():
        time_s = block.rows[:, TIME]
        first_s = min(first_s, float(time_s.min(initial=inf)))
        last_s = max(last_s, float(time_s.max(initial=-inf)))
        kept.append(block.rows[(time_s >= at_s - BEFORE_S) & (time_s <= at_s + AFTER_S)])
    return np.concatenate(kept), first_s, last_s


def _name_of(rig_file: RigFile) -> str:
    """Return how a lesson names a rig: a shipped one by its name, another by its file."""
    for name, path in shipped_rigs().items():
        if str(path) == rig_file.file_name:
            return name
    return str(Path(rig_file.file_name).resolve())
