"""Invented logs of one and the same pull, each written as some logger may write it."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from simulator.rig import RigFile, rig_from_text
from tests.kit.rig_text import SMALL

ROWS = 240
STEP_S = 0.05
NAMES = ("Time", "Boost", "Flow", "IAT")
Row = tuple[float, float, float, float]
# Boost in kPa, flow in mL/min, intake in degC: what every log below holds.
TRUTH: tuple[Row, ...] = tuple(
    (
        round(i * STEP_S, 2),
        round(min(20.0 + i, 150.0) + (i % 3) * 0.25, 2),
        round(5.0 + 2.5 * i + (i % 4) * 0.5, 2),
        float(30 + i % 5),
    )
    for i in range(ROWS)
)


@dataclass(frozen=True)
class OddLog:
    """One log.

    Attributes:
        name: What is odd about it.
        content: The file.
        time: The rig's ``[time]``.
        columns: How the rig names boost, flow and intake temperature.
        units: The rig's units of these.
        stated: The units that the log itself states for time and these.
        time_unit: As what its time is found without a rig.
        time_within_s: How near its times are to the truth's, from the first row.
        not_used: Its lines among and behind the rows that are no rows.
    """

    name: str
    content: bytes
    time: str = 'column = "Time"'
    columns: tuple[str, str, str] = ("Boost", "Flow", "IAT")
    units: tuple[str, str, str] = ("kPa", "mL/min", "degC")
    stated: tuple[str, str, str, str] = ("", "", "", "")
    time_unit: str = "s"
    time_within_s: float = 1e-9
    not_used: int = 0

    @property
    def rig_text(self) -> str:
        """The rig that maps its columns."""
        head = SMALL.partition("[channels.boost_kpa]")[0]
        channels = ("boost_kpa", "delivered_ml_min", "intake_c")
        mapped = "".join(
            f'[channels.{channel}]\ncolumn = "{column}"\nunit = "{unit}"\n'
            for channel, column, unit in zip(channels, self.columns, self.units, strict=True)
        )
        return f"{head}{mapped}[time]\n{self.time}\n"

    @property
    def rig(self) -> RigFile:
        """The same, read."""
        return rig_from_text(self.rig_text, "odd.toml")


def _text(
    rows: Iterable[Sequence[object]],
    *,
    names: Sequence[str] = NAMES,
    between: str = ",",
    before: str = "",
    under: str = "",
    end: str = "\n",
) -> str:
    lines = [between.join(names), *([under] if under else [])]
    lines += [between.join(str(cell) for cell in row) for row in rows]
    return before + end.join(lines) + end


def _comma(text: str) -> str:
    return text.replace(".", ",")


def _timed(write: Callable[[float], object]) -> list[Sequence[object]]:
    """Return the rows with their times written otherwise."""
    return [(write(row[0]), *row[1:]) for row in TRUTH]


def _clock(start: datetime, form: str, digits: int = 3) -> Callable[[float], str]:
    """Return a writer of times: a form of ``strftime``, where %f has so many digits."""

    def write(time_s: float) -> str:
        moment = start + timedelta(seconds=time_s)
        fraction = f"{moment.microsecond:06d}"[:digits]
        return moment.strftime(form.replace("%f", fraction))

    return write


_NIGHT = datetime(2024, 4, 3, 23, 59, 54, 250_000, tzinfo=UTC)  # over midnight
_NOON = datetime(2024, 12, 31, 11, 59, 54, tzinfo=UTC)


def _rates() -> list[Sequence[object]]:
    """Flow in every other row, intake in every tenth; blank in between."""
    return [
        (t, boost, flow if i % 2 == 0 else "", air if i % 10 == 0 else "")
        for i, (t, boost, flow, air) in enumerate(TRUTH)
    ]


def _with_text() -> list[Sequence[object]]:
    """A word in every twentieth flow, and a dash for an intake temperature."""
    return [
        (t, boost, "ERR" if i % 20 == 7 else flow, "-" if i % 20 == 9 else air)
        for i, (t, boost, flow, air) in enumerate(TRUTH)
    ]


def _quoted(row: Iterable[object]) -> list[str]:
    return [f'"{cell}"' for cell in row]


def _with_remarks() -> str:
    """A line of words now and then, and two at the end."""
    lines = [",".join(map(str, row)) for row in TRUTH]
    for at in (200, 100, 50):
        lines.insert(at, "# somebody pressed the button")
    return "\n".join([",".join(NAMES), *lines, "End of log", "rows: 240", ""])


_PREAMBLE = "Log of 12.03.\n# a cold day; no wind\nCar: none that exists\nRows: 240\n\n"
_BRACKETS = ("Time [s]", "Boost [kPa]", "Flow (mL/min)", "IAT [°C]")

ODD_LOGS: tuple[OddLog, ...] = (
    OddLog("commas", _text(TRUTH).encode()),
    OddLog("semicolons and decimal commas", _comma(_text(TRUTH, between=";", end="\r\n")).encode()),
    OddLog("tabs and a byte order mark", _text(TRUTH, between="\t").encode("utf-8-sig")),
    OddLog("UTF-16 and tabs", _text(TRUTH, between="\t", end="\r\n").encode("utf-16")),
    OddLog("UTF-16 without a mark", _text(TRUTH, between=";").encode("utf-16-le")),
    OddLog(
        "Latin-1",
        _text(TRUTH, names=(*NAMES[:3], "IAT °C")).encode("latin-1"),
        columns=("Boost", "Flow", "IAT °C"),
    ),
    OddLog("lines before the header", _text(TRUTH, before=_PREAMBLE).encode()),
    OddLog(
        "a row of units",
        _text(TRUTH, between=";", before="# made up\n", under="s;kPa;cc/min;°C").encode(),
        stated=("s", "kPa", "cc/min", "°C"),
    ),
    OddLog(
        "units in brackets",
        _text(TRUTH, names=_BRACKETS).encode(),
        time='column = "Time [s]"',
        columns=_BRACKETS[1:],
        stated=("s", "kPa", "mL/min", "°C"),
    ),
    OddLog(
        "a name that stands twice",
        _text(
            [(t, 0, boost, 99.5, flow, air) for t, boost, flow, air in TRUTH],
            names=("Time", "Flow", "Boost", "Boost", "Flow", "IAT"),
        ).encode(),
        columns=("Boost#1", "Flow#2", "IAT"),
    ),
    OddLog("text and dashes", _text(_with_text()).encode()),
    OddLog("several rates", _text(_rates(), between=";").encode()),
    OddLog(
        "milliseconds",
        _text(_timed(lambda t: 10_000 + round(1000 * t))).encode(),
        time='column = "Time"\nunit = "ms"',
        time_unit="ms",
    ),
    OddLog(
        "psi and degrees Fahrenheit",
        _text(
            [
                (t, round(boost / 6.894757293168, 6), flow, 32 + 1.8 * air)
                for t, boost, flow, air in TRUTH
            ],
            names=("Time", "Boost (psi)", "Flow", "IAT (F)"),
        ).encode(),
        columns=("Boost (psi)", "Flow", "IAT (F)"),
        units=("psi", "mL/min", "degF"),
        stated=("", "psi", "", "F"),
    ),
    OddLog(
        "a clock, over midnight",
        _text(_timed(_clock(_NIGHT, "%H:%M:%S.%f"))).encode(),
        time_unit="clock",
    ),
    OddLog(
        "a clock with a decimal comma",
        _comma(_text(_timed(_clock(_NIGHT, "%H:%M:%S.%f", 2)), between=";")).encode(),
        time_unit="clock",
    ),
    OddLog(
        "minutes and seconds", _text(_timed(_clock(_NIGHT, "%M:%S.%f"))).encode(), time_unit="clock"
    ),
    OddLog(
        "half of a day",
        _text(_timed(_clock(_NOON, "%I:%M:%S.%f %p"))).encode(),
        time_unit="clock",
    ),
    OddLog(
        "ISO 8601",
        _text(_timed(_clock(_NIGHT, "%Y-%m-%dT%H:%M:%S.%fZ"))).encode(),
        time='column = "Time"\nunit = "clock"',
        time_unit="clock",
    ),
    OddLog(
        "a date, dotted",
        _text(_timed(_clock(_NIGHT, "%d.%m.%Y %H:%M:%S.%f"))).encode(),
        time_unit="clock",
    ),
    OddLog(
        "a date, month first as its next day tells",
        _text(_timed(_clock(_NIGHT, "%m/%d/%Y %H:%M:%S.%f"))).encode(),
        time_unit="clock",
    ),
    OddLog(
        "whole seconds of a clock",
        _text(_timed(_clock(_NIGHT, "%H:%M:%S"))).encode(),
        time_within_s=1e-6,
        time_unit="clock",
    ),
    OddLog("whole seconds", _text(_timed(lambda t: int(t + 7.25))).encode(), time_within_s=1e-6),
    OddLog(
        "no time",
        _text([row[1:] for row in TRUTH], names=NAMES[1:]).encode(),
        time='unit = "rows"\nperiod = "50 ms"',
        time_unit="rows",
    ),
    OddLog("a delimiter behind every row", _text([(*row, "") for row in TRUTH]).encode()),
    OddLog("strokes between fields", _text(TRUTH, between="|").encode()),
    OddLog("lines that end in CR alone", _text(TRUTH, end="\r").encode()),
    OddLog("UTF-16, the high byte first", ("\ufeff" + _text(TRUTH)).encode("utf-16-be")),
    OddLog(
        "UTF-16, tabs and decimal commas",
        _comma(_text(TRUTH, between="\t")).encode("utf-16"),
    ),
    OddLog(
        "Latin-1 and a row of units",
        _text(TRUTH, between=";", under="s;kPa;cc/min;°C").encode("latin-1"),
        stated=("s", "kPa", "cc/min", "°C"),
    ),
    OddLog(
        "names of names above the header",
        _text(
            TRUTH, between=";", before="Zeit;Druck;Menge;Luft\n", under="s;kPa;cc/min;°C"
        ).encode(),
        stated=("s", "kPa", "cc/min", "°C"),
    ),
    OddLog("a line that names the delimiter", _text(TRUTH, between=";", before="sep=;\n").encode()),
    OddLog(
        "all in quotes",
        _text([_quoted(row) for row in TRUTH], names=_quoted(NAMES)).encode(),
    ),
    OddLog(
        "a comma in a name",
        _text(TRUTH, names=("Time", '"Boost, manifold"', "Flow", "IAT")).encode(),
        columns=("Boost, manifold", "Flow", "IAT"),
    ),
    OddLog(
        "padded with blanks",
        _text(
            [[f"{cell:>9}" for cell in row] for row in TRUTH],
            names=[f"{name:>9} " for name in NAMES],
        ).encode(),
    ),
    OddLog("a blank line behind each", _text(TRUTH, end="\n\n").encode()),
    OddLog("remarks among the rows and behind them", _with_remarks().encode(), not_used=5),
    OddLog("cut off by a power loss", _text(TRUTH).encode() + b"12.00,15", not_used=1),
    OddLog("noughts behind the last row", _text(TRUTH).encode() + b"\0" * 400, not_used=1),
    OddLog(
        "powers of ten and signs",
        _text([[f"{cell:+.7e}" for cell in row] for row in TRUTH]).encode(),
    ),
    OddLog(
        "minutes, as a fraction",
        _text(_timed(lambda t: f"{t / 60:.9f}"), names=("Time (min)", *NAMES[1:])).encode(),
        time='column = "Time (min)"\nunit = "min"',
        time_unit="min",
        time_within_s=1e-7,
    ),
    OddLog(
        "microseconds, from an odd start",
        _text(_timed(lambda t: 5_000_000 + round(1e6 * t)), names=("Time_us", *NAMES[1:])).encode(),
        time='column = "Time_us"\nunit = "us"',
        time_unit="us",
    ),
    OddLog(
        "seconds since 1970",
        _text(_timed(lambda t: f"{1712188794.25 + t:.2f}")).encode(),
        time_within_s=1e-6,
    ),
    OddLog(
        "a date beside the time of day",
        _text(
            [("03.04.2024", _clock(_NOON, "%H:%M:%S.%f")(row[0]), *row[1:]) for row in TRUTH],
            names=("Date", *NAMES),
        ).encode(),
        time_unit="clock",
    ),
    OddLog(
        "a clock with a colon before its fraction",
        _text(_timed(_clock(_NIGHT, "%H:%M:%S:%f"))).encode(),
        time_unit="clock",
    ),
    OddLog(
        "a clock in a zone",
        _text(_timed(_clock(_NIGHT, "%Y-%m-%d %H:%M:%S.%f+02:00"))).encode(),
        time_unit="clock",
    ),
    OddLog(
        "time in the last column, and a count in the first",
        _text(
            [(i, *row[1:], "street", row[0]) for i, row in enumerate(TRUTH)],
            names=("", *NAMES[1:], "Note", "Time"),
        ).encode(),
    ),
)


@dataclass(frozen=True)
class HopelessLog:
    """A log that can't be read.

    Attributes:
        name: Why.
        content: The file.
        refused: What the rig's reader says, from the file's name on.
        listed: What is said where no rig is asked; empty where its columns can be listed.
        time: The rig's ``[time]``.
    """

    name: str
    content: bytes
    refused: str
    listed: str
    time: str = 'column = "Time"'

    @property
    def rig_text(self) -> str:
        """A rig for the columns of ``NAMES``."""
        return OddLog(self.name, self.content, time=self.time).rig_text


_NO_HEADER = "expected a header of names, and rows of numbers below it"
_DATES = ("03/04/2024 10:00:00", "05/06/2024 10:00:00")

HOPELESS_LOGS: tuple[HopelessLog, ...] = (
    HopelessLog("empty", b"", ": found an empty file, expected a header", ": found an empty file"),
    HopelessLog(
        "a letter",
        b"Dear all,\nthe car went well.\n",
        ':1: found "Dear all,", expected a header with the rig\'s columns, such as "Time"',
        f':1: found "Dear all,", {_NO_HEADER}',
    ),
    HopelessLog(
        "a picture",
        b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 8,
        ": found bytes that are neither text nor how a Parquet or Arrow file begins",
        ": found bytes that are neither text",
    ),
    HopelessLog(
        "numbers alone", b"0,1,2,3\n1,2,3,4\n", ':1: found "0,1,2,3", expected a header', _NO_HEADER
    ),
    HopelessLog(
        "a header alone",
        b"Time,Boost,Flow,IAT\n",
        ":1: found no rows of numbers below this line, expected some",
        f':1: found "Time,Boost,Flow,IAT", {_NO_HEADER}',
    ),
    HopelessLog(
        "columns parted by blanks",
        _text(TRUTH, between=" ").encode(),
        ':1: found "Time Boost Flow IAT", expected a header',
        f':1: found "Time Boost Flow IAT", {_NO_HEADER}',
    ),
    HopelessLog(
        "a column is missing",
        _text([row[:3] for row in TRUTH], names=NAMES[:3], before="# made up\n").encode(),
        ':2: found no column "IAT", expected it, or its name here in the rig\'s '
        '[channels.intake_c]; nearest: "Time", "Boost", "Flow"',
        "",
    ),
    HopelessLog(
        "a name stands twice and the rig does not say which",
        _text([(*row, 0) for row in TRUTH], names=(*NAMES, "Flow")).encode(),
        ':1: column twice: Flow; expected one column "Flow" for delivered_ml_min (see the rig; the '
        'first of them is "Flow#1")',
        "",
    ),
    HopelessLog(
        "no time, where the rig names one",
        _text([row[1:] for row in TRUTH], names=NAMES[1:]).encode(),
        ':1: found no column "Time", expected it, or its name here in the rig\'s [time], or there '
        'unit = "rows"; nearest: "IAT", "Boost", "Flow"',
        "",
    ),
    HopelessLog(
        "psi, where the rig says kPa",
        _text(TRUTH, under="s,psi,mL/min,degC").encode(),
        ':2: Boost: found unit "psi", expected "kPa" as the rig says in [channels.boost_kpa]',
        "",
    ),
    HopelessLog(
        "a column of words",
        _text([(t, "low", flow, air) for t, _, flow, air in TRUTH]).encode(),
        ':2: Boost: found "low", expected a number',
        "",
    ),
    HopelessLog(
        "units in the cells",
        _text([(t, f"{boost} kPa", flow, air) for t, boost, flow, air in TRUTH]).encode(),
        ':2: Boost: found "20.0 kPa", expected a number',
        "",
    ),
    HopelessLog(
        "decimal commas between commas",
        _comma(_text(TRUTH, between=";")).replace(";", ",").encode(),
        ":2: found rows of 8 fields under a header of 4, expected as many; are these decimal "
        "commas? Write decimal points, or separate fields by semicolons",
        ":2: found rows of 8 fields under a header of 4",
    ),
    HopelessLog(
        "decimal commas in quotes",
        _text([_quoted(_comma(str(cell)) for cell in row) for row in TRUTH]).encode(),
        ':2: Time: found "0,0", expected a number with a decimal point',
        ":2: Time: found decimal commas between commas, expected decimal points, or semicolons",
    ),
    HopelessLog(
        "rows that are too short",
        _text([row[:3] for row in TRUTH]).encode(),
        ":2: found rows of 3 fields under a header of 4, expected as many",
        ":2: found rows of 3 fields under a header of 4",
    ),
    HopelessLog(
        "dates that may be read in two ways",
        _text([(_DATES[i % 2], *row[1:]) for i, row in enumerate(TRUTH)]).encode(),
        ":2: Time: found dates such as 3/4/2024 and 5/6/2024, where day or month may come first, "
        "expected such as 2024-03-12 or 12.03.2024",
        ":2: Time: found dates such as 3/4/2024 and 5/6/2024",
    ),
    HopelessLog(
        "numbers, where the rig says clock",
        _text(TRUTH).encode(),
        ':2: Time: found "0.0", expected a time such as 14:05:06.1',
        "",
        time='column = "Time"\nunit = "clock"',
    ),
    HopelessLog(
        "words in place of times",
        _text(_timed(lambda t: "soon" if t < 6 else "later")).encode(),
        ':2: Time: found "soon", expected a number, or a time such as 14:05:06.1',
        "",
    ),
    HopelessLog(
        "a clock where boost should be",
        _text([(t, "1:00", flow, air) for t, _, flow, air in TRUTH]).encode(),
        ':2: Boost: found "1:00", expected a number',
        "",
    ),
    HopelessLog(
        "a line without end",
        _text(TRUTH[:20]).encode() + b"1" * 80_000,
        ":22: found a line over 65536 bytes, expected shorter ones",
        ":22: found a line over 65536 bytes",
    ),
    HopelessLog(
        "half a Parquet file",
        b"PAR1" + b"\x15\x04" * 99,
        ": found it damaged (",
        ": found it damaged",
    ),
)
