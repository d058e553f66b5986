"""Strict numbers, columns and units: what a line of text may say."""

from math import isnan, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.sources.lines.columns import NO_TIME, Columns, Rejected, strict_number
from monitor.sources.lines.text_lines import LineDecoder
from rules.channels import NOT_SENT, Sample
from simulator.rig import rig_from_text
from simulator.strict import BadInput
from tests.kit.rig_text import SMALL

RIG = rig_from_text(SMALL, "small.toml")
HEADER = b"time_s,boost_kpa,delivered_ml_min"
PRESSURES = rig_from_text(
    SMALL.replace(
        "[channels.boost_kpa]",
        '[channels.boost_kpa]\ncolumn = "MAP"\nunit = "psi"\nabsolute = true\n'
        '[channels.intake_c]\nunit = "degF"',
    ).replace('redline = "7000 rpm"', 'redline = "7000 rpm"\nambient_pressure = "100 kPa"')
    + '[time]\ncolumn = "t"\nunit = "ms"\n',
    "pressures.toml",
)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        (b"0", 0.0),
        (b"-0", -0.0),
        (b"12.5", 12.5),
        (b"+.5", 0.5),
        (b"5.", 5.0),
        (b"-1.5e-3", -0.0015),
        (b"1E3", 1000.0),
        (b" 7 ", 7.0),
        (b"7\r", 7.0),
        (b"5e-324", 5e-324),
        (b"1e-999", 0.0),
        (b"1" * 32, 1.1111111111111111e31),
        (b"", NOT_SENT),
        (b"   ", NOT_SENT),
        (b"\t", NOT_SENT),
        (b"nan", nan),
        (b"NaN", nan),
        (b"NAN", nan),
        (b"1e999", nan),
        (b"-1e999", nan),
    ],
)
def test_numbers_that_are(field: bytes, value: float) -> None:
    """Plain decimals; empty is not sent; nan and what overflows is not a number."""
    assert repr(strict_number(field)) == repr(value)


@pytest.mark.parametrize(
    "field",
    [
        *b"inf -inf Infinity +nan -nan nan(1) 1_000 0x10 0b1 1e 1e+ e5 . + - +-1 1-2".split(),
        *b"1.2.3 1e5.5 --1 1,5 12h $5 1j 1f #5 None true".split(),
        "١٢".encode(),  # Arabic digits: float() takes them
        "１２".encode(),  # full width, too
        "5\N{NO-BREAK SPACE}".encode("latin-1"),
        b"1 2",
        b"1\x002",
        b"\x00",
        b"\xff\xfe",
        b"1" * 33,
        b"0" * 1000,
    ],
)
def test_numbers_that_are_not(field: bytes) -> None:
    """What float() would let pass and a wire must not, and plain nonsense."""
    with pytest.raises(Rejected) as caught:
        strict_number(field)
    assert caught.value.reason == "not a number"


@given(st.floats(allow_infinity=False))
def test_any_float_comes_back_exactly(value: float) -> None:
    """The shortest text of a float reads back to the same float."""
    read = strict_number(repr(value).encode())
    assert isnan(read) if isnan(value) else repr(read) == repr(value)


@given(st.binary(max_size=60))
def test_random_bytes_are_a_number_or_rejected(field: bytes) -> None:
    """Nothing else is ever raised, and plus infinity never comes out."""
    try:
        assert strict_number(field) != float("inf")
    except Rejected:
        return


def test_fields_land_in_their_channels() -> None:
    """Columns go where the rig says, in any order; others are ignored; empty is not sent."""
    decoder = LineDecoder(RIG, "line")
    assert decoder.decode(b"extra,delivered_ml_min, boost_kpa ,time_s", 0.0) is None
    assert decoder.decode(b"9,300,120.5,4.25", 0.0) == Sample(
        4.25, boost_kpa=120.5, delivered_ml_min=300.0
    )
    assert decoder.decode(b"9,,120.5,4.25", 0.0) == Sample(4.25, boost_kpa=120.5)


def test_units_convert_as_by_hand() -> None:
    """29.5 psi absolute at 100 kPa ambient is 103.395 kPa gauge; 212 degF is 100 degC; ms are ms.

    1 psi = 6.894757293168 kPa (exact definitions of pound, inch and g; NIST SP 811, appendix B).
    """
    decoder = LineDecoder(PRESSURES, "line")
    decoder.decode(b"t,MAP,intake_c,delivered_ml_min", 0.0)
    sample = decoder.decode(b"1500,29.5,212,300", 0.0)
    assert sample is not None
    assert sample.time_s == pytest.approx(1.5, rel=1e-15)
    assert sample.boost_kpa == pytest.approx(29.5 * 6.894757293168 - 100.0, rel=1e-12)
    assert sample.intake_c == pytest.approx(100.0, rel=1e-12)
    assert sample.delivered_ml_min == 300.0


@pytest.mark.parametrize("number", [b"1e308", b"-1e308", b"nan"])
def test_what_overflows_in_conversion_is_not_a_number(number: bytes) -> None:
    """Minus infinity would read as "not sent", and the last good value would live on."""
    decoder = LineDecoder(PRESSURES, "line")
    decoder.decode(b"t,MAP,intake_c,delivered_ml_min", 0.0)
    sample = decoder.decode(b"1," + number + b",50,1", 0.0)
    assert sample is not None
    assert isnan(sample.boost_kpa)


def test_a_missing_time_is_not_the_time_of_arrival() -> None:
    """A line whose time column is empty, or nan, is refused."""
    decoder = LineDecoder(RIG, "line")
    decoder.decode(HEADER, 0.0)
    for field in (b"", b"nan", b"1e999"):
        with pytest.raises(Rejected, match=NO_TIME):
            decoder.decode(field + b",1,2", 5.0)


def test_without_a_time_column_arrival_counts() -> None:
    """A line without a time column takes the time at which it came."""
    decoder = LineDecoder(RIG, "line")
    decoder.decode(b"boost_kpa,delivered_ml_min", 0.0)
    assert decoder.decode(b"1,2", 5.5) == Sample(5.5, boost_kpa=1.0, delivered_ml_min=2.0)


def test_columns_name_what_is_missing_or_double() -> None:
    """The error says which column, for which channel, and what there was; control signs go."""
    with pytest.raises(
        BadInput, match=r"log: columns time_s, a; expected one column \"boost_kpa\""
    ):
        Columns(["time_s", "a"], RIG, "log")
    with pytest.raises(BadInput, match="column twice: boost_kpa"):
        Columns(["time_s", "boost_kpa", "boost_kpa", "delivered_ml_min"], RIG, "log")
    with pytest.raises(BadInput) as caught:
        Columns(["time_s", "\x1b]0;evil\x07", *["n" * 1000] * 500], RIG, "log")
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 600
