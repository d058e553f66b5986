"""A requirements file: what a failsafe has to do, read strictly from TOML."""

import hashlib
from dataclasses import dataclass, field, fields
from math import inf, isfinite, isnan, nan
from pathlib import Path
from typing import Annotated, Any, Final, Literal, get_args

from msgspec import Meta

from rules.facts import Action, ActionWord, Rig
from simulator.coverage.points import POINTS, Point, own_point
from simulator.plant import Fault, FaultKind
from simulator.proof.population import (
    AMBIENT,
    MOST_SETS,
    POPULATION,
    Population,
    Range,
    filled,
)
from simulator.rig import RigFile
from simulator.rig.tables import Key, fact_of, many, table
from simulator.scenario import check_fault
from simulator.strict import (
    MISSING,
    Document,
    KeyPath,
    Kpa,
    Percent,
    PlainText,
    Seconds,
    read_text,
)

MOST_ROWS: Final = 64
_ACTION: Final = Literal[get_args(ActionWord)]
_DRIVING: Final = Literal["driving", "spraying"]
_SHARE: Final = Percent.within(1.0, 99.99, "99 %")
_CONFIDENCE: Final = Percent.within(50.0, 99.99, "95 %")
_POSITIVE: Final = Annotated[float, Meta(gt=0.0, le=1e6)]
_FROM_NOUGHT: Final = Annotated[float, Meta(ge=0.0, le=1e6)]


@dataclass(frozen=True, slots=True)
class _Asked:
    """What a row says, but where it applies: the same as it is written and as it is read."""

    name: str
    faults: tuple[Fault, ...]
    command: tuple[float, float] = (0.0, inf)
    ambient: Range | None = None
    at_least: Action = Action.NO_ACTION
    within_s: float = inf
    at_most: Action = Action.CUT_BOOST
    harm_at_most: float = inf
    work_lost_at_most_kj: float = inf
    share: float = 0.99
    confidence: float = 0.95


@dataclass(frozen=True, slots=True)
class Requirement(_Asked):
    """A row: a fault at an operating point, and what has to come of it.

    Attributes:
        name: Its name.
        faults: What goes wrong, all at once, at least one.
        command: Share of full flow, from and to, that is commanded there (0 to 1).
        ambient: Air outside, degC; None: the population's.
        at_least: An action as hard has to come (NO_ACTION: none),
        within_s: no later than so long after the onset, seconds.
        at_most: No action harder than this may come.
        harm_at_most: Nor more knock harm.
        work_lost_at_most_kj: Nor may more work be lost against the same car's healthy twin, kJ.
        share: Of such runs at least this share has to pass, more than 0, less than 1.
        confidence: So sure is that to be, and so sure that it doesn't where it fails.
        point: Where.
    """

    point: Point = field(kw_only=True)


@dataclass(frozen=True, slots=True)
class Calm:
    """A row: how seldom a healthy car may be acted on.

    Attributes:
        name: Its name.
        action: This action, or a harder one.
        at_most_per_100_h: So often in 100 h, more than 0.
        of: "driving" or "spraying".
        confidence: So sure is that to be.
    """

    name: str
    action: Action
    at_most_per_100_h: float
    of: str = "spraying"
    confidence: float = 0.95


@dataclass(frozen=True, slots=True)
class Requirements:
    """A requirements file, read and checked.

    Attributes:
        name: Its name.
        seed_set: Which set of cars.
        population: How they differ; no gap is left.
        requirements: Rows with a fault.
        calm: Rows without one.
        sha256: Hash of its text.
    """

    name: str
    seed_set: int
    population: Population
    requirements: tuple[Requirement, ...]
    calm: tuple[Calm, ...]
    sha256: str


@dataclass(frozen=True, slots=True)
class _Row(_Asked):
    """A requirement as it is written."""

    at: str = ""
    gear: int = 0
    boost: tuple[float, float] = (-inf, inf)
    throttle_pct: float = nan


@dataclass(frozen=True, slots=True)
class _File:
    """A requirements file as it is written."""

    name: str
    seed_set: int = 0
    population: Population = field(default_factory=Population)
    requirements: tuple[_Row, ...] = ()
    calm: tuple[Calm, ...] = ()


