"""``flowdebt snapshot``: one moment of a recorded drive as a picture, for reports."""

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from monitor.commands.parameters import LogArgument, RigOption, ThemeOption, UnitsOption
from monitor.commands.printed import tell_written


def snapshot(
    log: LogArgument,
    *,
    to: Annotated[Path, Parameter(help="Picture to write: .svg or .png.")],
    at: Annotated[
        str, Parameter(help="The moment: seconds as 41.5, m:ss as 0:41, or '#3' for an event.")
    ] = "#1",
    rig: RigOption = None,
    size: Annotated[str, Parameter(help="Columns and rows: 80x24 to 300x100.")] = "120x36",
    span: Annotated[
        float | None, Parameter(help="Width of the plots in seconds; otherwise 20.")
    ] = None,
    units: UnitsOption = "metric",
    theme: ThemeOption = "auto",
) -> int:
    """Draw the dashboard at one moment of a session or log: what was done, and why.

    Without --at it is the moment of the first event. The picture needs no font and nothing from
    outside; a file that is there already is left alone.
    """
    from monitor.pictures.snapshot import cells_of
    from monitor.pictures.snapshot import snapshot as draw
    from monitor.words.look import Look

    draw(log, rig, at=at, to=to, size=cells_of(size), span_s=span, look=Look(units, theme, "off"))
    tell_written(to)
    return 0
