"""Changing keys of a rig's text in place: everything else in the file stays as it was."""

import contextlib
import copy
import difflib
import os
import re
import tempfile
import tomllib
from collections.abc import Container, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import msgspec
from msgspec import inspect as shape

from simulator.rig import RigFile, rig_from_text
from simulator.rig.changes import NONE, value_text
from simulator.rig.columns import SENSOR_OF
from simulator.rig.keys import RIG
from simulator.rig.old_keys import OldKey, in_place_of, old_key
from simulator.rig.toml_places import put
from simulator.strict import (
    BadInput,
    Document,
    KeyPath,
    Mismatch,
    clean,
    ending_of,
    key_of,
    show,
    unusable,
)
from simulator.strict.quantities import Decoded
from simulator.strict.wants import describe, known_keys, step_into, wants_text

MOST_CHANGES: Final = 100
LONGEST_CHANGE: Final = 1000
_STEP: Final = re.compile(r"([A-Za-z0-9_-]+)|\[([0-9]{1,4})\]")
_TYPES: Final = shape.type_info(RIG)
_READ_BY: Final = "the log was read by it; open the log with another rig"
_FIXED: Final = {
    "time": _READ_BY,
    "serial": "a log has no serial port",
    "commissioned": "it says what was done; flowdebt check --done writes it",
    "vehicle": "it changes no decision",
}
_FIXED_KEYS: Final = {
    ("engine", "ambient_pressure"): "absolute columns were read by it",
    ("engine", "charger"): _FIXED["vehicle"],
    ("engine", "compression_ratio"): _FIXED["vehicle"],
    ("engine", "petrol_octane"): _FIXED["vehicle"],
    ("command", "kind"): "other keys belong to another kind; change it in the file",
}
_FIXED_OF_A_CHANNEL: Final = frozenset({"column", "unit", "absolute"})


@dataclass(frozen=True, slots=True)
class Value:
    """A key that ``edit`` changes.

    Attributes:
        key: As ``edit`` takes it: ``debt.cut``, ``paid.timing[1]``.
        value: Present value with its unit, as in the file where it is written there; ``none`` where
            it isn't set.
        given: Whether it is written in the file; else it is the default.
        wants: What is expected there, in words.
    """

    key: str
    value: str
    given: bool
    wants: str


def edit(rig_file: RigFile, *changes: str) -> RigFile:
    """Return the rig with keys changed, all at once.

    Args:
        rig_file: Its file name is kept for messages; the file itself is not touched.
        changes: As ``debt.cut = 0.5 s``: dotted key (list items as ``paid.timing[1]``), equals
            sign, value; quotes around text may be left out.

    Raises:
        BadInput: No such key (names the nearest), a wrong value, one that contradicts others, or a
            key a recorded log can't be judged anew with (columns, time base, the car).
    """
    if len(changes) > MOST_CHANGES:
        raise BadInput(f"found {len(changes)} changes, expected at most {MOST_CHANGES}")
    text = rig_file.text
    wanted = copy.deepcopy(Document.parse(text, rig_file.file_name).data)
    for change in changes:
        path, given, node = _parsed(rig_file, text, change)
        value = _value_of(given, node)
        if (old := old_key(path, value)) is not None:
            raise BadInput(_was_called(path, value, old))
        text = put(text, path, value)
        _set(wanted, path, value)
    edited = rig_from_text(text, rig_file.file_name)
    if tomllib.loads(text) != wanted:
        told = ", ".join(clean(change) for change in changes)
        raise BadInput(f"{told}: found a file too oddly laid out, expected one key a line")
    return edited


def without_place(message: str, rig_file: RigFile) -> str:
    """Return a message of ``edit`` without file and line: what was typed stands in no file."""
    return re.sub(r"^:[0-9]+: |^: ", "", message.removeprefix(rig_file.file_name))


def values_of(rig_file: RigFile) -> list[Value]:
    """Return the keys ``edit`` changes, in the order of a rig file; none of a sensor not mapped."""
    document = Document.parse(rig_file.text, rig_file.file_name)
    absent = [f"{table}." for table, name in SENSOR_OF.items() if name not in rig_file.columns]
    found = _values(document, (), document.decode(RIG))
    return [value for value in found if not value.key.startswith(tuple(absent))]


