"""``flowdebt plan``: what a rig's spray needs, can do and may be worth, and what to look at."""

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from monitor.commands.parameters import JsonFlag, UnitsOption
from monitor.commands.printed import tell_written


def plan(
    rig: Annotated[str, Parameter(help="Rig file (TOML), or the name of a shipped rig.")],
    *,
    boost: Annotated[
        str | None,
        Parameter(
            allow_leading_hyphen=True,
            help='Boost to plan for, "150 kPa"; without it the highest the spray pays for.',
        ),
    ] = None,
    power: Annotated[
        str | None,
        Parameter(
            help='Power at the crank, "200 kW": petrol follows from it. Without it, from the '
            "rig's engine facts."
        ),
    ] = None,
    ambient: Annotated[str, Parameter(allow_leading_hyphen=True, help="Air outside.")] = "25 degC",
    charge: Annotated[
        str | None,
        Parameter(
            allow_leading_hyphen=True,
            help='Charge before the spray, as logged, "60 degC"; without it from the rig, or '
            "assumed.",
        ),
    ] = None,
    report: Annotated[Path | None, Parameter(help="Write it as Markdown: a new .md file.")] = None,
    plot: Annotated[
        Path | None, Parameter(help="Draw it on one A4 page: a new .png or .svg file.")
    ] = None,
    as_json: JsonFlag = False,
    units: UnitsOption = "metric",
) -> int:
    """Plan a rig's spray, each number with its source or "common practice, no source".

    Fluid that goes with the petrol; nozzles and pump against boost, over supply voltage; where the
    air takes no more, and how far spray cools; methanol as a fuel; what that may be worth in knock;
    how long the tank lasts; what to look at on the car; cautions. What was assumed is said.
    """
    import json
    import sys

    from monitor.commands.parameters import quantity
    from monitor.commission.drafting import most_dangerous_first
    from monitor.commission.rig_text import left_to_do
    from monitor.pictures.write import ENDINGS
    from monitor.planning.plan import plan_sheet
    from monitor.planning.sheet import as_facts, as_markdown, in_lines
    from monitor.words.look import Look
    from simulator.planning.plan import Asked, plan_of
    from simulator.rig import find_rig, load_rig
    from simulator.strict import BadInput, DegC, Kpa, Kw, called, ending_of, new_file, refuse_taken

    for path, endings in ((report, (".md",)), (plot, ENDINGS)):
        if path is not None:
            ending_of(path, *endings)
            refuse_taken(path)
    rig_file = load_rig(find_rig(rig))
    ranges = {
        "--boost": (boost, Kpa.within(None, None, "150 kPa")),
        "--power": (power, Kw.within(5.0, 5000.0)),
        "--ambient": (ambient, DegC.within(-20.0, 50.0, "25 degC")),
        "--charge": (charge, DegC.within(0.0, 150.0, "60 degC")),
    }
    given = {
        name: None if text is None else float(quantity(name, text, kind))
        for name, (text, kind) in ranges.items()
    }
    asked = Asked(given["--boost"], given["--ambient"] or 0.0, given["--charge"], given["--power"])
    try:
        planned = plan_of(rig_file.rig, asked)
    except ValueError as error:
        whence = f"{called(rig_file.file_name)}: paid.boost" if boost is None else "--boost"
        raise BadInput(f"{whence}: found {error}") from None
    if planned.petrol_pct[1] <= 0.0:
        raise BadInput(
            f"--boost: found {planned.boost_kpa:z.0f} kPa, where the rig asks for no spray, "
            "expected more boost"
        )
    look = Look(units=units).figures
    to_do = most_dangerous_first(left_to_do(rig_file.text))
    sheet = plan_sheet(planned, to_do, look)
    if report is not None:
        with new_file(report) as file:
            file.write(as_markdown(sheet, look).encode())
    if plot is not None:
        from monitor.planning.picture import save_plan

        save_plan(planned, look, plot)
    text = (
        json.dumps(as_facts(plan_sheet(planned, to_do)))
        if as_json
        else "\n".join(in_lines(sheet, look))
    )
    sys.stdout.write(text + "\n")
    for written in (report, plot):
        if written is not None:
            tell_written(written)
    return 0
