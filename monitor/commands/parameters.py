"""What commands share: parameters, and the caution."""

from typing import Annotated

from cyclopts import Parameter
from cyclopts.validators import Number

from monitor.screen.look import BellName, ThemeName, UnitsName

CAUTION = (
    "flowdebt advises; it is not a certified safety device. Methanol is toxic and burns unseen, "
    "spray lines are under pressure, and spray without combustion can hydrolock an engine: follow "
    "local codes and let licensed people do what needs a licence. A driver must not read this "
    "screen."
)

RigOption = Annotated[
    str | None, Parameter(help="Rig file (TOML), or the name of a shipped rig such as brindle.")
]
SpeedOption = Annotated[
    float, Parameter(help="1 is real time, 10 ten times that; 0 is as fast as possible.")
]
SeedOption = Annotated[
    int | None,
    Parameter(help="Seed of the simulated car.", validator=Number(gte=0, lte=2**32 - 1)),
]
BaudOption = Annotated[
    int | None,
    Parameter(help="Of a serial port; otherwise the rig's.", validator=Number(gte=1)),
]
OperatorOption = Annotated[
    str,
    Parameter(
        name=["--operator", "--who"],
        show_default=False,
        help="Who works the alarms; kept with what they do. Otherwise: operator.",
    ),
]
LinesFlag = Annotated[
    bool, Parameter(negative="", show_default=False, help="Text lines instead of the dashboard.")
]
JsonFlag = Annotated[
    bool, Parameter(name="--json", negative="", show_default=False, help="JSON lines.")
]
UnitsOption = Annotated[
    UnitsName,
    Parameter(help="For the dashboard: metric, or us (psi, degF, gal/h, fl oz; debt stays mL)."),
]
ThemeOption = Annotated[
    ThemeName,
    Parameter(
        help="Of the dashboard: dark, light, contrast, or mono without colour; auto is dark, or "
        "mono where NO_COLOR is set."
    ),
]
BellOption = Annotated[
    BellName,
    Parameter(
        help="What rings the terminal's bell (there is no other sound): off, a new action, or an "
        "alarm that nobody acknowledged too."
    ),
]
ScenarioArgument = Annotated[
    str,
    Parameter(
        show_default=False,
        help="A shipped scenario's name (see simulate --list), or a scenario file.",
    ),
]
