"""Parameters that commands share."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, Literal

from cyclopts import Parameter
from cyclopts.validators import Number

from monitor.words.look import BellName, ThemeName, UnitsName

if TYPE_CHECKING:
    from collections.abc import Sequence

    from simulator.strict import Quantity


def flag(told: str, name: str | None = None) -> Parameter:
    """Return the parameter of a flag: it has no opposite, and its help shows no default."""
    return Parameter(name=name, negative="", show_default=False, help=told)


def report_files(others: str) -> Parameter:
    """Return the parameter of the files that a command writes what it tells to.

    Args:
        others: Which kinds there are beside a page.
    """
    return Parameter(
        name="--report",
        negative="",
        show_default=False,
        help="Also write it to this new file, any number of times: .html (one page with plots to "
        f"zoom into, which prints), {others}.",
    )


REPORTS: Final = (".html", ".md", ".csv", ".json")  # what most commands write


def check_report_files(paths: "Sequence[Path]", endings: "Sequence[str]" = REPORTS) -> None:
    """Check the files that reports are to be written to, before anything is read or run.

    Args:
        paths: Their names.
        endings: What each may end in.

    Raises:
        BadInput: One has another ending, is taken, or stands there twice.
    """
    from simulator.strict import BadInput, called, ending_of, refuse_taken

    for i, path in enumerate(paths):
        ending_of(path, *endings)
        refuse_taken(path)
        if path in paths[:i]:
            raise BadInput(f"--report: found {called(path)} twice, expected another name")


RigOption = Annotated[
    str | None, Parameter(help="Rig file (TOML), or the name of a shipped rig such as brindle.")
]


def _check_speed(_: object, speed: float) -> None:
    if not 0.0 <= speed < float("inf"):
        raise ValueError("Must be a number, 0 (as fast as possible) or more.")


SpeedOption = Annotated[
    float,
    Parameter(
        help="1 is real time, 10 ten times that; 0 is as fast as possible.", validator=_check_speed
    ),
]
SeedOption = Annotated[
    int | None,
    Parameter(help="Seed of the simulated car.", validator=Number(gte=0, lte=2**32 - 1)),
]
BaudOption = Annotated[
    int | None,
    Parameter(help="Of a serial port; otherwise the rig's.", validator=Number(gte=1)),
]
ListenOption = Annotated[
    str | None,
    Parameter(
        help="Output of the device that reads this, to time its answers: cts:PORT, dsr:PORT, "
        "dcd:PORT or ri:PORT; beat:PORT or bytes:PORT, @BAUD behind it where it is another; "
        "mqtt://HOST/PREFIX with ?form=beat, state or message."
    ),
]
AnswerOption = Annotated[
    Literal["falls", "rises"],
    Parameter(help="With --listen: which edge of a control line is the device's answer."),
]
SilenceOption = Annotated[
    float,
    Parameter(
        help="With --listen: seconds without a beat after which a heartbeat has ended.",
        validator=Number(gt=0.0, lte=60.0),
    ),
]
PidOption = Annotated[int | None, Parameter(help="Which guard; otherwise the newest.")]
LogArgument = Annotated[
    str,
    Parameter(
        show_default=False,
        help="A recorded session's folder, or a log (CSV, Parquet, Arrow IPC).",
    ),
]
OperatorOption = Annotated[
    str,
    Parameter(
        name=["--operator", "--who"],
        show_default=False,
        help="Who works the alarms; kept with what they do. Otherwise: operator.",
    ),
]
TextFlag = Annotated[bool, flag("Text instead of the dashboard.")]
JsonFlag = Annotated[bool, flag("JSON lines.", "--json")]
PlotOption = Annotated[Path | None, Parameter(help="Picture to draw, .png or .svg.")]
UnitsOption = Annotated[
    UnitsName,
    Parameter(
        help="Of what is shown: metric, or us (psi, degF, gal/h, fl oz; debt stays "
        "mL). JSON is metric."
    ),
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
WebPortOption = Annotated[
    int | None,
    Parameter(
        help="With --web: which port, 0 for any free one.", validator=Number(gte=0, lte=65535)
    ),
]
ScenarioArgument = Annotated[
    str,
    Parameter(
        show_default=False,
        help="A shipped scenario's name (see simulate --list), or a scenario file.",
    ),
]


def refuse_two_forms(*, text: bool, as_json: bool) -> None:
    """Refuse both forms at once.

    Raises:
        BadInput: Both are wanted.
    """
    from simulator.strict import BadInput

    if text and as_json:
        raise BadInput("--text: found --json too, expected text or JSON")


def quantity(where: str, text: str, *kinds: "type[Quantity]") -> "Quantity":
    """Return a quantity that an option states as text with a unit, such as "5 L".

    Args:
        where: The option, as it is called on the command line.
        text: What was given.
        kinds: What it may be, at least one; where it is none, the first is said to be expected.

    Raises:
        BadInput: It is none of them.
    """
    from simulator.strict import UNITS, BadInput, Mismatch, show

    # The unit says which kind is meant.
    unit = text.strip(" ").lstrip("+-0123456789.eE ")
    meant = next((kind for kind in kinds if unit in UNITS[kind.KIND]), kinds[0])
    try:
        return meant.from_toml(text)
    except Mismatch as error:
        found = error.found or show(text)
        raise BadInput(f"{where}: found {found}, expected {error.expected}") from None
