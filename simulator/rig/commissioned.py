"""Which steps of commissioning a rig remembers as done, and whether it has changed since."""

import hashlib
import json
from typing import Final, NamedTuple

from simulator.rig.keys import RIG, STEPS
from simulator.rig.load import RigFile, rig_from_text
from simulator.rig.toml_places import put
from simulator.strict import Document

TABLE: Final = "commissioned"
# The tables each step confirms; empty: all that decides.
_CONFIRMS: Final = {
    "fit": ("channels", "spray", "flow_sensor", "line_sensor", "charge_sensor", "command"),
    "jug": ("spray",),
    "dry_limit": ("engine", "paid"),
    "trip": (),
}
_DECIDES_NOTHING: Final = ("name", "vehicle", TABLE)


class Done(NamedTuple):
    """A step that was done.

    Attributes:
        step: One of ``STEPS``.
        by: Who did it, an alias.
        on: When, as 2026-01-31.
        result: What came of it.
        log_sha256: Hash of the log it was seen in; empty without one.
        changed_since: Whether the rig says otherwise today in what the step confirms.
    """

    step: str
    by: str
    on: str
    result: str
    log_sha256: str
    changed_since: bool


def done_in(rig_file: RigFile) -> tuple[Done, ...]:
    """Return the steps a rig remembers, in the order in which they are due."""
    document = Document.parse(rig_file.text, rig_file.file_name)
    written = getattr(document.decode(RIG), TABLE)
    kept = ((step, getattr(written, step)) for step in STEPS)
    return tuple(
        Done(
            step, one.by, one.on, one.result, one.log_sha256, _hash(document, step) != one.confirms
        )
        for step, one in kept
        if one is not None
    )


def with_step(
    text: str, file_name: str, step: str, *, by: str, on: str, result: str, log_sha256: str
) -> str:
    """Return a rig's text that remembers a step as done now; all else in it stays as it is.

    Args:
        text: The rig, TOML.
        file_name: How messages call it.
        step: One of ``STEPS``; what was remembered of the same step is replaced.
        by: Who did it.
        on: When, as 2026-01-31.
        result: What came of it.
        log_sha256: Hash of the log it was seen in; empty without one.

    Raises:
        BadInput: The rig is wrong, or any of these isn't what its key wants.
    """
    confirms = _hash(Document.parse(text, file_name), step)
    given = {"by": by, "on": on, "result": result, "log_sha256": log_sha256, "confirms": confirms}
    for key, value in given.items():
        text = put(text, (TABLE, step, key), value)
    rig_from_text(text, file_name)
    return text


def _hash(document: Document, step: str) -> str:
    """Return a hash of the values, not the text, of the tables that a step confirms."""
    names = _CONFIRMS[step] or sorted(document.data.keys() - set(_DECIDES_NOTHING))
    values = {name: document.data.get(name) for name in names}
    return hashlib.sha256(json.dumps(values, sort_keys=True, default=str).encode()).hexdigest()
