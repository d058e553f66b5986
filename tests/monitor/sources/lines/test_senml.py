"""SenML packs: RFC 8428's own examples, its rules that bite, and nothing healthy out of garbage."""

import json
from math import isnan, nan
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.sources.lines.senml import (
    ABSOLUTE_FROM_S,
    MOST_BYTES,
    MOST_RECORDS,
    Measurement,
    resolve,
)
from monitor.sources.lines.senml_rows import SenmlMapper
from monitor.sources.lines.strict_numbers import NO_TIME, Rejected
from simulator.rig import rig_from_text
from tests.kit.rig_text import SMALL

RIG = rig_from_text(SMALL, "small.toml")
NOW_S = 500.0


def pack(*records: dict[str, Any]) -> bytes:
    """Return records as a pack."""
    return json.dumps(records).encode()


def reason(raw: bytes, now_s: float = NOW_S) -> str:
    """Return why a pack is rejected."""
    with pytest.raises(Rejected) as caught:
        resolve(raw, now_s)
    return caught.value.reason


def test_base_values_carry_forward() -> None:
    """RFC 8428, section 5.1.2: seven records about one device, resolved and put in order of time.

    The pack is the RFC's; its resolved form follows from section 4.6. Times within 1 ms.
    """
    raw = (
        b'[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1276020076.001,"bu":"A","bver":5,'
        b'"n":"voltage","u":"V","v":120.1},{"n":"current","t":-5,"v":1.2},'
        b'{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},'
        b'{"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]'
    )
    found = resolve(raw, NOW_S)
    name = "urn:dev:ow:10e2073a0108006:"
    assert [m.name for m in found] == [name + "current"] * 5 + [name + "voltage", name + "current"]
    times = [1276020071.001 + i for i in range(5)] + [1276020076.001] * 2
    assert [m.time_s for m in found] == pytest.approx(times, rel=0, abs=1e-3)
    assert [m.value for m in found] == [1.2, 1.3, 1.4, 1.5, 1.6, 120.1, 1.7]
    assert [m.unit for m in found] == ["A"] * 5 + ["V", "A"]


def test_units_fall_back_to_the_base_unit() -> None:
    """RFC 8428, sections 5.1.3 and 5.1.4: thirteen records, exact."""
    step = [
        {"u": "lon", "v": 24.30621},
        {"u": "lat", "v": 60.07965},
    ]
    records: list[dict[str, Any]] = [
        {"bn": "urn:dev:ow:10e2073a01080063", "bt": 1.320067464e09, "bu": "%RH", "v": 20},
        *step,
    ]
    for t in (60, 120, 150, 180):
        if t == 150:
            records.append({"u": "%EL", "t": 150, "v": 98})
        else:
            records += [{"t": t, "v": 20.3}, *({**record, "t": t} for record in step)]
    found = resolve(pack(*records), NOW_S)
    after = [0, 0, 0, 60, 60, 60, 120, 120, 120, 150, 180, 180, 180]
    units = ["%RH", "lon", "lat"] * 3 + ["%EL", "%RH", "lon", "lat"]
    assert [m.time_s for m in found] == [1320067464 + t for t in after]
    assert [m.unit for m in found] == units
    assert {m.name for m in found} == {"urn:dev:ow:10e2073a01080063"}


def test_values_of_every_type() -> None:
    """RFC 8428, section 5.1.5 (multiple data types): number, text, truth value and data."""
    raw = (
        b'[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},'
        b'{"n":"label","vs":"Machine Room"},{"n":"open","vb":false},'
        b'{"n":"nfc-reader","vd":"aGkgCg"}]'
    )
    values = [m.value for m in resolve(raw, NOW_S)]
    assert values == [23.1, "Machine Room", False, "aGkgCg"]


def test_base_value_is_added_and_base_time_carries() -> None:
    """Section 4.1: base values hold until another comes."""
    raw = pack(
        {"bn": "a:", "bv": 10, "bt": 1e9, "n": "x", "v": 1},
        {"n": "y", "t": 2, "v": -3.5},
        {"bn": "b:", "bv": 0, "n": "x", "t": 1, "v": 7},
    )
    assert resolve(raw, NOW_S) == [
        ("a:x", 1e9, 11.0, ""),
        ("b:x", 1e9 + 1, 7.0, ""),
        ("a:y", 1e9 + 2, 6.5, ""),
    ]


def test_small_times_are_relative_to_now() -> None:
    """Section 4.5.3: below 2**28 (4 July 1978, 21:24:16 UTC) a time counts from now."""
    assert ABSOLUTE_FROM_S == 268_435_456
    assert resolve(pack({"n": "a", "t": -2, "v": 1}), NOW_S)[0].time_s == 498.0
    assert resolve(pack({"n": "a", "v": 1}), NOW_S)[0].time_s == 500.0
    assert resolve(pack({"n": "a", "t": 268_435_456, "v": 1}), NOW_S)[0].time_s == 268_435_456.0
    # Base time and time count together.
    assert resolve(pack({"bt": 268_435_455, "n": "a", "t": 1, "v": 1}), NOW_S)[0].time_s == 2**28


def test_seconds_since_start_are_not_taken_for_the_future() -> None:
    """A logger's own seconds without a base time would run at twice the pace: rejected."""
    assert reason(pack({"n": "a", "t": 120, "v": 1})) == "time ahead"
    assert reason(pack({"n": "a", "t": 268_435_455, "v": 1})) == "time ahead"


