"""What a line says about itself: CRC and sequence number, in text lines and packs."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.sources.lines.columns import Rejected
from monitor.sources.lines.line_checks import crc16, with_crc
from monitor.sources.lines.sequence import (
    MOST_LOST,
    OUT_OF_ORDER,
    REPEATED,
    RESTART_RUN,
    WINDOW,
    SequenceCheck,
)
from monitor.sources.lines.text_lines import LineDecoder
from rules.channels import Sample
from simulator.rig import RigFile, rig_from_text
from tests.kit.rig_text import SMALL, complaint

RIG = rig_from_text(SMALL, "small.toml")
NAMED = rig_from_text(
    SMALL.replace("[channels.boost_kpa]", '[channels.boost_kpa]\ncolumn = "p"')
    + '[serial]\ncrc = "chk"\nsequence = "n"\n',
    "named.toml",
)
OWN = b"time_s,boost_kpa,delivered_ml_min,sequence,crc16"


def checked(text: str) -> bytes:
    """Return a line with its CRC behind it."""
    return with_crc(text).encode()


def ready(rig: RigFile = RIG, header: bytes = OWN) -> LineDecoder:
    """Return a decoder that has read a header."""
    decoder = LineDecoder(rig, "line")
    assert decoder.decode(header, 0.0) is None
    assert decoder.header_fault is None
    return decoder


def reason(decoder: LineDecoder, line: bytes) -> str:
    """Return why a line is rejected."""
    with pytest.raises(Rejected) as caught:
        decoder.decode(line, 0.0)
    return caught.value.reason


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


def run(numbers: list[int]) -> tuple[list[str | None], int, int]:
    """Return what a check says to each number, and how many were lost and how often it began."""
    check = SequenceCheck()
    return [check.fault(number) for number in numbers], check.lost, check.restarts


FRESH = None


@pytest.mark.parametrize(
    ("numbers", "said", "lost"),
    [
        ([0, 1, 2, 3], [FRESH] * 4, 0),
        ([700, 701], [FRESH] * 2, 0),
        ([1, 2, 5, 6], [FRESH] * 4, 2),
        ([1, 2, 2, 3], [FRESH, FRESH, REPEATED, FRESH], 0),
        ([1, 2, 4, 3, 5], [FRESH, FRESH, FRESH, OUT_OF_ORDER, FRESH], 1),
        ([1, 2, 3, 1, 2, 3, 4], [FRESH] * 3 + [OUT_OF_ORDER] * 2 + [REPEATED, FRESH], 0),
        ([65_534, 65_535, 0, 1], [FRESH] * 4, 0),
        ([65_533, 65_534, 1, 2], [FRESH] * 4, 2),
        ([65_534, 0, 65_535, 1], [FRESH, FRESH, OUT_OF_ORDER, FRESH], 1),
        ([65_535, 65_536, 65_537], [FRESH] * 3, 0),
        ([2**32 - 2, 2**32 - 1, 0, 1], [FRESH] * 4, 0),
        ([2**32 - 2, 1, 2], [FRESH] * 3, 2),
        ([2**32 - 1, 0, 2**32 - 1, 1], [FRESH, FRESH, OUT_OF_ORDER, FRESH], 0),
        ([1, 1 + MOST_LOST], [FRESH] * 2, MOST_LOST - 1),
    ],
)
def test_numbers_in_sequence(numbers: list[int], said: list[str | None], lost: int) -> None:
    """Gaps are lost; repeats and old numbers are not fresh; 16 and 32 bits wrap."""
    assert run(numbers) == (said, lost, 0)


@pytest.mark.parametrize("numbers", [[5000, 0, 1], [5000, 5000 - WINDOW - 1], [1, 2 + MOST_LOST]])
def test_a_counter_that_starts_again(numbers: list[int]) -> None:
    """Far away from where it was, it began anew: fresh, and nothing counted as lost."""
    said, lost, restarts = run(numbers)
    assert said == [FRESH] * len(numbers)
    assert (lost, restarts) == (0, 1)


def test_a_counter_that_starts_again_just_behind_itself() -> None:
    """A device that resets soon after its start is believed after a few old numbers in a row."""
    said, lost, restarts = run([*range(20), *range(20)])
    assert said[20:] == [OUT_OF_ORDER] * (RESTART_RUN - 1) + [FRESH] * (21 - RESTART_RUN)
    assert (lost, restarts) == (0, 1)


def test_a_stuck_counter_is_never_fresh() -> None:
    """The same line again and again is one reading."""
    said, _, restarts = run([9] * 1000)
    assert said == [FRESH] + [REPEATED] * 999
    assert restarts == 0


@given(st.lists(st.integers(0, 2**32 - 1), max_size=60))
def test_no_number_is_fresh_twice_in_a_row(numbers: list[int]) -> None:
    """Whatever comes, the same number right behind itself is not used again."""
    check = SequenceCheck()
    for number in numbers:
        if check.fault(number) is None:
            assert check.fault(number) == REPEATED
    assert check.lost >= 0


@given(
    st.integers(0, 2**32 - 1), st.lists(st.integers(1, 50), max_size=80), st.sampled_from([16, 32])
)
def test_what_is_lost_adds_up(first: int, steps: list[int], bits: int) -> None:
    """Over any wrap, steps less one are what was lost."""
    number = first % 2**bits
    check = SequenceCheck()
    check.fault(number)
    for step in steps:
        number = (number + step) % 2**bits
        assert check.fault(number) is None
    assert check.lost == sum(steps) - len(steps)


UNITS_RIG = rig_from_text(
    SMALL.replace("[channels.boost_kpa]", '[channels.boost_kpa]\nunit = "psi"'), "psi.toml"
)
HEADER = b"time_s,boost_kpa,delivered_ml_min,extra"


@pytest.mark.parametrize("row", [b"s,psi,mL/min,V", b"[s],[PSI],cc/min,", b"sec, psi ,,"])
def test_units_under_a_header(row: bytes) -> None:
    """A row of units that mean the rig's is a header's second line."""
    decoder = ready(UNITS_RIG, HEADER)
    assert decoder.decode(row, 0.0) is None
    assert decoder.decode(b"1,1,300,2", 0.0) is not None


@pytest.mark.parametrize("row", [b"ms,psi,mL/min,V", b"s,kPa,mL/min,V", b"s,psi,mL,V"])
def test_units_that_contradict_the_rig(row: bytes) -> None:
    """No number under them is used, and the fault says which; a right header mends it."""
    decoder = ready(UNITS_RIG, HEADER)
    assert decoder.decode(row, 0.0) is None
    assert "as the rig says" in str(decoder.header_fault)
    assert reason(decoder, b"1,1,300,2") == "wrong columns"
    assert decoder.decode(HEADER, 0.0) is None
    assert decoder.decode(b"s,psi,mL/min,V", 0.0) is None
    assert decoder.decode(b"1,1,300,2", 0.0) is not None


@pytest.mark.parametrize("row", [b"a,b,c,d", b"s,psi,mL/min", b"ready,x,,", b"1,psi,300,2"])
def test_words_that_are_no_units(row: bytes) -> None:
    """Other words are noise, and change nothing."""
    decoder = ready(UNITS_RIG, HEADER)
    assert reason(decoder, row) == "not a number"
    assert decoder.decode(b"1,1,300,2", 0.0) is not None


def test_units_behind_a_crc_header() -> None:
    """The CRC column's field in a row of units may say anything."""
    decoder = ready()
    assert decoder.decode(b"s,kPa,mL/min,1,hex", 0.0) is None
    assert decoder.decode(b"s,psi,mL/min,,", 0.0) is None
    assert "psi" in str(decoder.header_fault)
