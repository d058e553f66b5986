"""From this car's healthy logs to its rig: which numbers are put in, and which stay as they are."""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import chain
from typing import Any, Final

from msgspec import inspect as shape

from monitor.commission.fitted_law import with_law
from monitor.commission.provenance import is_guess, put_with_origin
from monitor.commission.rig_logs import RigLog
from rules.channels import LINE
from rules.step.from_rig import witness_column
from simulator.identify import Estimate, Identified, Law, identify
from simulator.identify.identify import NOT_HEALTHY
from simulator.identify.readings import HELD
from simulator.rig import ROWS, RigFile, rig_from_text
from simulator.rig.keys import RIG
from simulator.rig.renew import MOST_WITHIN
from simulator.strict import BadInput, Document, KeyPath, Quantity, key_of
from simulator.strict.wants import step_into

NO_NUMBER: Final = "nothing of them tells anything of the spray: no rig is made"
ALIEN: Final = "no rig is made: see the lines with !"
SHOWN_HASH: Final = 12
MOST_NAMED: Final = 3  # logs, in a remark
_BARE_TABLES: Final = ("flow_sensor", "line_sensor", "time")  # a rig may do without their header
_WITHIN: Final = "_within"
LAW_HOLDS: Final = "[command] explains these logs as it is"
LAW_IS_NEW: Final = "[command] is put in as a whole instead"


@dataclass(frozen=True, slots=True)
class Number:
    """What becomes of one number.

    Attributes:
        found: What the logs say.
        path: Its key; empty where no rig has it.
        unit: What it is told and written in.
        per: ``found``'s unit in this one.
        says: What the rig says now, in its own words or by default; empty where it says nothing.
        new: What is put in, as TOML has it; None: the rig's stays.
        stays: Why the rig's stays though there is a number; empty where that is plain.
    """

    found: Estimate
    path: KeyPath
    unit: str
    per: float
    says: str
    new: str | float | None = None
    stays: str = ""

    def shown(self, value: float) -> str:
        """Return a value of ``found``'s unit in ``unit``, without naming it."""
        return f"{rounded(value * self.per):z.12g}"


@dataclass(frozen=True, slots=True)
class Fitted:
    """A fit.

    Attributes:
        rig_file: The rig as it was.
        logs: What was read.
        identified: What it says.
        numbers: In the order of the table.
        new: The rig with the numbers put in; None where ``refused`` says why there is none.
        refused: Why no rig is made, a clause; empty where one is.
    """

    rig_file: RigFile
    logs: tuple[RigLog, ...]
    identified: Identified
    numbers: tuple[Number, ...]
    new: RigFile | None
    refused: str = ""


def rounded(value: float) -> float:
    """Return a value with three digits that count, and none that is next to nothing."""
    return float(f"{round(value, 6):z.3g}")


def fit_logs(rig_file: RigFile, logs: Sequence[RigLog], day: str) -> Fitted:
    """Fit a rig to its car's healthy logs.

    Args:
        rig_file: The rig, by which they were read.
        logs: One or more.
        day: Year, month and day, for the remarks.

    Raises:
        BadInput: The rig's file is so oddly laid out that nothing can be put in.
    """
    document = Document.parse(rig_file.text, rig_file.file_name)
    command = tomllib.loads(rig_file.text).get("command", {})
    law = [key for key in command if key != "kind"]
    guessed = bool(law) and all(is_guess(rig_file.text, ("command", key)) for key in law)
    series = [*chain.from_iterable(log.series for log in logs)]
    identified = identify(series, rig_file.rig, guessed=guessed)
    numbers = [_number(document, found) for found in identified.numbers.values()]
    by_key = {number.found.key: number for number in numbers}
    holds = identified.law is None or identified.law.rig_holds
    settled = tuple(_settled(document, number, by_key, holds) for number in numbers)
    by_line = witness_column(rig_file.rig) == LINE
    refused = _refused(identified, settled, by_line=by_line)
    new = None
    if not refused:
        new = _new_rig(rig_file, settled, identified.law, _source(logs), day)
    return Fitted(rig_file, tuple(logs), identified, settled, new, refused)


def _refused(identified: Identified, numbers: Sequence[Number], *, by_line: bool) -> str:
    out = sum(bool(pull.left_out) for pull in identified.pulls)
    if out and 2 * out >= len(identified.pulls):
        return NOT_HEALTHY
    sensor = "line_sensor" if by_line else "flow_sensor"
    gain = next((n for n in numbers if n.path == (sensor, "gain_within")), None)
    if gain is not None and gain.stays:
        return ALIEN
    law = identified.law
    told = any(n.new is not None for n in numbers if n.path[:1] != ("time",))
    return "" if told or (law is not None and not law.rig_holds) else NO_NUMBER


@cache
def _shape() -> shape.Type:
    return shape.type_info(RIG)


def _kind_of(document: Document, path: KeyPath) -> type[Quantity] | type[float] | None:
    """Return what a key wants: a quantity, or a plain number; None: no rig has it as a number."""
    node: shape.Type | None = _shape()
    for at, step in enumerate(path):
        node = step_into(node, step, document.raw(path[:at])) if node is not None else None
    if isinstance(node, shape.UnionType):
        node = node.types[0]
    if isinstance(node, shape.CustomType) and issubclass(node.cls, Quantity):
        return node.cls
    return float if isinstance(node, shape.FloatType) else None


