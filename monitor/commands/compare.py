"""``flowdebt compare``: what do runs with spray give that dry ones don't, and how sure is that?"""

from math import nan
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter
from cyclopts.validators import Number

from monitor.commands.parameters import (
    JsonFlag,
    PlotOption,
    RigOption,
    UnitsOption,
    check_report_files,
    quantity,
    report_files,
)

if TYPE_CHECKING:
    from monitor.dyno.runs import Weather

Logs = tuple[Path, ...]


def _several(told: str) -> Parameter:
    return Parameter(help=told, consume_multiple=True, negative="", show_default=False)


def compare(
    *,
    dry: Annotated[
        Logs,
        _several(
            "Logs of runs without spray, or folders of these; three or more, in one gear, on one "
            "day, on a dyno or one stretch of a closed course."
        ),
    ] = (),
    spray: Annotated[Logs, _several("Logs of runs with spray, driven alike.")] = (),
    before: Annotated[
        Logs, _several("In place of --dry: logs before any other change, with spray or without.")
    ] = (),
    after: Annotated[Logs, _several("In place of --spray: logs after it.")] = (),
    rig: RigOption = None,
    gear: Annotated[
        int | None,
        Parameter(help="Gear of all runs, where no log tells it.", validator=Number(gte=1, lte=8)),
    ] = None,
    correct: Annotated[
        Literal["none", "j1349", "iso1585"],
        Parameter(help="Bring torque and power to reference air: SAE J1349 or ISO 1585."),
    ] = "none",
    ambient: Annotated[
        tuple[str, ...],
        _several(
            'Air outside where no log holds it, such as "18 degC"; of two, the first is '
            "of --dry or --before."
        ),
    ] = (),
    barometer: Annotated[
        tuple[str, ...],
        _several('Likewise, absolute and not reduced to sea level: "99.2 kPa".'),
    ] = (),
    humidity: Annotated[tuple[str, ...], _several('Likewise, relative: "45 %".')] = (),
    between: Annotated[
        str | None,
        Parameter(help="Engine speeds between which power is averaged, such as 3000..6500."),
    ] = None,
    smooth: Annotated[
        str,
        Parameter(
            help="Over how long each moment is smoothed: longer leaves less noise, and follows "
            "boost that comes up less closely."
        ),
    ] = "0.6 s",
    plot: PlotOption = None,
    report: Annotated[
        tuple[Path, ...], report_files(".md, .csv (a row each engine speed) or .json")
    ] = (),
    as_json: JsonFlag = False,
    units: UnitsOption = "metric",
) -> int:
    """Compare full-throttle runs, dry against spray or before against after: torque and power.

    Torque or power comes out of the log ([extra.torque_nm] or [extra.power_kw] of the rig); without
    these it is told from how the car gains speed in a gear, by [vehicle]. Says at each engine speed
    what is gained, with an interval over runs, and which runs can't be compared, and why. Log three
    or more of each, in one gear, on one day. Only on a dyno or a closed course; local law decides.
    """
    from monitor.commands.printed import say, tell_written
    from monitor.commands.progress import Progress
    from monitor.commands.review_reports import PAGE
    from monitor.dyno.comparing import compare_runs
    from monitor.dyno.groups import Asked
    from monitor.dyno.report_files import text_of
    from monitor.dyno.runs import LeftOut, Run, runs_in
    from monitor.dyno.words import as_json as plain
    from monitor.dyno.words import in_words
    from monitor.pictures.write import ENDINGS
    from monitor.review.several import logs_in, names_of
    from monitor.words.look import Look
    from simulator.dyno.correction import Correction
    from simulator.rig import find_rig, load_rig
    from simulator.strict import BadInput, Seconds, called, ending_of, new_file, refuse_taken

    names, groups = _groups(dry, spray, before, after)
    if rig is None:
        raise BadInput("compare: found no --rig, expected a rig file or shipped rig")
    if plot is not None:
        ending_of(plot, *ENDINGS)
        refuse_taken(plot)
    check_report_files(report)
    weathers = _weathers(ambient, barometer, humidity)
    span_rpm = None if between is None else _span(between)
    window_s = quantity("--smooth", smooth, Seconds.within(0.1, 5.0, "0.6 s"))
    rig_file = load_rig(find_rig(rig))
    first, second = (logs_in(group) for group in groups)
    twice = [path for path in first if path in second]
    if twice:
        raise BadInput(f"compare: found {called(twice[0])} in both groups, expected it in one")
    told = dict(zip((*first, *second), names_of([*first, *second]), strict=True))
    runs: tuple[list[Run], list[Run]] = ([], [])
    left_out: tuple[list[LeftOut], list[LeftOut]] = ([], [])
    progress = Progress()
    for which, paths in enumerate((first, second)):
        for path in paths:
            read = len(first) * which + paths.index(path)
            progress.tell(f"{read} of {len(told)} logs read", read, len(told) - read)
            found, not_used = runs_in(
                path, told[path], rig_file, gear, weathers[which], float(window_s)
            )
            runs[which].extend(found)
            left_out[which].extend(not_used)
    progress.clear()
    asked = Asked(
        names,
        bool(dry),
        Correction(correct),
        span_rpm,
        rig_file.rig.paid.dry_limit_kpa,
        not rig_file.rig.unboosted,
    )
    result = compare_runs(asked, runs, left_out)
    car, shown = rig_file.rig.name, Look(units).figures
    say(in_words(result, car, shown), lambda: plain(result, car), as_json=as_json)
    if plot is not None:
        from monitor.pictures.compare_picture import save_comparison

        save_comparison(result, car, shown, plot)
        tell_written(plot)
    for path in report:
        ending = path.suffix.lower()
        if ending == PAGE:
            from monitor.pictures.compare_page import as_page

            text = as_page(result, car, shown)
        else:
            text = text_of(result, car, shown, ending)
        with new_file(path) as file:
            file.write(text.encode())
        tell_written(path)
    return 0


