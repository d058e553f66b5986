"""A rig's channels: which column is which, in what unit, and what is plausible there."""

from collections.abc import Mapping, Sequence
from math import inf
from typing import Any, Final

from rules.channels import CHANNEL_NAMES, CHANNELS, WITNESSES, Channel
from rules.facts import ChannelTerms
from simulator.rig.keys import EXTRA_KINDS, ChannelTable
from simulator.rig.source_terms import ColumnMap, SerialTerms, TimeMap
from simulator.strict import (
    MISSING,
    DegC,
    Degrees,
    Document,
    KeyPath,
    Knock,
    Kpa,
    Mismatch,
    Ml,
    MlMin,
    Percent,
    Plain,
    PlainText,
    Quantity,
    Rpm,
    Volts,
)

Mapped = Sequence[tuple[Channel, ChannelTable]]
_BY_UNIT: Final[dict[str, type[Quantity]]] = {
    kind.UNIT: kind for kind in (Kpa, DegC, MlMin, Ml, Volts, Percent, Degrees, Rpm, Plain)
}
# What tells whether spray arrives: one of them is needed, the best first.
_WITNESSES: Final = tuple(CHANNEL_NAMES[column - 1] for column in WITNESSES)
# The table of a sensor's terms, and the channel without which nothing reads it.
SENSOR_OF: Final = {"flow_sensor": "delivered_ml_min", "charge_sensor": "intake_c"}
_BY_KIND: Final = {
    "log_flow": ("commanded_ml_min", "the log's own commanded flow"),
    "log_percent": ("command_pct", "the log's own command"),
    "injector_duty": ("injector_duty_pct", "the injector duty"),
    "map": ("injector_duty_pct", "the injector duty"),
}


def quantity_of(channel: Channel) -> type[Quantity]:
    """Return the quantity a channel's values are."""
    return Knock if channel.name == "knock" else _BY_UNIT[channel.unit]


def mapped(tables: Any) -> list[tuple[Channel, ChannelTable]]:
    """Return the channels this rig has, in the channels' own order.

    Args:
        tables: The file's ``[channels]``, a ``keys.CHANNELS``.
    """
    found = ((channel, getattr(tables, channel.name)) for channel in CHANNELS)
    return [(channel, table) for channel, table in found if table is not None]


def channel_terms(document: Document, channel: Channel, table: ChannelTable) -> ChannelTerms:
    """Return a channel's plausible range and ages.

    Raises:
        BadInput: The range isn't two quantities of the channel's kind, low below high.
    """
    path = ("channels", channel.name, "plausible")
    low, high = channel.low, channel.high
    if table.plausible is not None:
        ends: list[float] = []
        for index, text in enumerate(table.plausible):
            try:
                ends.append(quantity_of(channel).from_toml(text))
            except Mismatch as error:
                raise document.wrong((*path, index), error.expected, error.found) from None
        low, high = float(ends[0]), float(ends[1])
        if low >= high:
            raise document.wrong(
                path,
                "the low end below the high end",
                f"{low:zg} to {high:zg} {channel.unit}",
            )
    return ChannelTerms(
        name=channel.name,
        low=low,
        high=high,
        max_age_s=channel.max_age_s if table.max_age is None else float(table.max_age),
        stuck_after_s=(
            channel.stuck_after_s if table.stuck_after is None else float(table.stuck_after)
        ),
        most_per_s=inf if table.most_per_s is None else table.most_per_s,
    )


def column_map(
    document: Document, channel: Channel, table: ChannelTable, ambient_kpa: float
) -> ColumnMap:
    """Return a channel's column and its conversion to the channel's unit.

    Args:
        document: The rig file, for messages.
        channel: The channel.
        table: What the rig says of it.
        ambient_kpa: Ambient pressure, absolute; taken off a column that is absolute.

    Raises:
        BadInput: The unit isn't one of the channel's kind, or ``absolute`` where nothing is.
    """
    path = ("channels", channel.name)
    kind = quantity_of(channel)
    unit = str(table.unit or channel.unit)
    factor, offset = _linear(document, path, kind, unit)
    if table.absolute:
        if kind is not Kpa:
            raise document.wrong((*path, "absolute"), "a pressure channel, if absolute")
        offset -= ambient_kpa
    return ColumnMap(table.column or channel.name, factor, offset, unit)


