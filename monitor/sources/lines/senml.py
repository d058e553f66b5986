"""SenML packs in JSON (RFC 8428) into resolved measurements. Pure: who calls says what time it is.

Bounded and strict: a pack is a flat array of records, each a flat object; every number is finite; a
key twice in one record (two records run together by lost bytes) rejects the pack.
"""

import re
from collections.abc import Sequence
from math import inf
from typing import Any, Final, NamedTuple

import msgspec

from monitor.sources.lines.line_checks import OWN_SEQUENCE
from monitor.sources.lines.strict_numbers import NO_TIME, Rejected
from rules.channels import NOT_SENT, Sample, is_time

MOST_BYTES: Final = 65_536
MOST_RECORDS: Final = 1024
LONGEST_NAME: Final = 200
LONGEST_UNIT: Final = 32
# RFC 8428, section 4.5.3: below this, a time is relative to now.
ABSOLUTE_FROM_S: Final = float(2**28)
# A reading can't come from the future. A logger that writes seconds since its start without a base
# time would read so, and its time would run at twice the pace.
MOST_AHEAD_S: Final = 1.0
# RFC 8428, section 4.4, refuses versions above its own; RFC 9100 makes 10 with feature 4 (secondary
# units) version 26. (The RFC's own example says 5.)
VERSIONS: Final = frozenset((*range(1, 11), 10 + 2**4))

_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_STRINGS: Final = re.compile(rb'"(?:[^"\\]|\\.)*"\s*(:?)', re.DOTALL)
_DECODER: Final = msgspec.json.Decoder(list[dict[str, float | bool | str]])
_TYPES: Final[dict[str, Any]] = {
    **dict.fromkeys(("bt", "bv", "bs", "t", "v", "s", "ut", "bver"), float),
    **dict.fromkeys(("bn", "bu", "n", "u", "vs", "vd"), str),
    "vb": bool,
}
_WRONG_TYPE: Final = {float: "not a number", str: "not SenML", bool: "value"}
_VALUES: Final = ("v", "vs", "vb", "vd")
_OTHER_VALUES: Final = frozenset(_VALUES[1:])
_NOT_BASE: Final = frozenset(("n", "u", "t", "ut"))

Record = dict[str, Any]  # each value of the type that ``_TYPES`` gives its key, once checked


class Measurement(NamedTuple):
    """A resolved record that has a value.

    Attributes:
        name: Base name and name.
        time_s: Seconds since 1970 where the pack said that, else on the clock of ``now_s``.
        value: A number; text where the record has ``vs`` or ``vd``, a bool where it has ``vb``.
        unit: As the pack spells it; empty where it says none.
    """

    name: str
    time_s: float
    value: float | bool | str
    unit: str


def resolve(pack: bytes, now_s: float) -> list[Measurement]:
    """Return a pack's measurements, resolved and in order of time (RFC 8428, section 4.6).

    Records that only set base fields, or only carry a sum, give none. A record without any value is
    not read as its base value: what was not measured must not look measured.

    Args:
        pack: A JSON array of records, at most 65 536 bytes and 1024 records.
        now_s: What times below 2**28 are relative to, s: the steady clock at arrival. NaN where
            there is no such clock (a file); then those are rejected.

    Raises:
        Rejected: ``not SenML``, ``version``, ``must understand``, ``name``, ``not a number``,
            ``NO_TIME``, ``time ahead`` or ``value``.
    """
    found: list[Measurement] = []
    base_name: str = ""
    base_unit: str = ""
    base_s = 0.0
    # Adding it changes nothing; nought would take the sign off a minus nought.
    base_value = -0.0
    version: float | None = None
    for record in _records(pack):
        _check(record)
        if "bver" in record:
            # All records of a pack are of one version (section 4.4).
            if version not in (None, record["bver"]) or record["bver"] not in VERSIONS:
                raise Rejected("version")
            version = record["bver"]
        base_name = record.get("bn", base_name)
        base_unit = record.get("bu", base_unit)
        base_s = record.get("bt", base_s)
        base_value = record.get("bv", base_value)
        value = record.get("v")
        if value is None or not _OTHER_VALUES.isdisjoint(record):
            values = [key for key in _VALUES if key in record]
            if len(values) != 1:
                only_base = not values and _NOT_BASE.isdisjoint(record)
                if not values and ("s" in record or only_base):
                    continue
                raise Rejected("value")
            value = record[values[0]]
        name = base_name + record.get("n", "")
        if len(name) > LONGEST_NAME or _NAME.fullmatch(name) is None:
            raise Rejected("name")
        if type(value) is float:
            value += base_value
            if not -inf < value < inf:
                raise Rejected("not a number")
        time_s = base_s + record.get("t", 0.0)
        if time_s < ABSOLUTE_FROM_S:
            if time_s > MOST_AHEAD_S:
                raise Rejected("time ahead")
            time_s += now_s
        if not is_time(time_s):
            raise Rejected(NO_TIME)
        found.append(Measurement(name, time_s, value, record.get("u", base_unit)))
    found.sort(key=lambda measurement: measurement.time_s)
    return found


def pack_of(sample: Sample, names: Sequence[str], number: int | None = None) -> str:
    """Return a sample as a pack on one line, which reads back to the same readings.

    What was not sent is left out. A time before 2**28 s, which would read as relative, is given
    2**29 s more (and keeps 0.1 us). Channels go by their own names, which say their units: SenML
    has none for some of them. JSON has no NaN: what is not a number goes as the text "nan".

    Args:
        sample: The sample; its time is finite, and not before -2**28 s.
        names: Channels to write.
        number: The pack's sequence number, if it has one.
    """
    base_s = 0.0 if sample.time_s >= ABSOLUTE_FROM_S else 2.0 * ABSOLUTE_FROM_S
    records: list[Record] = []
    for name in names:
        value = getattr(sample, name)
        if value != NOT_SENT:
            finite = -inf < value < inf
            records.append({"n": name, "v": value} if finite else {"n": name, "vs": "nan"})
    if number is not None:
        records.append({"n": OWN_SEQUENCE, "v": number})
    if records:
        records[0] = {"bt": base_s + sample.time_s, **records[0]}
    return msgspec.json.encode(records).decode("ascii")


def _records(pack: bytes) -> list[Record]:
    if len(pack) > MOST_BYTES:
        raise Rejected("not SenML")
    try:
        records = _DECODER.decode(pack)
    except (msgspec.MsgspecError, RecursionError, UnicodeError, ValueError):
        raise Rejected("not SenML") from None
    keys = _STRINGS.findall(pack).count(b":")
    if not 1 <= len(records) <= MOST_RECORDS or keys != sum(map(len, records)):
        raise Rejected("not SenML")
    return records


def _check(record: Record) -> None:
    """Check the types of the fields that RFC 8428 defines; others are ignored, as it says.

    Raises:
        Rejected: A wrong type, or a field that must be understood and isn't.
    """
    for key, value in record.items():
        kind = _TYPES.get(key)
        if kind is None:
            if key.endswith("_"):
                raise Rejected("must understand")
        elif type(value) is not kind:
            raise Rejected("version" if key == "bver" else _WRONG_TYPE[kind])
        elif kind is float:
            if value - value != 0.0:
                raise Rejected("not a number")
        elif key in ("u", "bu") and len(value) > LONGEST_UNIT:
            raise Rejected("not SenML")
