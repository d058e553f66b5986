"""What a session's files hold.

A session is a folder: ``about.json`` (versions, rig's hash, source), ``rig.toml`` (a copy),
``samples-0001.arrow``, ``-0002`` and so on (segments: Arrow IPC streams, one row a sample),
``events.jsonl`` (one JSON object a line; the last one is the end record, and a session without it
was cut off) and ``summary.json`` (for lists of sessions; see ``summary.py``).

A segment's metadata says how many rows were recorded, and how many could not be, before it, and
what the guard remembered then: so each can be judged again by itself. Where the rig was changed
while the guard ran, a new segment begins, and every one from there on brings its rig's text and
hash.
"""

import base64
import binascii
import hashlib
from collections.abc import Collection, Sequence
from operator import attrgetter
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
import pyarrow as pa

from rules.channels import BESIDE, NOT_SENT, ROW_NAMES, ROW_WIDTH
from rules.step.state import FINDING_NAMES
from simulator.logfile import columns_of

FORMAT: Final = "flowdebt session 1"
ABOUT: Final = "about.json"
RIG: Final = "rig.toml"
EVENTS: Final = "events.jsonl"
SUMMARY: Final = "summary.json"
SAMPLES_GLOB: Final = "samples-*.arrow"
END_OF_STREAM: Final = b"\xff\xff\xff\xff\0\0\0\0"  # Arrow columnar format, "IPC streaming format"
DECIDED: Final = (
    "action",
    "finding",
    "retard_deg",
    "boost_ceiling_kpa",
    "debt_ml",
    "evidence",
    "commanded_ml_min",
    "expected_ml_min",
    "least_ml_min",
    "most_ml_min",
    "missing_share",
    "late",
)
# What older sessions call a column, and what they were decided without: another version's rules.
_RENAMED: Final = {"decided_cause": "decided_finding"}
LATER: Final = frozenset({"evidence", "least_ml_min", "most_ml_min"})
# Their findings, by number; "no_delivery" is a part of "under_delivery" today.
_OLDER_FINDINGS: Final = (
    *("under_delivery", "under_delivery", "no_command", "over_delivery", "unasked_flow"),
    *("cooling_missing", "signal_lost", "overboost", "knock", "intake_hot", "injector_duty"),
    *("knock_persists", "tank_low", "clock_step", "late_samples", "not_followed"),
    *("command_disagrees", "boost_contradicted"),
)
_decided = attrgetter(*DECIDED)


def schema(channels: tuple[str, ...]) -> Any:
    """Return the Arrow schema of a session that maps these channels."""
    fields = [pa.field("time_s", pa.float64())]
    fields += [pa.field(name, pa.float64()) for name in channels]
    fields += [pa.field(name, pa.float64()) for name in BESIDE]
    fields += [pa.field(f"decided_{name}", pa.float64()) for name in DECIDED]
    return pa.schema(fields, metadata={"format": FORMAT})


class SegmentHead(NamedTuple):
    """What a segment says of what came before it.

    Attributes:
        first_row: Rows recorded before it.
        dropped: Rows that could not be recorded before it.
        state: What the guard remembered just before it; empty where that was not kept.
        rig: Text of the rig decided with; empty where it is the session's own.
    """

    first_row: int
    dropped: int
    state: tuple[float, ...] = ()
    rig: str = ""


def segment_name(number: int) -> str:
    """Return the file name of a segment, from 1."""
    return f"samples-{number:04d}.arrow"


def segments_of(session: Path) -> list[Path]:
    """Return a session's segments in their order."""
    return sorted(session.glob(SAMPLES_GLOB), key=lambda path: (len(path.name), path.name))


def with_head(into: Any, head: SegmentHead) -> Any:
    """Return a session's schema for the segment with this head."""
    state = np.array(head.state, dtype="<f8").tobytes()
    facts = {
        **into.metadata,
        "first_row": str(head.first_row),
        "dropped": str(head.dropped),
        "state": base64.b64encode(state),
    }
    if head.rig:
        facts |= {"rig": head.rig, "rig_sha256": rig_hash(head.rig)}
    return into.with_metadata(facts)


def rig_hash(text: str) -> str:
    """Return the SHA-256 a rig's text is known by."""
    return hashlib.sha256(text.encode()).hexdigest()


def head_of(schema: Any) -> SegmentHead | None:
    """Return what a segment's schema says; None where it doesn't (an older session)."""
    facts = schema.metadata or {}
    try:
        raw = base64.b64decode(facts.get(b"state", b""))
        state = tuple(np.frombuffer(raw, dtype="<f8").tolist())
        rig = facts.get(b"rig", b"").decode()
        if rig and rig_hash(rig) != facts[b"rig_sha256"].decode():
            return None
        return SegmentHead(int(facts[b"first_row"]), int(facts[b"dropped"]), state, rig)
    except (KeyError, ValueError, binascii.Error):
        return None


def batch_of(rows: Sequence[tuple[Any, Any]], channels: tuple[str, ...], into: Any) -> Any:
    """Return an Arrow batch of (sample, decision) pairs; what was not sent is null, NaN is NaN."""
    samples = np.array([row[0] for row in rows])
    decisions = np.array([_decided(row[1]) for row in rows])
    columns = [*columns_of(samples, (*channels, *BESIDE)), *map(pa.array, decisions.T)]
    return pa.RecordBatch.from_arrays(columns, schema=into)


def names_of(schema: Any) -> list[str]:
    """Return the names of a segment's columns, as they are called today."""
    return [_RENAMED.get(name, name) for name in schema.names]


def samples_of_batch(batch: Any) -> Any:
    """Return a batch's samples, (n, ROW_WIDTH)."""
    rows = np.full((batch.num_rows, ROW_WIDTH), NOT_SENT)
    names = set(batch.schema.names)
    for place, name in enumerate(ROW_NAMES):
        if name not in names:
            continue
        column = batch.column(name)
        values = column.to_numpy(zero_copy_only=False)
        if column.null_count:
            values = np.where(column.is_null().to_numpy(zero_copy_only=False), NOT_SENT, values)
        rows[:, place] = values
    return rows


def decided_by_older(names: Collection[str]) -> bool:
    """Whether a segment with these columns was decided by an older version's rules."""
    return any(f"decided_{name}" not in names for name in LATER)


def rows_of_batch(batch: Any) -> tuple[Any, Any]:
    """Return a batch's samples (n, ROW_WIDTH) and what was decided (n, len(DECIDED)).

    What an older version did not decide is NaN.
    """
    names = names_of(batch.schema)
    batch = batch.rename_columns(names)
    decided = np.full((batch.num_rows, len(DECIDED)), np.nan)
    for place, name in enumerate(DECIDED):
        if f"decided_{name}" in names:
            decided[:, place] = batch.column(f"decided_{name}").to_numpy(zero_copy_only=False)
    if decided_by_older(names):
        finding = decided[:, DECIDED.index("finding")]
        was = finding.copy()
        for number, name in enumerate(_OLDER_FINDINGS):
            finding[was == number] = FINDING_NAMES.index(name)
    return samples_of_batch(batch), decided
