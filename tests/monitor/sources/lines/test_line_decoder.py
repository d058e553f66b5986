"""A stream of text lines: its header, its rows, and what is no row."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.sources.lines.line_decoder import MOST_FIELDS, LineDecoder
from monitor.sources.lines.strict_numbers import NO_TIME, Rejected
from rules.channels import Sample
from simulator.rig import find_rig, load_rig, rig_from_text
from tests.kit.decoding import RIG, ready, reason
from tests.kit.rig_text import SMALL, TWO_CHANNELS, with_channels

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
LINES = st.binary(max_size=80) | st.lists(
    st.sampled_from(
        [b"1", b"nan", b"", b"boost_kpa", b"delivered_ml_min", b"time_s", b"x", b"\xff", b"inf"]
    ),
    max_size=6,
).map(b",".join)


@given(st.lists(LINES, max_size=20), st.booleans())
def test_random_lines_raise_nothing_but_rejected(lines: list[bytes], header: bool) -> None:
    """Whatever comes is a sample, a header, or rejected for one of a few reasons."""
    decoder = LineDecoder(RIG, "line")
    if header:
        decoder.decode(HEADER, 0.0)
    reasons = {"not a number", "no header yet", "wrong columns", "number of fields", NO_TIME}
    for line in lines:
        sample, reason = None, ""
        try:
            sample = decoder.decode(line, 1.0)
        except Rejected as rejected:
            reason = rejected.reason
        assert reason in {"", *reasons}
        assert sample is None or (len(sample) == len(Sample(0.0)) and float("inf") not in sample)


def test_no_header_no_sample() -> None:
    """Numbers before the first header are rejected: nobody knows what they mean."""
    decoder = LineDecoder(RIG, "line")
    with pytest.raises(Rejected, match="no header yet"):
        decoder.decode(b"1,2,3", 0.0)
    assert decoder.header_fault is None


def test_a_header_without_a_needed_column_says_which() -> None:
    """The fault names the column; numbers are rejected until a good header comes by."""
    decoder = LineDecoder(PRESSURES, "port x")
    assert decoder.decode(b"t,MAP,intake_c", 0.0) is None
    assert "port x" in str(decoder.header_fault)
    assert "delivered_ml_min" in str(decoder.header_fault)
    with pytest.raises(Rejected, match="wrong columns"):
        decoder.decode(b"1,2,3", 0.0)
    decoder.decode(b"t,MAP,intake_c,delivered_ml_min", 0.0)
    assert str(decoder.header_fault) == "None"
    assert decoder.decode(b"1,2,3,4", 0.0) is not None


def test_a_bad_header_replaces_a_good_one() -> None:
    """After a header that lacks a column, old places no longer count."""
    decoder = LineDecoder(PRESSURES, "x")
    decoder.decode(b"t,MAP,intake_c,delivered_ml_min", 0.0)
    decoder.decode(b"t,MAP,intake_c,else", 0.0)
    with pytest.raises(Rejected, match="wrong columns"):
        decoder.decode(b"1,2,3,4", 0.0)


@pytest.mark.parametrize("line", [b"1,2", b"1,2,3,4", b"1", b",", b"," * 300])
def test_the_number_of_fields_must_fit(line: bytes) -> None:
    """A line with fields lost or added is rejected, never shifted."""
    decoder = LineDecoder(RIG, "line")
    decoder.decode(HEADER, 0.0)
    with pytest.raises(Rejected):
        decoder.decode(line, 0.0)


def test_one_bad_field_rejects_the_line_even_in_a_column_nobody_reads() -> None:
    """A line with noise in it is not trusted elsewhere either."""
    decoder = LineDecoder(RIG, "line")
    decoder.decode(HEADER + b",extra", 0.0)
    with pytest.raises(Rejected, match="not a number"):
        decoder.decode(b"1,2,3,x", 0.0)


def test_a_header_may_hold_signs_beyond_ascii() -> None:
    """A degree sign in one name, in UTF-8 or Latin-1, doesn't hide the header."""
    for encoding in ("utf-8", "latin-1"):
        decoder = LineDecoder(RIG, "line")
        assert (
            decoder.decode("time_s,boost_kpa,t in °C,delivered_ml_min".encode(encoding), 0.0)
            is None
        )
        assert decoder.decode(b"1,2,3,4", 0.0) == Sample(1.0, boost_kpa=2.0, delivered_ml_min=4.0)


