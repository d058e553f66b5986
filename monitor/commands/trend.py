"""``flowdebt trend``: what changes from session to session, before it trips?"""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from monitor.commands.parameters import (
    JsonFlag,
    PlotOption,
    RigOption,
    UnitsOption,
    check_report_files,
    report_files,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from simulator.rig import RigFile


def trend(
    *logs: Annotated[
        Path,
        Parameter(
            help="Logs (CSV, Parquet, Arrow IPC) of one car, sessions' folders, or folders of "
            "these."
        ),
    ],
    rig: RigOption = None,
    serviced: Annotated[
        tuple[str, ...],
        Parameter(
            negative="",
            show_default=False,
            help='What was done to the car, and when: "2026-05-14=nozzle cleaned", any number of '
            "times. What came before isn't held against what comes after; a session of that day "
            "counts as after it. Without dates, name the first log behind it.",
        ),
    ] = (),
    plot: PlotOption = None,
    report: Annotated[
        tuple[Path, ...], report_files(".md, .csv (a row each session) or .json")
    ] = (),
    as_json: JsonFlag = False,
    units: UnitsOption = "metric",
) -> int:
    """Follow one car over many sessions: a pump that fades or a nozzle that clogs, before it trips.

    Of each session: the share of the flow due that was read, by boost band; the same of the line's
    pressure; the pump's supply; delay and lag. How far days differ is learned from the sessions
    themselves, so it takes some of them. Told is what changed since when, how fast, how sure that
    is, which fault moves these numbers so, what to check first, and when it reaches what the rig
    tolerates. All are judged by one rig: --rig, or the newest session's own. A day is a session's
    own note, else the log's clock, else a date in the file's name, else a clock that counts
    seconds since 1970; where one has none, the order given counts. Exit codes: 0 ran; 2 bad input,
    or a log could not be read (the others are).
    """
    from monitor.commands.printed import complain, say, tell_written
    from monitor.commands.progress import Progress
    from monitor.pictures.write import ENDINGS
    from monitor.recorder.span import counted
    from monitor.review.in_processes import each
    from monitor.review.several import logs_in, names_of
    from monitor.scheduling import processors
    from monitor.trend.facts import as_json as plain
    from monitor.trend.gathered import check_services, gathered
    from monitor.trend.reading import BYTES_WORTH_IT, Reader, Reading
    from monitor.trend.words import in_words
    from monitor.words.look import Look
    from simulator.strict import BadInput, ending_of, new_file, refuse_taken
    from simulator.trend.sessions import band_edges_kpa

    if not logs:
        raise BadInput("trend: found no LOG, expected several of one car, or a folder of them")
    if plot is not None:
        ending_of(plot, *ENDINGS)
        refuse_taken(plot)
    check_report_files(report)
    shown = Look(units).figures
    paths = logs_in(logs)
    names = names_of(paths)
    check_services(serviced, names)
    rig_file = _rig_of(paths, rig)
    edges_kpa = band_edges_kpa(rig_file.rig, 1.0 / shown.factor("kPa"))
    reader = Reader(rig_file, edges_kpa, own_car=rig is None)
    read: list[Reading] = []
    progress = Progress()

    def tell(share: float) -> None:
        words = f"{len(read)} of {counted(len(paths), 'log')} read"
        progress.tell(words, share, 1.0 - share)

    read.extend(
        Reading(refused=str(one)) if isinstance(one, BadInput) else one
        for one in each(reader.read, paths, processors(), BYTES_WORTH_IT, tell)
    )
    progress.clear()
    found = gathered(rig_file, edges_kpa, list(zip(paths, names, read, strict=True)), serviced)
    for why in found.refused.values():
        complain(why)
    say(in_words(found, shown), lambda: plain(found), as_json=as_json)
    if plot is not None and found.season is not None:
        from monitor.trend.picture import save_trend

        save_trend(found, plot, shown)
        tell_written(plot)
    for path in report if found.rows else ():
        from monitor.trend.report_files import text_of

        with new_file(path) as file:
            file.write(text_of(found, shown, path.suffix.lower()).encode())
        tell_written(path)
    return 2 if found.refused else 0


def _rig_of(paths: "Sequence[Path]", rig: str | None) -> "RigFile":
    """Return the rig that judges all: the one asked for, else the newest session's.

    Raises:
        BadInput: It can't be used, or there is none.
    """
    from monitor.recorder.reader import SessionBlocks, is_session
    from monitor.sources.logs.open import rig_of_log
    from monitor.trend.days import started
    from simulator.rig import find_rig, load_rig
    from simulator.strict import BadInput

    if rig is not None:
        return load_rig(find_rig(rig))
    for path in sorted((one for one in paths if is_session(one)), key=started, reverse=True):
        try:
            return SessionBlocks(path).rig_file()
        except BadInput:
            continue
    return rig_of_log(paths[0], None)
