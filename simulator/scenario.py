"""Scenario files: a drive, its faults and the rig they happen to, read strictly from TOML."""

import re
from math import inf, nan
from pathlib import Path
from typing import Annotated, ClassVar, Final, Literal, Self

import msgspec

from rules.channels import CHANNEL_NAMES
from simulator.plant.script import (
    Do,
    Fault,
    FaultKind,
    Scenario,
    Step,
)
from simulator.rig import RigFile, find_rig, load_rig, shipped_rigs
from simulator.strict import (
    BadInput,
    Decoded,
    DegC,
    Document,
    KeyPath,
    Kpa,
    Mismatch,
    Ml,
    Percent,
    PlainText,
    Rpm,
    Seconds,
    Table,
    clean,
    nearest,
    read_text,
)

__all__ = [
    "Scenario",
    "load_scenario",
    "load_scenario_and_rig",
    "scenario_from_text",
    "shipped_scenarios",
]

LONGEST_S: Final = 86400.0
_SHIPPED: Final = Path(__file__).parent / "scenarios"
_RATE: Final = re.compile(r"([0-9]{1,4}(?:\.[0-9]{1,3})?) ?Hz")


class Hertz(Decoded, float):
    """Samples a second: text such as ``"100 Hz"``, 5 to 1000."""

    EXPECTED: ClassVar[str] = 'text such as "100 Hz", from 5 Hz to 1000 Hz'

    @classmethod
    def from_toml(cls, value: object) -> Self:
        """Return the rate.

        Raises:
            Mismatch: Not such text, or out of range.
        """
        found = _RATE.fullmatch(value) if isinstance(value, str) else None
        if found is None or not 5.0 <= float(found[1]) <= 1000.0:
            raise Mismatch(cls.EXPECTED)
        return cls(found[1])


class FaultWord(Decoded, str):
    """The name of a ``FaultKind``."""

    EXPECTED: ClassVar[str] = " or ".join(sorted(f'"{kind.word}"' for kind in FaultKind))

    @classmethod
    def from_toml(cls, value: object) -> Self:
        """Return the name.

        Raises:
            Mismatch: There is no such kind.
        """
        if value not in [kind.word for kind in FaultKind]:
            raise Mismatch(cls.EXPECTED)
        return cls(value)


Gear = Annotated[int, msgspec.Meta(ge=1, le=8)]
Seed = Annotated[int, msgspec.Meta(ge=0, le=2**32 - 1)]


class StepTable(Table, frozen=True):
    """``[[drive]]``."""

    do: Literal["idle", "cruise", "pull", "lift"]
    for_: Seconds = msgspec.field(name="for")
    gear: Gear | None = None
    throttle: Percent | None = None


class FaultTable(Table, frozen=True):
    """``[[faults]]``."""

    kind: FaultWord
    at: Seconds = Seconds(0.0)
    above_boost: Kpa | None = None
    below_boost: Kpa | None = None
    above_speed: Rpm | None = None
    gear: Gear | None = None
    channel: PlainText | None = None
    magnitude: Percent = Percent(100.0)
    ramp: Seconds = Seconds(0.0)
    for_: Seconds | None = msgspec.field(name="for", default=None)


class ScenarioTable(Table, frozen=True):
    """The whole file."""

    name: PlainText
    teaches: PlainText
    rig: PlainText
    drive: Annotated[tuple[StepTable, ...], msgspec.Meta(min_length=1, max_length=2000)]
    faults: Annotated[tuple[FaultTable, ...], msgspec.Meta(max_length=64)] = ()
    rate: Hertz = Hertz(100.0)
    seed: Seed = 1
    tank: Ml | None = None
    peak_boost: Kpa | None = None
    ambient: DegC = DegC(24.0)


def shipped_scenarios() -> dict[str, Path]:
    """Return the shipped scenarios: name to file, in the order of the names."""
    return {path.stem: path for path in sorted(_SHIPPED.glob("*.toml"))}


def load_scenario(name_or_path: str | Path) -> Scenario:
    """Read a shipped scenario by its name, or any scenario file.

    Args:
        name_or_path: A name of ``shipped_scenarios()``, or the path of a TOML file.

    Raises:
        BadInput: Neither, or unreadable, or anything in it (or in its rig) is wrong.
    """
    return load_scenario_and_rig(name_or_path)[0]


def load_scenario_and_rig(name_or_path: str | Path) -> tuple[Scenario, RigFile]:
    """Read a scenario as ``load_scenario`` does, and return its rig file too.

    Raises:
        BadInput: Neither, or unreadable, or anything in it (or in its rig) is wrong.
    """
    shipped = shipped_scenarios()
    path = shipped.get(str(name_or_path), Path(name_or_path))
    if str(name_or_path) not in shipped and path.suffix != ".toml":
        raise BadInput(
            f'found scenario "{clean(str(name_or_path))}", '
            "expected a TOML file or a shipped scenario, such as "
            + nearest(str(name_or_path), list(shipped), "flowdebt simulate --list")
        )
    return _read(read_text(path), str(path), path.parent)


def scenario_from_text(text: str, file_name: str, beside: Path | None = None) -> Scenario:
    """Read a scenario from a file's text.

    Args:
        text: The text.
        file_name: How messages call the file.
        beside: Folder from which a relative path of a rig counts; None: the current one.

    Raises:
        BadInput: Anything in it (or in its rig) is missing, unknown or wrong.
    """
    return _read(text, file_name, beside)[0]