def _groups(
    dry: Logs, spray: Logs, before: Logs, after: Logs
) -> tuple[tuple[str, str], tuple[Logs, Logs]]:
    from simulator.strict import BadInput

    of_spray, of_change = bool(dry or spray), bool(before or after)
    if of_spray and of_change:
        raise BadInput(
            "compare: found both pairs, expected --dry and --spray or --before and --after"
        )
    names, groups = ("dry", "spray"), (dry, spray)
    if of_change:
        names, groups = ("before", "after"), (before, after)
    for name, logs in zip(names, groups, strict=True):
        if not logs:
            raise BadInput(f"compare: found no --{name}, expected logs of such runs")
    return names, groups


def _weathers(*given: tuple[str, ...]) -> "tuple[Weather, Weather]":
    from monitor.dyno.runs import Weather
    from simulator.strict import BadInput, DegC, Kpa, Percent

    kinds = {
        "--ambient": DegC.within(-40.0, 60.0, "18 degC"),
        "--barometer": Kpa.within(40.0, 120.0, "99.2 kPa"),
        "--humidity": Percent.within(0.0, 100.0, "45 %"),
    }
    both = []
    for (option, kind), texts in zip(kinds.items(), given, strict=True):
        if len(texts) > 2:
            raise BadInput(f"{option}: found {len(texts)}, expected one, or one for each group")
        values = [float(quantity(option, text, kind)) for text in texts] or [nan]
        both.append((values[0], values[-1]))
    first, second = zip(*both, strict=True)
    return Weather(*first), Weather(*second)


def _span(text: str) -> tuple[float, float]:
    from simulator.strict import BadInput, Rpm, clean

    expected = "two engine speeds, such as 3000..6500"
    low, dots, high = text.partition("..")
    try:
        ends = float(low), float(high)
    except ValueError:
        dots = ""
        ends = (0.0, 0.0)
    if not dots or not 0.0 < ends[0] < ends[1] <= Rpm.HIGH:
        raise BadInput(f'--between: found "{clean(text, 40)}", expected {expected}')
    return ends