def save_as(text: str, path: Path) -> None:
    """Write a rig's text to a new file, whole or not at all.

    Raises:
        BadInput: There is one already, or it can't be written.
    """
    name = clean(str(path), 200)
    ending_of(path, ".toml")
    try:
        handle, draft = tempfile.mkstemp(prefix=".rig-", suffix=".part", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(text.encode())
                file.flush()
                os.fsync(file.fileno())
            Path(draft).chmod(0o644)
            os.link(draft, path)  # fails where there is one: a rename would overwrite it
        finally:
            with contextlib.suppress(OSError):
                Path(draft).unlink()
    except FileExistsError:
        raise BadInput(f"{name}: found a file, expected none: nothing is overwritten") from None
    except OSError as error:
        raise unusable(path, error, "a file to write") from None


def set_keys(
    rig_file: RigFile, *changes: str, may_be_none: Container[KeyPath] = ()
) -> dict[KeyPath, Any]:
    """Return keys and their values out of texts such as ``edit`` takes, whichever key it is.

    Args:
        rig_file: A rig of the same form; it is not changed.
        changes: As ``edit`` takes them.
        may_be_none: Keys that "none" takes out: None is their value then.

    Raises:
        BadInput: No such key, or a value of another kind.
    """
    text, found = rig_file.text, dict[KeyPath, Any]()
    for change in changes:
        path, given, node = _parsed(rig_file, text, change, any_key=True)
        if path in may_be_none and given.strip("\"'").lower() == NONE:
            found[path] = None
            continue
        found[path] = _value_of(given, node)
        _check_quantities(path, found[path], node)
        text = put(text, path, found[path])
    return found


def _check_quantities(path: KeyPath, value: Any, node: shape.Type | None) -> None:
    """Refuse a quantity, or one in a list, that can't be one; what else is wrong a rig tells."""
    if isinstance(value, list):
        for at, item in enumerate(value):
            _check_quantities((*path, at), item, step_into(node, at, value) if node else None)
    elif isinstance(node, shape.UnionType):
        _check_quantities(path, value, node.types[0])
    elif isinstance(node, shape.CustomType) and issubclass(node.cls, Decoded):
        try:
            node.cls.from_toml(value)
        except Mismatch as error:
            found = error.found or show(value)
            raise BadInput(f"{key_of(path)}: found {found}, expected {error.expected}") from None


def _parsed(
    rig_file: RigFile, text: str, change: str, *, any_key: bool = False
) -> tuple[KeyPath, str, shape.Type]:
    if len(change) > LONGEST_CHANGE or not change.isprintable():
        raise BadInput(
            f"{clean(change)}: found {len(change)} characters, some of which don't print, "
            f"expected one line of at most {LONGEST_CHANGE}"
            if len(change) <= LONGEST_CHANGE
            else f"{clean(change)}: found {len(change)} characters, expected {LONGEST_CHANGE}"
        )
    name, equals, given = (part.strip() for part in change.partition("="))
    if not (name and equals and given):
        raise BadInput(f'found "{clean(change)}", expected a change such as debt.cut = 0.5 s')
    path: KeyPath = ()
    for part in name.replace("[", ".[").split("."):
        step = _STEP.fullmatch(part.strip())
        if step is None:
            raise BadInput(f'found key "{clean(name)}", expected one such as paid.timing[1]')
        number = step[2] or (step[1] if step[1].isdecimal() and len(step[1]) <= 4 else None)
        path = (*path, step[1] if number is None else int(number))
    path = _in_its_list(text, path)
    return path, given, _check(rig_file, text, path, name, any_key=any_key)


def _in_its_list(text: str, path: KeyPath) -> KeyPath:
    """Return a path with the item's number where a list of one table needs none.

    Raises:
        BadInput: There are several such tables.
    """
    raw: Any = tomllib.loads(text)
    for at, step in enumerate(path):
        if isinstance(raw, list) and raw and isinstance(raw[0], dict) and isinstance(step, str):
            if len(raw) > 1:
                item = key_of((*path[:at], 0, *path[at:]))
                found = f"{len(raw)} tables, expected one of them, such as {item}"
                raise BadInput(f"{key_of(path)}: found {found}")
            return _in_its_list(text, (*path[:at], 0, *path[at:]))
        try:
            raw = raw[step]
        except (KeyError, IndexError, TypeError):
            break
    return path


def _check(rig_file: RigFile, text: str, path: KeyPath, name: str, *, any_key: bool) -> shape.Type:
    """Refuse a key that isn't there, or that a log can't be judged anew with; return its type."""
    document = Document.parse(text, rig_file.file_name)
    node: shape.Type = _TYPES
    for at, step in enumerate(path):
        raw = document.raw(path[:at])
        inner = step_into(node, step, raw)
        if inner is None and (old := old_key(path, None)) is not None:
            raise BadInput(_was_called(path, None, old))
        if inner is None:
            raise BadInput(_unknown(rig_file, name, path[:at], known_keys(node, raw)))
        if isinstance(step, int) and not (isinstance(raw, list) and step < len(raw)):
            items = f"a list of {len(raw)}" if isinstance(raw, list) else "no list in the file"
            raise BadInput(f"{clean(name)}: found {items}, expected an item that is there")
        node = inner
    why = None if any_key else _refused(document, path)
    if why is not None:
        raise BadInput(f"{key_of(path)}: found a key that can't change here, since {why}")
    if describe(node) == "a table":
        keys = ", ".join(known_keys(node, document.raw(path)))
        raise BadInput(f"{key_of(path)}: found a table, expected one of its keys: {keys}")
    return node


def _was_called(path: KeyPath, value: Any, old: OldKey) -> str:
    found, expected = in_place_of(old)
    return f"{key_of(path)}: found {found or show(value)}, expected {expected}"


def _unknown(rig_file: RigFile, name: str, parent: KeyPath, known: list[str]) -> str:
    keys = [value.key for value in values_of(rig_file)]
    here = [key_of((*parent, key)) for key in known]
    near = difflib.get_close_matches(name, list(dict.fromkeys([*here, *keys])), n=3, cutoff=0.6)
    if not near:
        last = name.rpartition(".")[2]
        near = [key for key in keys if key.rpartition(".")[2] == last][:3]
    expected = " or ".join(near) or "one of " + ", ".join(here or sorted({*_tops()}))
    return f"{clean(name)}: found an unknown key, expected {expected}"


def _tops() -> list[str]:
    return [key for key in known_keys(_TYPES, None) if key not in _FIXED]


def _refused(document: Document, path: KeyPath) -> str | None:
    if path[0] in _FIXED:
        return _FIXED[str(path[0])]
    if path in _FIXED_KEYS:
        return _FIXED_KEYS[path]
    if path[0] == "channels" and len(path) > 1:
        if document.raw(path[:2]) is None:
            return "the log was read without this channel"
        if path[-1] in _FIXED_OF_A_CHANNEL:
            return _READ_BY
    return None


def _value_of(given: str, node: shape.Type | None) -> Any:
    """Return what a person wrote: TOML as it is, and text also without its quotes."""
    found = _as_toml(given)
    if wants_text(node):
        return found if isinstance(found, str) else given
    item = None if node is None else step_into(node, 0, None)
    bare = given.startswith("[") and given.endswith("]") and not set(given) & set("\"'")
    if wants_text(item) and bare:
        return [part.strip() for part in given[1:-1].split(",") if part.strip()]
    return given if found is None else found


def _as_toml(given: str) -> Any:
    try:
        data = tomllib.loads(f"k = {given}")
    except (ValueError, RecursionError):
        return None
    value = data["k"] if data.keys() == {"k"} else None
    plain = isinstance(value, str | bool | int | float | list)
    # Dates, tables and remarks are nothing a rig has as a value: text then, which is refused.
    return value if plain and "#" not in given else None


def _set(data: Any, path: KeyPath, value: Any) -> None:
    for step in path[:-1]:
        data = data.setdefault(step, {}) if isinstance(data, dict) else data[step]
    data[path[-1]] = value


def _values(document: Document, path: KeyPath, value: Any) -> Iterator[Value]:
    for field in msgspec.structs.fields(type(value)):
        here: KeyPath = (*path, field.encode_name)
        inner = getattr(value, field.name)
        if _refused(document, here) is not None or here == ("name",):
            continue
        if isinstance(inner, msgspec.Struct):
            yield from _values(document, here, inner)
        elif isinstance(inner, tuple) and inner and isinstance(inner[0], msgspec.Struct):
            for number, item in enumerate(inner):
                yield from _values(document, (*here, number), item)
        elif inner is None and path == ("limits",):
            yield _one(document, (*here, "above"), None)
        else:
            yield _one(document, here, inner)


def _one(document: Document, path: KeyPath, value: Any) -> Value:
    raw = document.raw(path)
    node: shape.Type | None = _TYPES
    for at, step in enumerate(path):
        node = step_into(node, step, document.raw(path[:at])) if node is not None else None
    if raw is None:
        text = NONE if value is None else value_text(value)
    elif isinstance(raw, str):
        text = clean(raw, 120)
    elif isinstance(raw, list):
        text = value_text(tuple(raw)) if all(isinstance(i, str) for i in raw) else show_list(raw)
    else:
        text = show(raw)
    return Value(key_of(path), text, raw is not None, describe(node))


def show_list(raw: list[Any]) -> str:
    """Return a list out of a rig as people write it."""
    return "[" + ", ".join(show_list(i) if isinstance(i, list) else str(i) for i in raw) + "]"