def extra_columns(document: Document, tables: Any) -> dict[str, ColumnMap]:
    """Return the columns of ``[extra]``, by name, in the order of ``EXTRA_KINDS``.

    Args:
        document: The rig file, for messages.
        tables: Its ``[extra]``, a ``keys.EXTRA``.

    Raises:
        BadInput: A unit isn't one of its kind.
    """
    found = {}
    for name, kind in EXTRA_KINDS.items():
        table = getattr(tables, name)
        if table is not None:
            unit = str(table.unit or kind.UNIT)
            factor, offset = _linear(document, ("extra", name), kind, unit)
            found[name] = ColumnMap(table.column or name, factor, offset, unit)
    return found


def _linear(
    document: Document, path: KeyPath, kind: type[Quantity], unit: str
) -> tuple[float, float]:
    try:
        return kind.linear(unit)
    except Mismatch as error:
        raise document.wrong((*path, "unit"), error.expected, error.found) from None


def check_channels(document: Document, channels: Mapped) -> None:
    """Check that every channel the rig needs is there.

    Raises:
        BadInput: Names the channel and says what needs it.
    """
    kind = str(document.raw(("command", "kind")))
    needed = {"boost_kpa": "every rule depends on boost"}
    if kind in _BY_KIND:
        name, what = _BY_KIND[kind]
        needed[name] = f'command kind "{kind}" reads {what}'
    there = {channel.name for channel, _ in channels}
    for name, reason in needed.items():
        if name not in there:
            raise document.wrong(("channels", name), f"a table, since {reason}", MISSING)
    # An intake temperature is one where the rig says how far spray cools the charge.
    judged = document.raw(("charge_sensor",)) is not None
    if there.isdisjoint(_WITNESSES if judged else _WITNESSES[:-1]):
        best, *others = _WITNESSES
        instead = " or ".join(f"channels.{name}" for name in others)
        expected = (
            f"a table (or {instead} with a [charge_sensor]), since else nothing tells whether "
            "spray arrives"
        )
        raise document.wrong(("channels", best), expected, MISSING)
    for table, name in SENSOR_OF.items():
        if document.raw((table,)) is not None and name not in there:
            expected = f"channels.{name} too (else nothing reads that sensor)"
            raise document.wrong((table,), expected, "a sensor without its channel")


def check_columns(
    document: Document,
    channels: Mapped,
    extra: Mapping[str, ColumnMap],
    time: TimeMap,
    serial: SerialTerms,
) -> None:
    """Check that no column has two meanings, and that a serial port has the needed ones.

    Raises:
        BadInput: Names both keys, or the column that is missing.
    """
    taken = {time.column: "time"}
    if time.counts_rows:
        taken = {}
        if document.raw(("time", "column")) is not None:
            raise document.wrong(("time", "column"), f'none beside unit "{time.unit}"')
        if document.raw(("time", "period")) is None:
            expected = f'the time from one row to the next, which unit "{time.unit}" counts by'
            raise document.wrong(("time", "period"), expected, MISSING)
    written = [(("channels", channel.name), table.column) for channel, table in channels]
    written += [
        (("extra", name), None if mapped.column == name else PlainText(mapped.column))
        for name, mapped in extra.items()
    ]
    for path, given in written:
        column = str(given or path[-1])
        if column in taken:
            key = (*path, "column") if given else path
            expected = f"a column of its own ({taken[column]} has this one)"
            raise document.wrong(key, expected, f'column "{column}"')
        taken[column] = ".".join(path)
    _check_line_checks(document, serial, taken)
    columns = serial.columns
    if columns is None:
        return
    for index, sent in enumerate(columns):
        if sent in columns[:index]:
            raise document.wrong(("serial", "columns", index), "each column once")
    column_of = {key: column for column, key in taken.items()}
    there = {channel.name for channel, _ in channels}
    for name in ("boost_kpa", next(name for name in _WITNESSES if name in there)):
        needed = column_of[f"channels.{name}"]
        if needed not in columns:
            raise document.wrong(
                ("serial", "columns"), f'"{needed}" among them, the column of channels.{name}'
            )


def _check_line_checks(document: Document, serial: SerialTerms, taken: dict[str, str]) -> None:
    columns = serial.columns
    for key, name in (("crc", serial.crc), ("sequence", serial.sequence)):
        if name is None:
            continue
        path = ("serial", key)
        if name in taken:
            other = taken[name]
            raise document.wrong(path, f"a column of its own ({other} has this one)")
        taken[name] = f"serial.{key}"
        if columns is not None and name not in columns:
            raise document.wrong(("serial", "columns"), f'"{name}" among them, the {key}')
        if columns is not None and key == "crc" and columns[-1] != name:
            raise document.wrong(("serial", "columns"), f'"{name}" last, since it is the crc')
