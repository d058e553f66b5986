"""How a table of a rig or a scenario is declared, and how it becomes its fact."""

from dataclasses import MISSING, Field, fields
from enum import Enum
from math import isfinite
from types import GenericAlias
from typing import Annotated, Any, ClassVar, NamedTuple, cast

import msgspec
from msgspec import NODEFAULT, Meta

from simulator.strict import PlainText, Quantity, Table


class Key(NamedTuple):
    """One key of a table: what may be written there, and which field of the fact it becomes.

    Attributes:
        name: As it is written in the file.
        wants: A quantity, another table, or any type that msgspec checks.
        field: The fact's field; empty where it has the key's name, None where the loader makes
            more of the key than one field.
        per: The file's number for each one of the fact's, such as 100 for percent and a share.
        times: The fact's number for each one of the file's.
        required: It must be written, though the field has a default.
    """

    name: str
    wants: Any
    field: str | None = ""
    per: float = 1.0
    times: float = 1.0
    required: bool = False


class FactTable(Table, frozen=True):
    """A table of the file; ``fact_of`` makes its fact."""

    FACT: ClassVar[type]
    KEYS: ClassVar[tuple[Key, ...]]


def many(item: Any, least: int | None = None, most: int | None = None) -> Any:
    """Return the type of a list of so many items."""
    return Annotated[GenericAlias(tuple, (item, ...)), Meta(min_length=least, max_length=most)]


def table(fact: type, *keys: Key, kind: Enum | None = None) -> type[FactTable]:
    """Return the type of a table, as msgspec reads it.

    Args:
        fact: The dataclass it becomes; a field's default is the key's default.
        keys: All its keys. One whose field is by default infinite, NaN, None or empty text may be
            left out for "none".
        kind: Where a table has several forms, the one that its key ``kind`` chooses.
    """
    of = {field.name: field for field in fields(fact)}
    members = []
    for key in keys:
        default = _default(key, None if key.field is None else of[key.field or key.name])
        wants = key.wants | None if default is None else key.wants
        members.append((key.name, wants, msgspec.field(default=default)))
    made = msgspec.defstruct(
        fact.__name__,
        members,
        bases=(FactTable,),
        namespace={"FACT": fact, "KEYS": keys},
        frozen=True,
        kw_only=True,
        tag_field=None if kind is None else "kind",
        tag=None if kind is None else kind.name.lower(),
    )
    return cast("type[FactTable]", made)


def fact_of(written: FactTable, **more: Any) -> Any:
    """Return the fact of a table that was read, with the fields that no key gives in ``more``."""
    types = {field.name: field.type for field in fields(written.FACT)}
    given = dict(more)
    tag = written.__struct_config__.tag
    if tag is not None:
        given["kind"] = _plain(Key("kind", str), tag, types["kind"])
    for key in written.KEYS:
        value = getattr(written, key.name)
        if key.field is not None and value is not None:
            name = key.field or key.name
            given[name] = _plain(key, value, types[name])
    return written.FACT(**given)


def _plain(key: Key, value: Any, kind: Any) -> Any:
    match value:
        case FactTable():
            return fact_of(value)
        case tuple():
            return tuple(_plain(key, item, None) for item in value)
        case str():
            is_choice = isinstance(kind, type) and issubclass(kind, Enum)
            return kind[value.upper()] if is_choice else str(value)
        case float():
            return float(value) * key.times / key.per
        case _:
            return value


def _default(key: Key, field: Field[Any] | None) -> Any:
    """Return what a key is where it isn't written: NODEFAULT where it must be, None for none."""
    if key.required:
        return NODEFAULT
    if isinstance(key.wants, type) and issubclass(key.wants, msgspec.Struct):
        if not any(inner.required for inner in msgspec.structs.fields(key.wants)):
            return key.wants()
        return NODEFAULT if field is None or field.default_factory is MISSING else None
    value: Any = MISSING if field is None else field.default
    if value is MISSING:
        return NODEFAULT
    if value is None or value == "" or (isinstance(value, float) and not isfinite(value)):
        return None
    if isinstance(value, Enum):
        return value.name.lower()
    if isinstance(value, float):
        value = value * key.per / key.times
    is_text = isinstance(key.wants, type) and issubclass(key.wants, PlainText | Quantity)
    return key.wants(value) if is_text else value
