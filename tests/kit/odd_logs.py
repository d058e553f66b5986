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
    """

    name: str
    content: bytes
    time: str = 'column = "Time"'
    columns: tuple[str, str, str] = ("Boost", "Flow", "IAT")
    units: tuple[str, str, str] = ("kPa", "mL/min", "degC")
    stated: tuple[str, str, str, str] = ("", "", "", "")
    time_unit: str = "s"
    time_within_s: float = 1e-9

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
)
