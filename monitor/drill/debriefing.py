"""From a ride that is over to what its trainee is told of it."""

from collections.abc import Sequence
from math import inf, isfinite
from pathlib import Path
from typing import Any, Final

from monitor.attach.drilling import (
    MOST_TRACE_POINTS,
    Debriefing,
    Did,
    Note,
    Outcome,
    Part,
    Sign,
    TracePoints,
)
from monitor.drill.drill_class import DrillClass
from monitor.drill.drive import Drive
from monitor.drill.results import Result, ResultsFile
from monitor.drill.trainee import ACTS, CALL_CHOICES, Trainee
from rules.channels import CHANNEL_BY_NAME, label_of_channel
from simulator.drill.calls import NOTHING_WRONG
from simulator.drill.debrief import Debrief, Traces, debrief
from simulator.drill.ride import Answer, Ride
from simulator.drill.score import FORMULA, score
from simulator.plant import Report
from simulator.strict import BadInput, clean, fit_for_a_name, new_file

_ENDINGS: Final = ("html", "svg", "png")
_OUTCOMES: Final = {
    "driven": "as you drove",
    "guard": "the guard alone",
    "nobody": "nobody acts",
    "no_fault": "without the fault",
}
_CALLS: Final = {choice.word: choice.words for choice in CALL_CHOICES}
_ACTS: Final = {choice.word: choice.words for choice in ACTS}


class Debriefer:
    """Makes debriefings, and keeps what came of each.

    Args:
        folder: Folder of results; None keeps none, and writes to the current folder.

    Attributes:
        results: The file that results go to, and what is wrong with it; empty: none.

    Raises:
        BadInput: Nothing can be written there.
    """

    def __init__(self, folder: str | None = None) -> None:
        self._folder = Path(folder or ".")
        self._file = None if folder is None else ResultsFile(self._folder)
        self.results = "" if self._file is None else str(self._file.path)

    def make(self, drill: DrillClass, trainee: Trainee) -> Debriefing:
        """Return a debriefing that is due. Takes seconds; the class may be asked meanwhile."""
        if trainee.ride is None:
            raise ValueError("found no ride, expected one that is over")
        twins = None if drill.along is None else drill.along.twins
        found = debrief(trainee.ride, twins, compiled=drill.compiled)
        made = debriefing_of(drill.drive, trainee.alias, trainee.ride, found, drill.notes)
        if self._file is not None:
            try:
                self._file.append(Result.of(drill.drive, made))
            except OSError as error:  # the drill goes on; the instructor sees it
                self.results = f"{self._file.path} NOT KEPT: {clean(str(error))}"
        return made

    def write(self, drive: Drive, trainee: Trainee) -> tuple[list[str], str]:
        """Write a debriefing as a page and as pictures; return the files, or why not. Slow."""
        from monitor.pictures.debrief_page import as_page
        from monitor.pictures.debrief_picture import save_debrief

        found = trainee.debriefing
        if found is None:
            raise ValueError("found no debriefing, expected one")
        name = f"{fit_for_a_name(trainee.alias)}-{fit_for_a_name(drive.lesson.name)}-{drive.seed}"
        path = _free(self._folder, name)
        files = [path.with_name(f"{path.name}.{ending}") for ending in _ENDINGS]
        try:
            with new_file(files[0]) as page:
                page.write(as_page(found).encode())
            for picture in files[1:]:
                save_debrief(found, picture)
        except BadInput as error:
            return [], str(error)
        return [str(file) for file in files], ""


def _free(folder: Path, name: str) -> Path:
    """Return a path, to which endings come, that nothing has yet."""
    path, number = folder / name, 1
    while any(path.with_name(f"{path.name}.{ending}").exists() for ending in _ENDINGS):
        number += 1
        path = folder / f"{name}-{number}"
    return path


def debriefing_of(
    drive: Drive, alias: str, ride: Ride, found: Debrief, notes: Sequence[Note]
) -> Debriefing:
    """Return what a trainee is told once the drive is over.

    Args:
        drive: The drive.
        alias: The trainee's.
        ride: The trainee's ride.
        found: What is found in it.
        notes: What the instructor noted.
    """
    case = drive.case_of(ride)
    scored = score(found, drive.lesson, case)
    return Debriefing(
        alias=alias,
        title=drive.lesson.title,
        truth="; ".join(found.truth),
        called=_called(found),
        right_call=_CALLS[case.call],
        verdict=scored.verdict,
        onset_s=_known(found.onset_s),
        signs=[Sign(s.time_s, s.channel, s.label, s.in_words) for s in found.signs],
        guard_warn_s=_known(found.guard_warn_s),
        guard_pull_s=_known(found.guard_pull_s),
        guard_cut_s=_known(found.guard_cut_s),
        guard_said=found.guard_said,
        guard_cause=found.cause,
        did=[_did(answer) for answer in found.answers],
        outcomes=_outcomes(found),
        goal=drive.lesson.goal,
        text=case.debrief,
        check_first=list(found.check_first),
        score=scored.points,
        parts=[Part(part.name, part.points, part.most, part.words) for part in scored.parts],
        formula=FORMULA,
        time_s=_thinned(found.traces.time_s),
        traces=_traces(found.traces),
        harm={
            "driven": _thinned(found.traces.harm),
            "guard": _thinned(found.traces.guard_harm),
            "nobody": _thinned(found.traces.nobody_harm),
        },
        notes=list(notes),
    )


def _called(found: Debrief) -> str:
    """Return the last call in words; one before the fault began could only be a guess."""
    words = _CALLS.get(found.called, "")
    called_s = max((a.time_s for a in found.answers if a.kind == "call"), default=inf)
    early_s = found.onset_s - called_s
    if isfinite(early_s) and early_s > 0.0 and found.called != NOTHING_WRONG:
        return f"{words} ({early_s:z.2f} s before it began, so a guess)"
    return words


def _known(time_s: float) -> float | None:
    return time_s if isfinite(time_s) else None


def _did(answer: Answer) -> Did:
    words = {"call": _CALLS, "act": _ACTS}.get(answer.kind, {})
    return Did(answer.time_s, answer.kind, answer.what, words.get(answer.what, answer.kind))


def _outcomes(found: Debrief) -> list[Outcome]:
    reports: dict[str, Report] = {who: getattr(found, who) for who in _OUTCOMES}
    return [
        Outcome(who, _OUTCOMES[who], one.harm, one.heavy_knocks, one.work_kj)
        for who, one in reports.items()
    ]


def _traces(found: Traces) -> list[TracePoints]:
    import numpy as np

    return [
        TracePoints(
            channel=name,
            label=label_of_channel(name),
            unit=CHANNEL_BY_NAME[name].unit,
            values=_thinned(values),
            healthy=[]
            if np.array_equal(values, found.no_fault[name], equal_nan=True)
            else _thinned(found.no_fault[name]),
        )
        for name, values in found.driven.items()
    ]


def _thinned(values: Any) -> list[Any]:
    """Return every so manieth value, so that there aren't too many."""
    every = -(-len(values) // MOST_TRACE_POINTS) or 1
    return [float(x) if isfinite(x) else None for x in values[::every]]