def test_where_there_is_no_now_only_absolute_times_count() -> None:
    """A file has no clock of arrival."""
    assert reason(pack({"n": "a", "v": 1}), nan) == NO_TIME
    assert resolve(pack({"n": "a", "bt": 1e9, "v": 1}), nan)[0].time_s == 1e9


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        (b"", "not SenML"),
        (b"[]", "not SenML"),
        (b"{}", "not SenML"),
        (b'{"n":"a","v":1}', "not SenML"),
        (b"[1]", "not SenML"),
        (b'[{"n":"a","v":1}', "not SenML"),
        (b'[{"n":"a","v":1},]', "not SenML"),
        (b'[{"n":"a","v":1}] 2', "not SenML"),
        (b'[{"n":"a","v":NaN}]', "not SenML"),
        (b'[{"n":"a","v":Infinity}]', "not SenML"),
        (b'[{"n":"a","v":1e999}]', "not SenML"),
        (b'[{"n":"a","v":01}]', "not SenML"),
        (b'[{"n":"a","v":+1}]', "not SenML"),
        (b'[{"n":"a","v":null}]', "not SenML"),
        (b'[{"n":"a","v":[1]}]', "not SenML"),
        (b'[{"n":"a","v":1,"v":2}]', "not SenML"),
        (b'[{"n":"a","v":1"n":"b"}]', "not SenML"),
        (b'[{"n":"a\xff","v":1}]', "not SenML"),
        (b"\xef\xbb\xbf" + b'[{"n":"a","v":1}]', "not SenML"),
        (b"[" * 100_000, "not SenML"),
        (b'[{"n":' * 5_000, "not SenML"),
        (pack(*[{"n": "a", "v": 1}] * (MOST_RECORDS + 1)), "not SenML"),
        (b'[{"n":"a","v":1}' + b" " * MOST_BYTES + b"]", "not SenML"),
        (b'[{"n":"a","v":"1"}]', "not a number"),
        (b'[{"n":"a","v":true}]', "not a number"),
        (b'[{"n":"a","t":"0","v":1}]', "not a number"),
        (b'[{"bv":1e308,"n":"a","v":1e308}]', "not a number"),
        (b'[{"bt":-1e308,"t":-1e308,"n":"a","v":1}]', NO_TIME),
        (b'[{"n":"a","vb":1}]', "value"),
        (b'[{"n":"a"}]', "value"),
        (b'[{"bv":20,"n":"a"}]', "value"),
        (b'[{"n":"a","v":1,"vs":"x"}]', "value"),
        (b'[{"n":"a","vs":1}]', "not SenML"),
        (b'[{"n":1,"v":1}]', "not SenML"),
        (pack({"n": "a", "u": "u" * 33, "v": 1}), "not SenML"),
        (b'[{"v":1}]', "name"),
        (b'[{"n":"","v":1}]', "name"),
        (b'[{"n":"-a","v":1}]', "name"),
        (b'[{"n":"a b","v":1}]', "name"),
        (b'[{"n":"a\\n","v":1}]', "name"),
        (b'[{"n":"a\\u001b[2J","v":1}]', "name"),
        ('[{"n":"é","v":1}]'.encode(), "name"),
        (pack({"n": "a" * 201, "v": 1}), "name"),
        (b'[{"n":"a","v":1,"x_":2}]', "must understand"),
        (b'[{"n":"a","v":1},{"bn_":"","n":"b","v":1}]', "must understand"),
        (b'[{"bver":11,"n":"a","v":1}]', "version"),
        (b'[{"bver":"10","n":"a","v":1}]', "version"),
        (b'[{"bver":10,"n":"a","v":1},{"bver":26,"n":"a","v":1}]', "version"),
    ],
)
def test_what_is_no_pack(raw: bytes, why: str) -> None:
    """One bad record rejects the pack, for one of a few reasons."""
    assert reason(raw) == why


def test_what_need_not_be_understood_is_passed_over() -> None:
    """Unknown fields, sums, and records that only set a base give no measurement and no fault."""
    raw = pack(
        {"bn": "a:", "bver": 26},
        {"n": "energy", "s": 12.5},
        {"n": "x", "v": 1, "ut": 5, "note": "hello", "else": True},
    )
    assert resolve(raw, NOW_S) == [Measurement("a:x", NOW_S, 1.0, "")]


FIELDS = st.dictionaries(
    st.sampled_from(["n", "v", "t", "u", "bn", "bt", "bu", "bv", "bver", "s", "vs", "vb", "x_"]),
    st.sampled_from(["boost_kpa", "urn:a:", "kPa", "Pa", "", "\x1b", 0, 1.5, -1, 1e300, 10, True])
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.none(),
)


@given(st.binary(max_size=80) | st.lists(FIELDS, max_size=5).map(lambda f: json.dumps(f).encode()))
def test_anything_is_samples_or_rejected(raw: bytes) -> None:
    """Nothing but Rejected is ever raised; times are finite and in order, no value is infinite."""
    try:
        samples = SenmlMapper(RIG, "port").samples(raw, NOW_S)
    except Rejected:
        return
    times = [sample.time_s for sample in samples]
    assert times == sorted(times)
    assert not any(isnan(time_s) for time_s in times)
    assert all(value != float("inf") for sample in samples for value in sample)
