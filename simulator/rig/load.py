"""From a rig file to the facts the rules want."""

from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from typing import Any

from rules import facts
from simulator.rig.checks import check_rig
from simulator.rig.columns import (
    channel_terms,
    check_channels,
    check_columns,
    column_map,
    extra_columns,
    mapped,
)
from simulator.rig.keys import RIG
from simulator.rig.mix import density_kg_m3, mass_pct
from simulator.rig.old_keys import refuse_old_keys
from simulator.rig.source_terms import ColumnMap, SerialTerms, TimeMap
from simulator.rig.tables import fact_of
from simulator.strict import BadInput, Document, clean, read_text


@dataclass(frozen=True, slots=True)
class RigFile:
    """A rig file, read and checked.

    Attributes:
        rig: Facts for the rules, in plain floats.
        columns: By channel name, the column and its conversion.
        extra: The same of ``[extra]``: columns that no decision uses, by their names there.
        time: The time column.
        serial: How the serial port speaks.
        text: The file as it was, for the recorder.
        file_name: Where it came from.
    """

    rig: facts.Rig
    columns: dict[str, ColumnMap]
    extra: dict[str, ColumnMap]
    time: TimeMap
    serial: SerialTerms
    text: str
    file_name: str


def load_rig(path: str | Path) -> RigFile:
    """Read a rig file.

    Raises:
        BadInput: Unreadable, or anything in it missing, unknown or wrong.
    """
    return rig_from_text(read_text(Path(path)), str(path))


def rig_from_text(text: str, file_name: str) -> RigFile:
    """Read a rig from the text of its file.

    Args:
        text: TOML, at most 1 MB.
        file_name: How messages call the file.

    Raises:
        BadInput: Anything missing, unknown or wrong, as ``FILE:LINE: key: found X, expected Y``.
    """
    document = Document.parse(text, file_name)
    refuse_old_keys(document)
    return rig_of(document)


def rig_of(document: Document) -> RigFile:
    """Return the rig of a document without old keys.

    Raises:
        BadInput: As ``rig_from_text``.
    """
    written: Any = document.decode(RIG)
    channels = mapped(written.channels)
    time: TimeMap = fact_of(written.time)
    serial: SerialTerms = fact_of(written.serial)
    check_channels(document, channels)
    extra = extra_columns(document, written.extra)
    check_columns(document, channels, extra, time, serial)
    rig: facts.Rig = fact_of(written, channels=())
    check_rig(document, rig)
    methanol_mass_pct = mass_pct(written.spray.methanol_by_volume_pct)
    return RigFile(
        rig=replace(
            rig,
            spray=replace(
                rig.spray,
                fluid_kg_m3=density_kg_m3(methanol_mass_pct),
                methanol_mass_pct=methanol_mass_pct,
            ),
            channels=tuple(channel_terms(document, *channel) for channel in channels),
        ),
        columns={
            channel.name: column_map(document, channel, table, rig.engine.ambient_kpa)
            for channel, table in channels
        },
        extra=extra,
        time=time,
        serial=serial,
        text=document.text,
        file_name=document.file_name,
    )


def shipped_rigs() -> dict[str, Path]:
    """Return the rigs that come with the program, by name."""
    folder = Path(str(files("simulator") / "rigs"))
    return {path.stem: path for path in sorted(folder.glob("*.toml"))}


def find_rig(name_or_path: str | Path) -> Path:
    """Return the file of a shipped rig's name, or the path itself.

    Raises:
        BadInput: Neither a shipped rig nor anything that looks like a file.
    """
    shipped = shipped_rigs()
    if str(name_or_path) in shipped:
        return shipped[str(name_or_path)]
    path = Path(name_or_path)
    try:
        there = path.suffix == ".toml" or path.exists()
    except (OSError, ValueError):
        there = False
    if not there:
        raise BadInput(
            f'found rig "{clean(str(name_or_path))}", '
            f"expected a file or a shipped rig: {', '.join(shipped)}"
        )
    return path
