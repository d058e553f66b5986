"""A rig of older days rewritten in today's keys; every other character of it stays.

A key that moved takes its remarks along: those above it, and the one behind it. One that is gone
becomes a remark itself, so that nothing a person wrote is lost.
"""

import contextlib
import copy
import re
import tomllib
from collections.abc import Iterator
from typing import Any, Final, NamedTuple

from rules.facts import FlowSensor
from rules.step.from_rig import constants_of, judges_charge
from simulator.rig.changes import value_text
from simulator.rig.keys import DEBT, FLOW_SENSOR, LINE_SENSOR, RIG
from simulator.rig.load import RigFile, rig_of
from simulator.rig.old_keys import OldKey, old_keys_of
from simulator.rig.toml_places import Places, behind_line, put, remarks_above
from simulator.strict import BadInput, Document, KeyPath, Mismatch, Seconds, called, key_of
from simulator.strict.lines import Lines

TABLE: Final = "flow_sensor"
# Of the delay or lag itself: what a tolerance that isn't less becomes, and one that nobody stated.
MOST_WITHIN, USUAL_WITHIN = 0.9, 0.5
_IS_NEW: Final = ("gain_within", "floor")
_COMMA_BEHIND: Final = re.compile(r"[ \t]*,[ \t]*")
_COMMA_BEFORE: Final = re.compile(r"[ \t]*,?[ \t]*$")


class Renewed(NamedTuple):
    """A rig's text in today's keys.

    Attributes:
        text: It; the same to the byte where there was nothing to renew.
        changed: What was changed, a line each.
    """

    text: str
    changed: tuple[str, ...]


def renewed(text: str, file_name: str) -> Renewed:
    """Return a rig's text with its old keys as they are written today.

    Args:
        text: TOML.
        file_name: How messages call it.

    Raises:
        BadInput: No TOML; an old key beside the one it is called today; anything else that is
            wrong in a rig with old keys; or a layout so odd that it can't be rewritten in place.
    """
    document = Document.parse(text, file_name)
    olds = old_keys_of(document)
    if not olds:
        return Renewed(text, ())
    wanted = copy.deepcopy(document.data)
    values = [_take(wanted, old.path) for old in olds]
    for old, value in zip(olds, values, strict=True):
        if old.now and not _set(wanted, old.now, value):
            found = f"it beside {key_of(old.now)}"
            raise document.wrong(old.path, "one of the two, which mean the same", found)
    new = Document(text, file_name, wanted, {old.now: old.path for old in olds if old.now})
    nearest = list(_out_of_range(new))
    for path, value, _ in nearest:
        _set(wanted, path, value, anew=True)
    rig_of(new)  # what else is wrong is told by the lines of the file as it is
    lines, rewritten = Lines(text).lines, text
    changed = []
    for old, value in zip(olds, values, strict=True):
        where = f"line {lines.get(old.path, 1)}: {key_of(old.path)}"
        else_now = f": {old.why}; its remarks stay, and may no longer fit" if old.why else ""
        is_now = f"{key_of(old.now)} now{else_now}" if old.now else f"gone: {old.why}"
        changed.append(f"{where} is {is_now}")
        rewritten = _rewritten(rewritten, old, value)
    for path, value, why in nearest:
        rewritten = put(rewritten, path, value)
        changed.append(f"{key_of(path)} is {value}: {why}")
    _check(rewritten, wanted, file_name)
    return Renewed(rewritten, tuple(changed))


def by_default(rig_file: RigFile) -> Iterator[str]:
    """Yield which numbers of its sensors of flow and line a rig leaves to defaults, a line each."""
    document = Document.parse(rig_file.text, rig_file.file_name)
    mapped = {terms.name for terms in rig_file.rig.channels}
    for channel, name, keys in (
        ("delivered_ml_min", TABLE, FLOW_SENSOR.KEYS),
        ("line_kpa", "line_sensor", LINE_SENSOR.KEYS),
    ):
        written = getattr(document.decode(RIG), name)
        unsaid = [
            f"{key.name} {value_text(getattr(written, key.name))}"
            for key in keys
            if document.raw((name, key.name)) is None
        ]
        if unsaid and channel in mapped:
            yield f"[{name}] says nothing of these, so defaults hold: {', '.join(unsaid)}"


def left_open(rig_file: RigFile) -> Iterator[str]:
    """Yield what a renewed rig doesn't say yet and its owner should decide, a line each."""
    yield from by_default(rig_file)
    document = Document.parse(rig_file.text, rig_file.file_name)
    mapped = {terms.name for terms in rig_file.rig.channels}
    if "intake_c" in mapped and not judges_charge(rig_file.rig):
        yield "the charge's temperature isn't judged: charge_sensor.drop_k says how far spray cools"
    debt = rig_file.rig.debt
    cut_ml = constants_of(rig_file.rig).cut_ml
    if document.raw(("debt", "cut")) is None and cut_ml < debt.cut_ml:
        volume = document.raw(("debt", "cut_volume"))
        than = "" if volume is None else f": cut_volume ({volume}) has no effect"
        yield f"debt.cut is by default {debt.cut_s:zg} s of full flow, {cut_ml:z.2f} mL here{than}"


def _check(text: str, wanted: dict[str, Any], file_name: str) -> None:
    with contextlib.suppress(ValueError):
        if _filled(tomllib.loads(text)) == _filled(wanted):
            return
    raise BadInput(
        f"{called(file_name)}: found old keys in a file too oddly laid out to renew, "
        "expected one key a line"
    )


def _filled(data: dict[str, Any]) -> dict[str, Any]:
    """Return it without tables that are empty, as one is whose dotted keys have all moved."""
    return {name: table for name, table in data.items() if table != {}}


