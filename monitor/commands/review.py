"""``flowdebt review``: what happened in these logs, and why? And what if thresholds were others?"""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

from monitor.commands.parameters import JsonFlag, RigOption, UnitsOption, report_files

if TYPE_CHECKING:  # they load numpy
    from monitor.review.review import Review


def review(
    *logs: Annotated[
        Path,
        Parameter(
            help="A log (CSV, Parquet, Arrow IPC), a session's folder, or a folder of these."
        ),
    ],
    rig: RigOption = None,
    set_: Annotated[
        tuple[str, ...],
        Parameter(
            name="--set",
            negative="",
            show_default=False,
            help='What if: a threshold changed, such as debt.cut="0.2 s", any number of times. '
            "Told is what comes out otherwise.",
        ),
    ] = (),
    as_json: JsonFlag = False,
    units: UnitsOption = "metric",
    report: Annotated[tuple[Path, ...], report_files(".md, .csv (a row each pull) or .json")] = (),
    fail_on: Annotated[
        Literal["warn", "pull_timing", "cut_boost"] | None,
        Parameter(help="Exit with 1 where an action this bad, or worse, was taken."),
    ] = None,
) -> int:
    """Read back logs at full speed and say what happened: when, what, how deep, action, why.

    A session is judged by the rig it was recorded with, and must reproduce its own decisions; give
    --rig to judge it by another. With --set each log is judged by its rig as it is and so changed:
    told is which actions appear, vanish or move; readings stay as recorded. Of several logs the
    end sums up: the worst moments, each with the command that shows it. One that can't be read
    holds up no other. Exit codes: 0 ran; 1 --fail-on
    was reached (so changed, with --set), or a session's decisions did not come out the same; 2 bad
    input, or nothing in a log could be judged.
    """
    from monitor.commands.printed import complain, room, say
    from monitor.commands.progress import Progress
    from monitor.commands.review_reports import PAGE, check_asked, write_reports
    from monitor.recorder.span import counted
    from monitor.review.in_processes import reviews as reviews_of
    from monitor.review.report import in_words
    from monitor.review.report_files import Answers
    from monitor.review.review import NOT_JUDGED
    from monitor.review.several import (
        logs_in,
        moments_in_words,
        names_of,
        ranked_as_json,
        ranked_in_words,
    )
    from monitor.review.tried import Trials, Tried
    from monitor.scheduling import processors
    from monitor.words.look import Look
    from rules.facts import Action
    from simulator.rig import find_rig, load_rig
    from simulator.strict import BadInput, called

    if not logs:
        raise BadInput(
            "review: found no LOG, expected one: a log (CSV, Parquet, Arrow IPC), a session's "
            "folder, or a folder of these"
        )
    check_asked(report, set_)
    figures = Look(units).figures
    paths = logs_in(logs)
    if rig is not None and len(paths) > 1:
        load_rig(find_rig(rig))  # what is wrong with it is told once, not with each log
    names = names_of(paths)
    trials = Trials(paths, names, rig, set_) if set_ else None
    reviews: list[Review] = []
    refused: dict[str, str] = {}
    code = 0
    gap: list[str] = []  # between what is said of one log and of the next
    drawn = any(path.suffix.lower() == PAGE for path in report)
    progress = Progress()

    def tell(share: float) -> None:
        done = (len(reviews) if trials is None else trials.tried) + len(refused)
        words = f"{done} of {counted(len(paths), 'log')} read, {100.0 * share:z.0f} % of all"
        progress.tell(words, share, 1.0 - share)

    read: Iterator[Review | Tried | BadInput]
    if trials is None:
        read = reviews_of(paths, rig, processors(), traced=drawn, progress=tell)
    else:
        read = trials.each(processors(), tell)
    for path, name in zip(paths, names, strict=True):
        result = next(read)
        progress.clear()
        try:
            if isinstance(result, BadInput):
                raise result
            if isinstance(result, Tried):
                tried = map(figures.sentence, result.in_words())
                say([*gap, *tried], result.as_json, as_json=as_json)
            else:
                result.source = name
                told = in_words(result, figures, room())
                say([*gap, *told], result.facts, as_json=as_json)
                if result.could_be_judged:
                    reviews.append(result)
            gap = [""]
            acted = fail_on is not None and result.worst >= Action[fail_on.upper()]
            if acted or result.reproduced is False:
                code = max(code, 1)
            if not result.could_be_judged:
                raise BadInput(f"{called(path)}: {NOT_JUDGED}")
        except BadInput as error:
            refused[name] = str(error)
            code = 2
            complain(str(error))
    if trials is not None and not (as_json and len(paths) == 1):
        lines = map(figures.sentence, trials.in_words(of=len(paths)))
        say([*gap, *lines], lambda: trials.as_json(refused), as_json=as_json)
    elif trials is None and len(paths) > 1:
        ranked = [*gap, ranked_in_words(reviews, of=len(paths)), *moments_in_words(reviews, rig)]
        lines = map(figures.sentence, ranked)
        say(lines, lambda: ranked_as_json(reviews, refused, rig), as_json=as_json)
    if report and reviews:
        write_reports(Answers(reviews, refused, rig, figures), report)
    return code
