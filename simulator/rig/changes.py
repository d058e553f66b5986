"""What differs between two rig files, and whether a running guard can take the difference."""

from collections.abc import Iterator
from typing import Any, Final, NamedTuple

import msgspec

from rules.step.from_rig import constants_of
from simulator.rig.keys import RIG, ColumnTable
from simulator.rig.load import RigFile
from simulator.strict import BadInput, Document, KeyPath, Quantity, clean, key_of

NONE: Final = "none"
# What a source reads by, or the car itself: a running guard has opened the one and remembers the
# other. Everything else only says where the thresholds lie.
_FIXED: Final = frozenset(
    {"engine", "injectors", "spray", "flow_sensor", "time", "serial", "vehicle"}
)
# What makes the flow and the line's pressure read as they do: another one, and it is another car.
_SENSORS: Final = frozenset({"flow_sensor", "line_sensor", "spray"})
_SENSED: Final = frozenset({"delivered_ml_min", "line_kpa"})
_NO_SENSOR: Final = ("spray", "tank")
_LIVE_OF_A_CHANNEL: Final = frozenset({"plausible", "max_age", "stuck_after"})


class Change(NamedTuple):
    """One key whose value differs; ``none`` where it is not set."""

    key: str
    before: str
    after: str

    @property
    def words(self) -> str:
        """The change in words, the unit once."""
        before, _, unit = self.before.partition(" ")
        same = unit and self.after.endswith(f" {unit}")
        return f"{self.key} {before if same else self.before} -> {self.after}"


def changes(before: RigFile, after: RigFile) -> tuple[Change, ...]:
    """Return what differs, in the order of a rig file; defaults count as if written."""
    return tuple(change for _, change in _changes(before, after))


def sensor_changes(before: RigFile, after: RigFile) -> tuple[Change, ...]:
    """Return what differs of the sensors of flow and line pressure, nozzles, pump and mix.

    Where anything does, what was learned of the one car says nothing of the other.
    """
    return tuple(change for path, change in _changes(before, after) if _is_of_sensors(path))


def _is_of_sensors(path: KeyPath) -> bool:
    if path[0] == "channels":
        return path[1] in _SENSED and path[-1] not in _LIVE_OF_A_CHANNEL
    return path[0] in _SENSORS and path != _NO_SENSOR


def live_changes(before: RigFile, after: RigFile) -> tuple[Change, ...]:
    """Return what differs, where a running guard can change from one to the other.

    Raises:
        BadInput: It can't; names file, line and key.
    """
    found = list(_changes(before, after))
    for path, change in found:
        fixed = (
            path[0] in _FIXED
            or path == ("command", "kind")
            or (path[0] == "channels" and path[-1] not in _LIVE_OF_A_CHANNEL)
        )
        if fixed:
            raise _refused(after, path, change)
    if constants_of(before.rig).columns() != constants_of(after.rig).columns():
        # A limit, a charge that is judged or a cross-check that is new, or no longer there.
        kinds = ("limits", "channels", "watch", "charge_sensor")
        here = [(path, c) for path, c in found if path[0] in kinds]
        odd = [(path, c) for path, c in here if NONE in (c.before, c.after)]
        raise _refused(after, *(odd or here)[0])
    return tuple(change for _, change in found)


def _refused(rig_file: RigFile, path: KeyPath, change: Change) -> BadInput:
    document = Document.parse(rig_file.text, rig_file.file_name)
    return document.wrong(
        path, f"{change.before}: that can't change while the guard runs", clean(change.after)
    )


def _changes(before: RigFile, after: RigFile) -> Iterator[tuple[KeyPath, Change]]:
    old, new = (
        dict(_leaves((), Document.parse(rig.text, rig.file_name).decode(RIG)))
        for rig in (before, after)
    )
    for path in dict.fromkeys((*old, *new)):
        if path[0] == "commissioned":
            continue  # what was done, no number that decides
        was, is_now = old.get(path, NONE), new.get(path, NONE)
        if was != is_now:
            yield path, Change(key_of(path), was, is_now)


def _leaves(path: KeyPath, value: Any) -> Iterator[tuple[KeyPath, str]]:
    if isinstance(value, msgspec.Struct):
        tag = value.__struct_config__.tag_field
        if tag is not None:
            yield (*path, tag), str(value.__struct_config__.tag)
        if isinstance(value, ColumnTable):
            yield (*path, "column"), str(value.column or path[-1])
        for field in msgspec.structs.fields(type(value)):
            yield from _leaves((*path, field.encode_name), getattr(value, field.name))
    elif isinstance(value, tuple) and any(isinstance(item, msgspec.Struct) for item in value):
        for i, item in enumerate(value):
            yield from _leaves((*path, i), item)
    elif value is not None:
        yield path, value_text(value)


def value_text(value: Any) -> str:
    """Return a value out of a rig's tables as people write it, in our own unit."""
    if isinstance(value, tuple):
        return f"[{', '.join(value_text(item) for item in value)}]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Quantity):
        return f"{float(value):z.12g} {value.UNIT}"
    return f"{value:z.12g}" if isinstance(value, float) else str(value)
