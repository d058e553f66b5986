"""Rig files damaged at random load, or are refused with one line."""

from math import inf, isfinite

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.step.from_rig import constants_of
from simulator.rig import rig_from_text, shipped_rigs
from simulator.strict import BadInput, decode_bytes
from tests.kit.rig_text import SMALL


def _loads_or_complains(raw: bytes) -> None:
    try:
        file = rig_from_text(decode_bytes(raw, "m.toml"), "m.toml")
    except BadInput as error:
        message = str(error)
        assert len(message.splitlines()) == 1
        assert message.isprintable()
        assert message.startswith("m.toml:")
        assert len(message) < 900
    else:
        assert isfinite(file.rig.paid.dry_limit_kpa)
        k = constants_of(file.rig)
        assert 0.0 < k.warn_nats < k.limit_nats < inf
        assert 0.0 < k.cut_ml < inf


SHIPPED = [path.read_bytes() for path in shipped_rigs().values()]
GARBAGE = st.one_of(
    st.binary(max_size=12),
    st.text(max_size=12).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.sampled_from(
        [
            b"nan",
            b"-inf",
            b"[[",
            b"]]",
            b'"""',
            b"'''",
            b"\n",
            b"\r",
            b"{",
            b"}",
            b"=",
            b"#",
            b".",
            b"1e999",
            b"9" * 5000,
            b"\x00",
            b"\x1b[31m",
            "\u2028".encode(),
            b"[" * 2000,
            b"psi",
            b'" = 1\n"',
            b"1979-05-27",
            b"true",
            b"\\u0000",
            b"name = 1\n",
            b"[a.b]\n",
            b"`$.x`",
        ]
    ),
)


@settings(max_examples=250)
@given(
    st.sampled_from(SHIPPED),
    st.lists(st.tuples(st.floats(0, 1), st.integers(0, 40), GARBAGE), min_size=1, max_size=3),
)
def test_a_damaged_rig_loads_or_complains_in_one_line(
    raw: bytes, damage: list[tuple[float, int, bytes]]
) -> None:
    """Garbage put in, or over, any place never raises anything but BadInput."""
    for place, length, garbage in damage:
        start = int(place * len(raw))
        raw = raw[:start] + garbage + raw[start + length :]
    _loads_or_complains(raw)


VALUES = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(),
        st.floats(),
        st.text(max_size=20),
        st.sampled_from(["26 psi", "35 degF", "-1 mL", "1 %", "999999999999 rpm", "1e99 kPa"]),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=6), inner, max_size=3)
    ),
    max_leaves=6,
)


@settings(max_examples=250)
@given(st.data())
def test_a_wrong_value_at_any_key_is_one_line(data: st.DataObject) -> None:
    """Any value in any line's place either fits or raises one line."""
    lines = SMALL.split("\n")
    candidates = [index for index, line in enumerate(lines) if " = " in line]
    index = data.draw(st.sampled_from(candidates))
    lines[index] = lines[index].split(" = ")[0] + " = " + _toml(data.draw(VALUES))
    _loads_or_complains("\n".join(lines).encode("utf-8", "surrogatepass"))


def _toml(value: object) -> str:
    match value:
        case dict():
            return "{" + ", ".join(f"{_toml(key)} = {_toml(v)}" for key, v in value.items()) + "}"
        case list():
            return "[" + ", ".join(_toml(inner) for inner in value) + "]"
        case str():
            kept = value.encode("utf-8", "ignore").decode()
            return msgspec.json.encode(kept).decode().replace("\x7f", "\\u007f")
        case bool():
            return "true" if value else "false"
        case _:
            return repr(value)
