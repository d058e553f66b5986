"""Strict numbers: what is one on a wire, and what is none."""

from math import isnan, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.sources.lines.strict_numbers import Rejected, strict_number
from rules.channels import NOT_SENT


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
