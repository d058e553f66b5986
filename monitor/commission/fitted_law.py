"""A rig's ``[command]`` as its log speaks for, where the rig's own doesn't explain the log."""

import tomllib
from typing import Any

from monitor.commission.provenance import put_with_origin
from monitor.commission.rig_text import RigText
from rules.facts import Command, CommandKind


def with_law(text: str, command: Command, origin: str) -> str:
    """Return a rig's text with another command law; keys that only the old one has are cut.

    Args:
        text: TOML, with a ``[command]`` table of its own.
        command: The law.
        origin: What stands behind each of its keys.
    """
    keys = _keys(command)
    kept = RigText(text)
    for key in tomllib.loads(text).get("command", {}):
        if key not in keys:
            kept.cut(("command", key))
    text = kept.toml
    for key, value in keys.items():
        text = put_with_origin(text, ("command", key), value, origin)
    return text


def _keys(command: Command) -> dict[str, Any]:
    keys: dict[str, Any] = {
        "kind": command.kind.name.lower(),
        "start_boost": _kpa(command.start_boost_kpa),
    }
    if command.kind is CommandKind.BOOST:
        keys["full_boost"] = _kpa(command.full_boost_kpa)
    elif command.kind is CommandKind.INJECTOR_DUTY:
        keys["start_duty"] = _pct(command.start_duty_pct)
        keys["full_duty"] = _pct(command.full_duty_pct)
    elif command.kind is CommandKind.MAP:
        keys["map_boost"] = [_kpa(kpa) for kpa in command.map_boost_kpa]
        keys["map_duty"] = [_pct(pct) for pct in command.map_duty_pct]
        keys["map_pct"] = [[float(round(pct, 1)) for pct in row] for row in command.map_pct]
    return keys


def _kpa(kpa: float) -> str:
    return f"{kpa:z.1f} kPa"


def _pct(pct: float) -> str:
    return f"{pct:z.1f} %"