def test_serial_columns_of_the_rig_stand_in_for_a_header() -> None:
    """Tarnwick's line sends no header; its rig says what the columns are."""
    rig = load_rig(find_rig("tarnwick"))
    sample = LineDecoder(rig, "line").decode(b"2000,5500,36.7,80,95,0,450,110,13.8", 0.0)
    assert sample is not None
    assert sample.time_s == 2.0
    assert sample.boost_kpa == pytest.approx((36.7 - 14.7) * 6.894757293168)
    assert sample.intake_c == pytest.approx(35.0)
    assert sample.delivered_ml_min == pytest.approx(450.0)


def test_too_many_fields_cost_little() -> None:
    """A line of nothing but commas is cut into a bounded number of fields."""
    decoder = LineDecoder(RIG, "line")
    decoder.decode(HEADER, 0.0)
    with pytest.raises(Rejected):
        decoder.decode(b"," * (4 * MOST_FIELDS), 0.0)


UNITS_RIG = rig_from_text(
    SMALL.replace("[channels.boost_kpa]", '[channels.boost_kpa]\nunit = "psi"'), "psi.toml"
)
UNITS_HEADER = b"time_s,boost_kpa,delivered_ml_min,extra"


@pytest.mark.parametrize("row", [b"s,psi,mL/min,V", b"[s],[PSI],cc/min,", b"sec, psi ,,"])
def test_units_under_a_header(row: bytes) -> None:
    """A row of units that mean the rig's is a header's second line."""
    decoder = ready(UNITS_RIG, UNITS_HEADER)
    assert decoder.decode(row, 0.0) is None
    assert decoder.decode(b"1,1,300,2", 0.0) is not None


@pytest.mark.parametrize("row", [b"ms,psi,mL/min,V", b"s,kPa,mL/min,V", b"s,psi,mL,V"])
def test_units_that_contradict_the_rig(row: bytes) -> None:
    """No number under them is used, and the fault says which; a right header mends it."""
    decoder = ready(UNITS_RIG, UNITS_HEADER)
    assert decoder.decode(row, 0.0) is None
    assert "as the rig says" in str(decoder.header_fault)
    assert reason(decoder, b"1,1,300,2") == "wrong columns"
    assert decoder.decode(UNITS_HEADER, 0.0) is None
    assert decoder.decode(b"s,psi,mL/min,V", 0.0) is None
    assert decoder.decode(b"1,1,300,2", 0.0) is not None


@pytest.mark.parametrize("row", [b"a,b,c,d", b"s,psi,mL/min", b"ready,x,,", b"1,psi,300,2"])
def test_words_that_are_no_units(row: bytes) -> None:
    """Other words are noise, and change nothing."""
    decoder = ready(UNITS_RIG, UNITS_HEADER)
    assert reason(decoder, row) == "not a number"
    assert decoder.decode(b"1,1,300,2", 0.0) is not None


def test_units_behind_a_crc_header() -> None:
    """The CRC column's field in a row of units may say anything."""
    decoder = ready()
    assert decoder.decode(b"s,kPa,mL/min,1,hex", 0.0) is None
    assert decoder.decode(b"s,psi,mL/min,,", 0.0) is None
    assert "psi" in str(decoder.header_fault)


def test_a_rig_that_maps_the_very_columns_is_believed(tmp_path: Path) -> None:
    """Where every mapped column is in the header, the rig's units count, whatever the names."""
    psi = TWO_CHANNELS.replace("boost_kpa]", 'boost_kpa]\nunit = "psi"')
    rig = tmp_path / "rig.toml"
    rig.write_text(with_channels(psi), encoding="utf-8")
    decoder = LineDecoder(load_rig(rig), "port")
    assert decoder.decode(b"time_s,boost_kpa,delivered_ml_min", 0.0) is None
    sample = decoder.decode(b"1,10,0", 0.0)
    assert sample is not None
    assert sample.boost_kpa == pytest.approx(68.94757, rel=1e-6)


def test_a_header_with_none_of_our_columns_is_told_once() -> None:
    """A logger set to other columns is not just silence: the first such header is shown."""
    decoder = LineDecoder(load_rig(find_rig("brindle")), "port")
    for _ in range(2):
        with pytest.raises(Rejected):
            decoder.decode(b"alpha,beta,gamma", 0.0)
    assert decoder.header_fault is not None
    assert 'found "alpha, beta, gamma"' in decoder.header_fault