def _read(text: str, file_name: str, beside: Path | None) -> tuple[Scenario, RigFile]:
    document = Document.parse(text, file_name)
    table = document.decode(ScenarioTable)
    _check(document, table)
    rig_file = load_rig(_rig_path(document, table.rig, beside))
    _check_against_rig(document, table, rig_file)
    scenario = Scenario(
        name=str(table.name),
        teaches=str(table.teaches),
        rig=rig_file.rig,
        drive=tuple(_step(step) for step in table.drive),
        faults=tuple(_fault(fault) for fault in table.faults),
        rate_hz=float(table.rate),
        seed=table.seed,
        tank_ml=inf if table.tank is None else float(table.tank),
        peak_boost_kpa=nan if table.peak_boost is None else float(table.peak_boost),
        ambient_c=float(table.ambient),
    )
    return scenario, rig_file


def _rig_path(document: Document, rig: str, beside: Path | None) -> Path:
    try:
        path = find_rig(rig)
    except BadInput:
        expected = f"a file or a shipped rig: {', '.join(shipped_rigs())}"
        raise document.wrong(("rig",), expected) from None
    if beside is not None and str(path) == rig and not path.is_absolute():
        return beside / path
    return path


def _step(table: StepTable) -> Step:
    throttle_pct = nan if table.throttle is None else float(table.throttle)
    return Step(Do(table.do), float(table.for_), table.gear or 0, throttle_pct)


def _fault(table: FaultTable) -> Fault:
    return Fault(
        kind=FaultKind[table.kind.upper()],
        at_s=float(table.at),
        above_boost_kpa=-inf if table.above_boost is None else float(table.above_boost),
        magnitude=0.01 * float(table.magnitude),
        ramp_s=float(table.ramp),
        for_s=inf if table.for_ is None else float(table.for_),
        channel="" if table.channel is None else str(table.channel),
        below_boost_kpa=inf if table.below_boost is None else float(table.below_boost),
        above_speed_rpm=-inf if table.above_speed is None else float(table.above_speed),
        gear=table.gear or 0,
    )


def _check_fault(document: Document, path: KeyPath, fault: FaultTable) -> None:
    kind = FaultKind[fault.kind.upper()]
    least = 100.0 * kind.least
    if not least <= fault.magnitude <= 100.0:
        raise document.wrong((*path, "magnitude"), f"{least:zg} % to 100 %")
    if fault.channel is not None and not kind.of_a_sensor:
        raise document.wrong((*path, "channel"), "no channel, except for a fault of a sensor")
    if fault.channel is not None and fault.channel not in CHANNEL_NAMES:
        raise document.wrong((*path, "channel"), f"one of {', '.join(CHANNEL_NAMES)}")


def _check_against_rig(document: Document, table: ScenarioTable, rig_file: RigFile) -> None:
    """Check what only this car can tell: its gears and its channels."""
    most = len(rig_file.rig.vehicle.gears)
    mapped = [terms.name for terms in rig_file.rig.channels]
    gears: list[tuple[KeyPath, Gear | None]] = [
        *((("drive", i, "gear"), step.gear) for i, step in enumerate(table.drive)),
        *((("faults", i, "gear"), fault.gear) for i, fault in enumerate(table.faults)),
    ]
    for path, gear in gears:
        if gear is not None and gear > most:
            raise document.wrong(path, f"a gear {rig_file.rig.name} has, 1 to {most}")
    for index, fault in enumerate(table.faults):
        if fault.channel is not None and str(fault.channel) not in mapped:
            wanted = f"a channel {rig_file.rig.name} maps: {', '.join(mapped)}"
            raise document.wrong(("faults", index, "channel"), wanted)


def _check(document: Document, table: ScenarioTable) -> None:
    """Check what no type can: values that only make sense together."""
    total_s = 0.0
    for index, step in enumerate(table.drive):
        path: KeyPath = ("drive", index)
        if step.for_ <= 0.0:
            raise document.wrong((*path, "for"), "more than 0 s")
        total_s += step.for_
        if total_s > LONGEST_S:
            raise document.wrong((*path, "for"), "a drive of at most 24 h in all")
        moves = step.do in ("pull", "cruise")
        if step.throttle is not None and not moves:
            raise document.wrong((*path, "throttle"), "no throttle, except in a pull or a cruise")
        if step.throttle is not None and not 0.0 < step.throttle <= 100.0:
            raise document.wrong((*path, "throttle"), "more than 0 %, at most 100 %")
        if step.gear is not None and not moves:
            raise document.wrong((*path, "gear"), "no gear, except in a pull or a cruise")
    for index, fault in enumerate(table.faults):
        path = ("faults", index)
        _check_fault(document, path, fault)
        if fault.at >= total_s:
            raise document.wrong((*path, "at"), f"less than the drive's {total_s:zg} s")
        if fault.for_ is not None and fault.for_ <= 0.0:
            raise document.wrong((*path, "for"), "more than 0 s")
    if table.peak_boost is not None and not 0.0 <= table.peak_boost <= 400.0:
        raise document.wrong(("peak_boost",), "0 kPa to 400 kPa")
    if not -30.0 <= table.ambient <= 60.0:
        raise document.wrong(("ambient",), "-30 degC to 60 degC")