def _number(document: Document, found: Estimate) -> Number:
    path: KeyPath = tuple(found.key.split("."))
    kind = _kind_of(document, path)
    there = document.raw(path[:-1]) is not None or path[0] in _BARE_TABLES
    if kind is None or not there:
        unit, per = _handy(found, found.unit, 1.0)
        stays = "" if kind is None else f"the rig has no [{key_of(path[:-1])}]"
        return Number(found, (), unit, per, "", stays=stays)
    raw = document.raw(path)
    if not issubclass(kind, Quantity):
        says = "" if raw is None else str(raw)
        return Number(found, path, found.unit, 1.0, says)
    now = _now(document, path)
    given = kind.from_toml(raw).given_unit if raw is not None else ""
    to_unit = kind.linear(found.unit)[0]
    unit, per = (given, to_unit / kind.linear(given)[0]) if given else (kind.UNIT, to_unit)
    if given in ("", "s"):
        unit, per = _handy(found, unit, per)
    says = str(raw) if raw is not None else f"{rounded(now / to_unit * per):z.12g} {unit}, default"
    return Number(found, path, unit, per, says)


def _handy(found: Estimate, unit: str, per: float) -> tuple[str, float]:
    """Return milliseconds for times that are short."""
    short = unit == "s" and (found.value is None or abs(found.value) < 1.0)
    return ("ms", 1e3 * per) if short else (unit, per)


def _now(document: Document, path: KeyPath) -> float:
    """Return the rig's number, be it a default, in the key's own unit."""
    value: Any = document.decode(RIG)
    for step in path:
        value = getattr(value, str(step))
    return float(value)


def _settled(
    document: Document, number: Number, by_key: Mapping[str, Number], law_holds: bool
) -> Number:
    """Return the number with what is put in, or why the rig's stays."""
    found = number.found
    if found.value is None or not number.path:
        return number
    if number.path[0] == "command":  # what somebody set is known better than from a log
        return replace(number, stays=LAW_HOLDS if law_holds else LAW_IS_NEW)
    value, stays = _wanted(document, number, by_key)
    if value is None:
        return replace(number, stays=stays)
    put_in = rounded(value * number.per)
    kind = _kind_of(document, number.path)
    if kind is None or not issubclass(kind, Quantity):
        return replace(number, new=put_in)
    to_unit = kind.linear(found.unit)[0]
    low, high = (end / to_unit * number.per for end in (kind.LOW, kind.HIGH))
    if not low <= put_in <= high:
        return replace(number, stays=f"a rig accepts from {low:zg} to {high:zg} {number.unit}")
    raw: Any = document.raw(number.path)
    same = raw is not None and put_in == rounded(float(kind.from_toml(raw)) / to_unit * number.per)
    return replace(number, new=raw if same else f"{put_in:z.12g} {number.unit}")


def _wanted(
    document: Document, number: Number, by_key: Mapping[str, Number]
) -> tuple[float | None, str]:
    """Return what is put in, in the estimate's unit, or None and why not."""
    found, path = number.found, number.path
    value = found.value if found.value is not None else 0.0
    key = found.key
    if path == ("time", "period") and document.raw(("time", "unit")) == ROWS:
        return None, "rows of this log have no other time"
    if path == ("flow_sensor", "refresh"):
        period = by_key.get("time.period")
        apart_s = 0.0 if period is None else period.found.value or 0.0
        if value == 0.0 < _now(document, path) < HELD * apart_s:
            return None, "rows come too seldom to tell"
    if path == ("flow_sensor", "floor") and value < _now(document, path):
        return None, "only raised: one log doesn't bound what stands without flow"
    if path == ("line_sensor", "lag") and value > _now(document, path):
        return None, "only lowered: the line's own is in it, which isn't the sensor's"
    itself = by_key.get(key.removesuffix(_WITHIN))
    tolerance = by_key.get(key if itself is not number else key + _WITHIN)
    if itself is None or tolerance is None or itself is tolerance or not itself.path:
        return value, ""
    middle, within = itself.found.value, tolerance.found.value
    if middle is None or within is None:
        return None, ""
    rig_within = _now(document, tolerance.path)
    if itself.found.low is None:
        if abs(middle - _now(document, itself.path)) <= rig_within:
            return None, "no interval, and the rig's own tolerance has it"
        within = max(within, rig_within)
    if within > MOST_WITHIN * middle > 0.0:  # nothing comes before its cause
        middle = 0.5 * (middle + within)
        within = MOST_WITHIN * middle
    return (middle if itself is number else within), ""


def _source(logs: Sequence[RigLog]) -> str:
    named = [f"{log.name} sha256 {log.sha256[:SHOWN_HASH]}" for log in logs[:MOST_NAMED]]
    more = len(logs) - MOST_NAMED
    return ", ".join(named) + (f" and {more} more" if more > 0 else "")


def _new_rig(
    rig_file: RigFile, numbers: Sequence[Number], law: Law | None, source: str, day: str
) -> RigFile:
    text = rig_file.text
    if law is not None and not law.rig_holds:
        text = with_law(text, law.command, f"fit {day} of {source}: explains it best")
    wanted = tomllib.loads(text)
    for number in numbers:
        if number.new is None:
            continue
        found = number.found
        told = f"fit {day} of {source}: "
        if found.low is not None and found.high is not None:
            ends = f"{number.shown(found.low)} to {number.shown(found.high)}"
            told += f"{ends} {number.unit} (90 %), "
        elif found.why_not:
            told += "no interval, "
        origin = f"{told}from {found.from_}"
        text = put_with_origin(text, number.path, number.new, origin)
        _set(wanted, number.path, number.new)
    if tomllib.loads(text) != wanted:
        raise BadInput(
            f"{rig_file.file_name}: found a file too oddly laid out, expected one key a line"
        )
    return rig_from_text(text, rig_file.file_name)


def _set(data: Any, path: KeyPath, value: Any) -> None:
    for step in path[:-1]:
        data = data.setdefault(step, {})
    data[path[-1]] = value
