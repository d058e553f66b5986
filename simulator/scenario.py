"""Scenario files: a drive, its faults and the rig they happen to, read strictly from TOML."""

from dataclasses import replace
from math import isnan
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from msgspec import Meta

from rules.channels import CHANNEL_NAMES
from rules.facts import Rig
from simulator.plant.script import (
    Do,
    Fault,
    FaultKind,
    Scenario,
    Step,
)
from simulator.rig import RigFile, find_rig, load_rig, shipped_rigs
from simulator.rig.tables import Key, fact_of, many, table
from simulator.strict import (
    BadInput,
    DegC,
    Document,
    Hertz,
    KeyPath,
    Kpa,
    Ml,
    Percent,
    PlainText,
    Rpm,
    Seconds,
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
_GEAR: Final = Annotated[int, Meta(ge=1, le=8)]
STEP: Final = table(
    Step,
    Key("do", Literal[tuple(do.value for do in Do)]),
    Key("for", Seconds, "for_s"),
    Key("gear", _GEAR),
    Key("throttle", Percent, "throttle_pct"),
)
FAULT: Final = table(
    Fault,
    Key("kind", Literal[tuple(kind.word for kind in FaultKind)]),
    Key("at", Seconds, "at_s"),
    Key("above_boost", Kpa, "above_boost_kpa"),
    Key("below_boost", Kpa, "below_boost_kpa"),
    Key("above_speed", Rpm, "above_speed_rpm"),
    Key("gear", _GEAR),
    Key("channel", PlainText),
    Key("magnitude", Percent, times=0.01),
    Key("ramp", Seconds, "ramp_s"),
    Key("for", Seconds, "for_s"),
)
# What a scenario and a lesson say of a drive alike.
CONDITIONS: Final = (
    Key("rate", Hertz, "rate_hz"),
    Key("tank", Ml, "tank_ml"),
    Key("peak_boost", Kpa, "peak_boost_kpa"),
    Key("ambient", DegC, "ambient_c"),
)
SCENARIO: Final = table(
    Scenario,
    Key("name", PlainText),
    Key("teaches", PlainText),
    Key("rig", PlainText, None),
    Key("drive", many(STEP, 1, 2000)),
    Key("faults", many(FAULT, most=64)),
    Key("seed", Annotated[int, Meta(ge=0, le=2**32 - 1)]),
    *CONDITIONS,
)


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
    written: Any = document.decode(SCENARIO)
    scenario: Scenario = fact_of(written, rig=None)  # whose rig is read once the rest is right
    check_drive(document, scenario)
    check_faults(document, (), scenario.faults, scenario.duration_s)
    rig_file = load_rig(rig_path(document, written.rig, beside))
    scenario = replace(scenario, rig=rig_file.rig)
    check_against_rig(document, (), scenario.drive, scenario.faults, rig_file.rig)
    return scenario, rig_file


def rig_path(document: Document, rig: str, beside: Path | None) -> Path:
    """Return the file of the rig that a document's key ``rig`` names.

    Args:
        document: The document.
        rig: The name of a shipped rig, or a path.
        beside: Folder from which a relative path counts; None: the current one.

    Raises:
        BadInput: There is none.
    """
    try:
        path = find_rig(rig)
    except BadInput:
        expected = f"a file or a shipped rig: {', '.join(shipped_rigs())}"
        raise document.wrong(("rig",), expected) from None
    if beside is not None and str(path) == rig and not path.is_absolute():
        return beside / path
    return path


def check_drive(document: Document, scenario: Scenario) -> None:
    """Check what no type can of a drive: values that only make sense together.

    Raises:
        BadInput: They don't.
    """
    total_s = 0.0
    for index, step in enumerate(scenario.drive):
        path: KeyPath = ("drive", index)
        if step.for_s <= 0.0:
            raise document.wrong((*path, "for"), "more than 0 s")
        total_s += step.for_s
        if total_s > LONGEST_S:
            raise document.wrong((*path, "for"), "a drive of at most 24 h in all")
        moves = step.do in (Do.PULL, Do.CRUISE)
        if not isnan(step.throttle_pct) and not moves:
            raise document.wrong((*path, "throttle"), "no throttle, except in a pull or a cruise")
        if step.throttle_pct <= 0.0 or step.throttle_pct > 100.0:
            raise document.wrong((*path, "throttle"), "more than 0 %, at most 100 %")
        if step.gear and not moves:
            raise document.wrong((*path, "gear"), "no gear, except in a pull or a cruise")
    if scenario.peak_boost_kpa < 0.0 or scenario.peak_boost_kpa > 400.0:
        raise document.wrong(("peak_boost",), "0 kPa to 400 kPa")
    if not -30.0 <= scenario.ambient_c <= 60.0:
        raise document.wrong(("ambient",), "-30 degC to 60 degC")


def check_faults(
    document: Document, path: KeyPath, faults: tuple[Fault, ...], total_s: float
) -> None:
    """Check what makes sense together in faults.

    Args:
        document: Where they stand.
        path: The table whose ``faults`` they are.
        faults: The faults.
        total_s: How long the drive lasts, seconds.

    Raises:
        BadInput: As of ``check_fault``, or a fault that begins too late, or lasts no time.
    """
    for index, fault in enumerate(faults):
        place: KeyPath = (*path, "faults", index)
        check_fault(document, place, fault)
        if fault.at_s >= total_s:
            raise document.wrong((*place, "at"), f"less than the drive's {total_s:zg} s")
        if fault.for_s <= 0.0:
            raise document.wrong((*place, "for"), "more than 0 s")


def check_fault(document: Document, path: KeyPath, fault: Fault, rig: Rig | None = None) -> None:
    """Check what makes sense together in a fault.

    Args:
        document: Where it stands.
        path: And at which place.
        fault: The fault.
        rig: The car, where it is known: a sensor's channel has to be mapped.

    Raises:
        BadInput: A magnitude out of range, or a channel where none belongs or of no sensor.
    """
    least = fault.kind.least
    if not least <= fault.magnitude <= 1.0:
        raise document.wrong((*path, "magnitude"), f"{100.0 * least:zg} % to 100 %")
    if fault.channel and not fault.kind.of_a_sensor:
        raise document.wrong((*path, "channel"), "no channel, except for a fault of a sensor")
    if fault.channel and fault.channel not in CHANNEL_NAMES:
        raise document.wrong((*path, "channel"), f"one of {', '.join(CHANNEL_NAMES)}")
    mapped = CHANNEL_NAMES if rig is None else tuple(terms.name for terms in rig.channels)
    if rig is not None and fault.channel and fault.channel not in mapped:
        wanted = f"a channel {rig.name} maps: {', '.join(mapped)}"
        raise document.wrong((*path, "channel"), wanted)


def check_against_rig(
    document: Document,
    path: KeyPath,
    drive: tuple[Step, ...],
    faults: tuple[Fault, ...],
    rig: Rig,
) -> None:
    """Check what only this car can tell: its gears and its channels.

    Args:
        document: Where they stand.
        path: The table whose ``drive`` and ``faults`` they are.
        drive: The drive.
        faults: The faults.
        rig: The car.

    Raises:
        BadInput: A gear or a channel that it hasn't.
    """
    most = len(rig.vehicle.gears)
    gears = [("drive", index, step.gear) for index, step in enumerate(drive)]
    gears += [("faults", index, fault.gear) for index, fault in enumerate(faults)]
    for name, index, gear in gears:
        if gear > most:
            expected = f"a gear {rig.name} has, 1 to {most}"
            raise document.wrong((*path, name, index, "gear"), expected)
    for index, fault in enumerate(faults):
        check_fault(document, (*path, "faults", index), fault, rig)