_FAULT: Final = table(
    Fault,
    Key("kind", Literal[tuple(kind.word for kind in FaultKind)]),
    Key("channel", PlainText),
    Key("magnitude", Percent, times=0.01),
    Key("ramp", Seconds, "ramp_s"),
    Key("for", Seconds, "for_s"),
)
_REQUIREMENT: Final = table(
    _Row,
    Key("name", PlainText),
    Key("faults", many(_FAULT, 1, 8)),
    Key("at", Literal[tuple(point.key for point in POINTS)]),
    Key("gear", Annotated[int, Meta(ge=1, le=8)]),
    Key("boost", many(Kpa, 2, 2)),
    Key("command", many(Percent.within(0.0, 100.0), 2, 2), times=0.01),
    Key("throttle", Percent, "throttle_pct"),
    Key("ambient", AMBIENT),
    Key("action_at_least", _ACTION, "at_least"),
    Key("within", Seconds.within(0.001, 600.0, "400 ms"), "within_s"),
    Key("action_at_most", _ACTION, "at_most"),
    Key("harm_at_most", _FROM_NOUGHT),
    Key("work_lost_at_most_kj", _FROM_NOUGHT),
    Key("share", _SHARE, times=0.01),
    Key("confidence", _CONFIDENCE, times=0.01),
)
_CALM: Final = table(
    Calm,
    Key("name", PlainText),
    Key("action", Literal["warn", "pull_timing", "cut_boost"]),
    Key("at_most_per_100_h", _POSITIVE),
    Key("of", _DRIVING),
    Key("confidence", _CONFIDENCE, times=0.01),
)
_REQUIREMENTS: Final = table(
    _File,
    Key("name", PlainText),
    Key("seed_set", Annotated[int, Meta(ge=0, le=MOST_SETS)]),
    Key("population", POPULATION),
    Key("requirements", many(_REQUIREMENT, most=MOST_ROWS)),
    Key("calm", many(_CALM, most=MOST_ROWS)),
)


def load_requirements(path: Path, car: RigFile) -> Requirements:
    """Read a requirements file.

    Args:
        path: The file.
        car: The rig of the cars it is tried on: its tolerances fill what the file leaves open.

    Raises:
        BadInput: Unreadable, or anything in it missing, unknown or wrong, or not to be had with
            this car.
    """
    return requirements_from_text(read_text(path), str(path), car)


def requirements_from_text(text: str, file_name: str, car: RigFile) -> Requirements:
    """Read requirements from a file's text; see ``load_requirements``."""
    document = Document.parse(text, file_name)
    written: Any = document.decode(_REQUIREMENTS)
    file: _File = fact_of(written)
    if not file.requirements and not file.calm:
        raise document.wrong((), "at least one of [[requirements]] and [[calm]]", "none")
    names: set[str] = set()
    places = [("requirements", i, row.name) for i, row in enumerate(file.requirements)]
    places += [("calm", i, calm.name) for i, calm in enumerate(file.calm)]
    for key, i, name in places:
        if name in names:
            raise document.wrong((key, i, "name"), "a name no other row has")
        names.add(name)
    rows = [_requirement(document, i, row, car.rig) for i, row in enumerate(file.requirements)]
    return Requirements(
        name=file.name,
        seed_set=file.seed_set,
        population=filled(file.population, car.rig, car.time.period_s),
        requirements=tuple(rows),
        calm=file.calm,
        sha256=hashlib.sha256(text.encode()).hexdigest(),
    )


def _requirement(document: Document, index: int, row: _Row, rig: Rig) -> Requirement:
    path: KeyPath = ("requirements", index)
    for i, fault in enumerate(row.faults):
        check_fault(document, (*path, "faults", i), fault, rig)
        if fault.for_s <= 0.0:
            raise document.wrong((*path, "faults", i, "for"), "more than 0 s")
    if row.at_least is Action.NO_ACTION and isfinite(row.within_s):
        raise document.wrong((*path, "within"), "action_at_least beside it, or no within")
    if row.at_least is not Action.NO_ACTION and not isfinite(row.within_s):
        raise document.wrong((*path, "within"), "a time such as 400 ms", MISSING)
    if row.at_most < row.at_least:
        raise document.wrong((*path, "action_at_most"), "no less than action_at_least")
    sought = (row.within_s, row.harm_at_most, row.work_lost_at_most_kj)
    if row.at_most is Action.CUT_BOOST and not any(map(isfinite, sought)):
        expected = "action_at_least, action_at_most, harm_at_most or work_lost_at_most_kj"
        raise document.wrong(path, expected, "nothing asked")
    same = {one.name: getattr(row, one.name) for one in fields(_Asked)}
    return Requirement(**same, point=_point(document, path, row, rig))


def _point(document: Document, path: KeyPath, row: _Row, rig: Rig) -> Point:
    raw = document.raw(path)
    keys = set(raw) if isinstance(raw, dict) else set()
    own = keys & {"gear", "boost", "throttle"}
    if row.at:
        if own:
            raise document.wrong((*path, min(own)), "none beside a point that at names")
        return next(point for point in POINTS if point.key == row.at)
    if not own and "command" not in keys:
        expected = f"a point ({', '.join(p.key for p in POINTS)}), or gear, boost, command"
        raise document.wrong((*path, "at"), expected, MISSING)
    for key, (low, high) in {"boost": row.boost, "command": row.command}.items():
        if low > high:
            raise document.wrong((*path, key), "the lower one first")
    if row.gear > len(rig.vehicle.gears):
        expected = f"a gear {rig.name} has, 1 to {len(rig.vehicle.gears)}"
        raise document.wrong((*path, "gear"), expected)
    if not isnan(row.throttle_pct) and not 0.0 < row.throttle_pct <= 100.0:
        raise document.wrong((*path, "throttle"), "more than 0 %, at most 100 %")
    return own_point(rig, row.gear, row.boost, row.throttle_pct)
