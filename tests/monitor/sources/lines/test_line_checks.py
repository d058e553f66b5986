"""What a line says about itself: CRC and sequence number, in text lines and packs."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.sources.lines.line_checks import crc16, with_crc
from monitor.sources.lines.line_decoder import LineDecoder
from monitor.sources.lines.sequence import (
    REPEATED,
)
from monitor.sources.lines.strict_numbers import Rejected
from rules.channels import Sample
from simulator.rig import rig_from_text
from tests.kit.decoding import RIG, ready, reason
from tests.kit.rig_text import SMALL, complaint

NAMED = rig_from_text(
    SMALL.replace("[channels.boost_kpa]", '[channels.boost_kpa]\ncolumn = "p"')
    + '[serial]\ncrc = "chk"\nsequence = "n"\n',
    "named.toml",
)


def checked(text: str) -> bytes:
    """Return a line with its CRC behind it."""
    return with_crc(text).encode()


def test_the_crc_is_the_one_that_is_named() -> None:
    """CRC-16/IBM-3740 of the digits 1 to 9 is 0x29B1 (RevEng's CRC catalogue)."""
    assert crc16(b"123456789") == 0x29B1


@given(st.binary(max_size=60))
def test_the_crc_is_as_defined(data: bytes) -> None:
    """Bit by bit: polynomial 0x1021, first 0xFFFF, not reflected, nothing added at the end."""
    value = 0xFFFF
    for byte in data:
        value ^= byte << 8
        for _ in range(8):
            value = (value << 1 ^ 0x1021 if value & 0x8000 else value << 1) & 0xFFFF
    assert crc16(data) == value


def test_a_line_whose_crc_is_right() -> None:
    """It covers all before it, the last comma too; its digits may be large or small."""
    decoder = ready()
    assert with_crc("123456789") == "123456789,E1A5"
    assert crc16(b"123456789,") == 0xE1A5
    expected = Sample(1.0, boost_kpa=120.5, delivered_ml_min=300.0)
    assert decoder.decode(checked("1,120.5,300,7"), 0.0) == expected
    assert decoder.decode(checked("1,120.5,300,8").lower(), 0.0) == expected


@pytest.mark.parametrize("bit", range(8))
def test_no_flipped_bit_passes(bit: int) -> None:
    """A CRC finds every single flipped bit: whatever that makes of a line, it is no sample."""
    line = checked("12.5,120.5,300,7")
    for at in range(len(line)):
        broken = bytearray(line)
        broken[at] ^= 1 << bit
        if broken.lower() == line.lower():  # the case of a hexadecimal digit says nothing
            continue
        with pytest.raises(Rejected):
            ready().decode(bytes(broken), 0.0)


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b",",
        b"1,2,3,4",
        b"1,2,3,4,",
        b"1,2,3,4,00000",
        b"1,2,3,4,0x12",
        b"1,2,3,4,12G4",
        b"29B1",
    ],
)
def test_a_line_without_its_crc(line: bytes) -> None:
    """Cut short, or not hexadecimal: rejected as a CRC that is wrong."""
    assert reason(ready(), line) == "crc"


def test_a_right_crc_does_not_make_nonsense_right() -> None:
    """Numbers and fields are checked all the same."""
    assert reason(ready(), checked("1,x,3,4")) == "not a number"
    assert reason(ready(), checked("1,2,3")) == "number of fields"
    assert reason(ready(), checked("1,2,3,4,5")) == "number of fields"


def test_columns_may_have_the_rigs_names() -> None:
    """With [serial] crc and sequence, a header must have them."""
    decoder = ready(NAMED, b"time_s,n,p,delivered_ml_min,chk")
    assert decoder.decode(checked("1,1,120,300"), 0.0) == Sample(
        1.0, boost_kpa=120.0, delivered_ml_min=300.0
    )
    for header, missing in (
        (b"time_s,n,p,delivered_ml_min", "chk"),
        (b"time_s,p,delivered_ml_min,chk", "n"),
        (b"chk,n,p,delivered_ml_min", "last"),
        (b"n,n,p,delivered_ml_min,chk", "twice"),
    ):
        decoder = LineDecoder(NAMED, "line")
        assert decoder.decode(header, 0.0) is None
        assert missing in str(decoder.header_fault)
        assert reason(decoder, b"1,2,3,4,5") == "wrong columns"


def test_our_own_line_needs_no_checks() -> None:
    """A header of flowdebt's own may leave them out, or have one of the two."""
    decoder = ready(NAMED, b"time_s,boost_kpa,delivered_ml_min")
    assert decoder.decode(b"1,2,3", 0.0) is not None
    decoder = ready(RIG, b"time_s,boost_kpa,delivered_ml_min,crc16")
    assert decoder.decode(checked("1,2,3"), 0.0) is not None
    decoder = ready(RIG, b"sequence,time_s,boost_kpa,delivered_ml_min")
    assert decoder.decode(b"5,1,2,3", 0.0) is not None
    assert reason(decoder, b"5,1,2,3") == REPEATED


def test_without_a_header_the_rigs_columns_count() -> None:
    """[serial] columns with a CRC: the very first line is checked."""
    text = SMALL + (
        '[serial]\ncrc = "chk"\nsequence = "n"\n'
        'columns = ["n", "boost_kpa", "delivered_ml_min", "chk"]\n'
    )
    decoder = LineDecoder(rig_from_text(text, "x"), "line")
    assert reason(decoder, b"1,2,3,0000") == "crc"
    assert decoder.decode(checked("1,2,3"), 5.0) == Sample(5, boost_kpa=2.0, delivered_ml_min=3.0)


@pytest.mark.parametrize("field", ["", "nan", "1.5", "-1", "4294967296", "1e10"])
def test_a_sequence_number_that_is_none(field: str) -> None:
    """Whole numbers of 32 bits only."""
    assert reason(ready(), checked(f"1,2,3,{field}")) == "sequence"


@pytest.mark.parametrize(
    ("serial", "said"),
    [
        ('crc = "boost_kpa"', "a column of its own"),
        ('sequence = "time_s"', "a column of its own"),
        ('crc = "x"\nsequence = "x"', "a column of its own"),
        ('crc = "x"\ncolumns = ["boost_kpa", "delivered_ml_min"]', '"x" among them'),
        ('crc = "x"\ncolumns = ["boost_kpa", "x", "delivered_ml_min"]', '"x" last'),
        ('sequence = "x"\ncolumns = ["boost_kpa", "delivered_ml_min"]', '"x" among them'),
    ],
)
def test_a_rig_that_contradicts_itself(serial: str, said: str) -> None:
    """The message names the key and what is expected."""
    message = complaint(f"{SMALL}[serial]\n{serial}\n")
    assert "serial." in message
    assert said in message
