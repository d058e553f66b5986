"""Keys of a rig file that are written otherwise now, or not at all.

The one table serves three: the error for a rig that has one, ``renew``, which rewrites such a rig,
and the reading of sessions, which bring their rig in the words of their day.
"""

from typing import Final, NamedTuple

from rules.facts import FlowSensor
from simulator.strict import Document, KeyPath, Mismatch, Ml, for_shell, key_of
from simulator.strict.lines import Lines


class OldKey(NamedTuple):
    """A key as it was.

    Attributes:
        path: How it was written.
        now: How it is written today; empty where it is gone.
        why: Of one that is gone: what does its work. Of one that means less, or else, than it did:
            what it means now.
        in_volume: It is old only where its value is a volume.
    """

    path: KeyPath
    now: KeyPath = ()
    why: str = ""
    in_volume: bool = False


_SURE: Final = "evidence judges now, and debt.false_pull_every says how sure it must be"
_UNASKED: Final = "flow nobody asked for is found by evidence now"
_DELAY: Final = (
    "of the delay alone; the lag's is lag_within, "
    f"{1e3 * FlowSensor().lag_within_s:z.0f} ms by default, which may be narrower than it was"
)
_COOLS: Final = "evidence judges now, by what [charge_sensor] says of cooling"
OLD_KEYS: Final = (
    OldKey(("spray", "transport_delay"), ("flow_sensor", "transport_delay")),
    OldKey(("debt", "timing"), ("flow_sensor", "transport_delay_within"), _DELAY),
    OldKey(("debt", "delay_tolerance"), ("flow_sensor", "transport_delay_within"), _DELAY),
    OldKey(("spray", "lag"), ("flow_sensor", "lag")),
    OldKey(
        ("debt", "share"),
        ("flow_sensor", "gain_within"),
        "how far off an honest reading may be, no share that may be missing",
    ),
    OldKey(("debt", "floor"), ("flow_sensor", "floor")),
    OldKey(
        ("debt", "cut"),
        ("debt", "cut_volume"),
        "debt counts only once evidence is sure, and cut, in seconds, may be less",
        in_volume=True,
    ),
    OldKey(("debt", "warn"), why=_SURE),
    OldKey(("debt", "pull"), why=_SURE),
    OldKey(("debt", "arrears"), why=_SURE),
    OldKey(("debt", "arrears_share"), why=_SURE),
    OldKey(("debt", "lead"), why=_SURE),
    OldKey(("watch", "no_delivery_for"), why="evidence finds a flow that is gone"),
    OldKey(("watch", "unasked_above"), why=_UNASKED),
    OldKey(("watch", "unasked_for"), why=_UNASKED),
    OldKey(("watch", "least_drop_k"), why=_COOLS),
    OldKey(("watch", "most_rise_k"), why=_COOLS),
    OldKey(("watch", "cooling_for"), why=_COOLS),
    OldKey(("watch", "cooling_action"), why=_COOLS),
    OldKey(("fault_timing",), ("fault_intervals",)),
)


def old_key(path: KeyPath, value: object) -> OldKey | None:
    """Return what is old about a key with this value; None where it is of today."""
    return next(
        (o for o in OLD_KEYS if o.path == path and (not o.in_volume or _volume(value))), None
    )


def old_keys_of(document: Document) -> list[OldKey]:
    """Return the old keys a rig has, in the order of the table."""
    raw = {old: document.raw(old.path) for old in OLD_KEYS}
    return [old for old in OLD_KEYS if raw[old] is not None and old_key(old.path, raw[old])]


def in_place_of(old: OldKey) -> tuple[str | None, str]:
    """Return what was found, where the value itself doesn't say it, and what is expected."""
    if not old.now:
        return "a key that is gone", f"none: {old.why}"
    if old.in_volume:
        return None, f'seconds of full flow such as "0.4 s", or {key_of(old.now)}'
    return "an old name", key_of(old.now)


def refuse_old_keys(document: Document) -> None:
    """Refuse a rig with old keys.

    Raises:
        BadInput: It has some; for the first one in the file the message says what to write.
    """
    olds = old_keys_of(document)
    if not olds:
        return
    lines = Lines(document.text).lines
    first = min(olds, key=lambda old: lines.get(old.path, 0))
    found, expected = in_place_of(first)
    more = f" and {len(olds) - 1} more" if len(olds) > 1 else ""
    command = f"flowdebt renew {for_shell(document.file_name)}"
    raise document.wrong(first.path, f"{expected} ({command} rewrites it{more})", found)


def _volume(value: object) -> bool:
    try:
        Ml.from_toml(value)
    except Mismatch:
        return False
    return True