def _take(data: dict[str, Any], path: KeyPath) -> Any:
    for step in path[:-1]:
        data = data[str(step)]
    return data.pop(str(path[-1]))


def _set(data: Any, path: KeyPath, value: Any, *, anew: bool = False) -> bool:
    """Put a value in; return False where something stands there already."""
    for step in path[:-1]:
        data = data.setdefault(str(step), {})
        if not isinstance(data, dict):
            return False
    if path[-1] in data and not anew:
        return False
    data[str(path[-1])] = value
    return True


def _out_of_range(document: Document) -> Iterator[tuple[KeyPath, str, str]]:
    """Yield values that today's range refuses: where, what to write instead, and why."""
    usual = FlowSensor()
    for name, default_s, usual_s in (
        ("transport_delay", usual.delay_s, usual.delay_within_s),
        ("lag", usual.lag_s, usual.lag_within_s),
    ):
        itself_s = _number(document, (TABLE, name), Seconds)
        of_s = default_s if itself_s is None else itself_s
        within = (TABLE, f"{name}_within")
        within_s = _number(document, within, Seconds)
        share = USUAL_WITHIN if within_s is None else MOST_WITHIN
        now_s = usual_s if within_s is None else within_s
        if now_s >= of_s and now_s > 0.0:
            yield within, f"{1e3 * share * of_s:z.6g} ms", f"less than {name}, {1e3 * of_s:z.6g} ms"
    for table, keys, names in (
        (TABLE, FLOW_SENSOR.KEYS, _IS_NEW),
        ("debt", DEBT.KEYS, ("cut_volume",)),
    ):
        for key in keys:
            if key.name not in names:
                continue
            value = _number(document, (table, key.name), key.wants.__base__)
            if value is not None and not key.wants.LOW <= value <= key.wants.HIGH:
                near = min(max(value, key.wants.LOW), key.wants.HIGH)
                reach = f"from {key.wants.LOW:zg} to {key.wants.HIGH:zg}"
                yield (table, key.name), f"{near:zg} {key.wants.UNIT}", f"{reach} is accepted"


def _number(document: Document, path: KeyPath, kind: Any) -> float | None:
    """Return a quantity; None where it isn't written, or is no such one (the loader will tell)."""
    with contextlib.suppress(Mismatch):
        return float(kind.from_toml(document.raw(path)))
    return None


def _rewritten(text: str, old: OldKey, value: Any) -> str:
    if not old.now:
        return _as_remark(text, old.path, "gone")
    return _with_name(text, old) if old.now[:-1] == old.path[:-1] else _moved(text, old, value)


def _as_remark(text: str, path: KeyPath, word: str) -> str:
    """Return the text with a key as a remark; within braces, without it."""
    start, end = Places(text).pairs.get(path, (0, 0))
    first = text.rfind("\n", 0, start) + 1
    if text[first:start].strip():
        return _without(text, (start, end))
    lines = text[first:end].replace("\n", "\n# ")
    return f"{text[:first]}# {word}: {lines}{text[end:]}"


def _without(text: str, pair: tuple[int, int]) -> str:
    """Return the text without a pair of a table within braces."""
    start, end = pair
    behind = _COMMA_BEHIND.match(text, end)
    if behind is not None:
        return text[:start] + text[behind.end() :]
    return _COMMA_BEFORE.sub("", text[:start]) + text[end:]


def _with_name(text: str, old: OldKey) -> str:
    """Return the text with another name of a key, or of a table, wherever that is written."""
    for start, end in reversed(Places(text).names.get(old.path, [])):
        quote = text[start] if text[start] in "\"'" else ""
        text = f"{text[:start]}{quote}{old.now[-1]}{quote}{text[end:]}"
    return text


def _moved(text: str, old: OldKey, value: Any) -> str:
    """Return the text with a key in its other table, its remarks with it."""
    places = Places(text)
    start, end = places.pairs.get(old.path, (0, 0))
    first = text.rfind("\n", 0, start) + 1
    to = old.now[:-1]
    there = to in places.headers or to in places.dotted
    if text[first:start].strip() or (to in places.ends and not there):  # out of braces, or into
        return put(_as_remark(text, old.path, "moved"), old.now, value)
    last = text.find("\n", end) + 1 or len(text)
    above = remarks_above(text, first) if old.path[:-1] in places.headers else first
    _, name_ends = places.names.get(old.path, [(0, 0)])[0]
    name = old.now[-1] if to in places.headers or not there else key_of(old.now)
    line = f"{text[above:start]}{name}{text[name_ends:last]}".rstrip("\r\n")
    text = text[:above] + text[last:]
    places = Places(text)
    line_end = "\r\n" if "\r\n" in text else "\n"
    if there:
        at = places.ends[to] if to in places.headers else places.dotted[to][0]
        return behind_line(text, at, line, line_end)
    at = _behind_spray(text, places)
    gap = "" if text[at:].lstrip(" \t\r")[:1] in {"\n", ""} else line_end
    before = text[:at] if text[:at].endswith("\n") else text[:at] + line_end
    return f"{before}{line_end}[{TABLE}]{line_end}{line}{line_end}{gap}{text[at:]}"


def _behind_spray(text: str, places: Places) -> int:
    """Return where a new table goes: behind the last one of the spray system, else at the end."""
    spray = [places.ends[path] for path in places.headers if path[0] == "spray"]
    if not spray:
        return len(text)
    at = text.find("\n", max(spray)) + 1 or len(text)
    behind = at
    while text[behind:].lstrip(" \t").startswith("#"):
        behind = text.find("\n", behind) + 1 or len(text)
    # Remarks that go on without an empty line down to another table are that one's.
    return at if text[behind:].lstrip(" \t").startswith("[") else behind
