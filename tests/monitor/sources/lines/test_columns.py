"""The columns and units of a row: fields land in their channels, in the channels' units."""

from math import isnan

import pytest

from monitor.sources.lines.columns import Columns, is_own_header
from monitor.sources.lines.line_decoder import LineDecoder
from monitor.sources.lines.strict_numbers import NO_TIME, Rejected
from rules.channels import Sample
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


def test_a_header_of_ours_is_known_beside_a_simulated_cars_truth() -> None:
    """A log with the truth in it reads by any rig, too; one with a stranger's column doesn't."""
    ours = ["time_s", "boost_kpa", "delivered_ml_min"]
    assert is_own_header([*ours, "true_flow_ml_min", "true_due_ml_min", "sequence", "crc16"])
    assert is_own_header([*ours, "gear", "speed_kmh"])
    assert not is_own_header([*ours, "true_colours"])


def test_columns_name_what_is_missing_or_double() -> None:
    """The error says which column, where the rig names it, what is nearest; control signs go."""
    with pytest.raises(BadInput) as caught:
        Columns(["time_s", "a", "Boost kPa", "b"], RIG, "log")
    assert str(caught.value) == (
        'log: found no column "boost_kpa", expected it, or its name here in the rig\'s '
        '[channels.boost_kpa]; nearest: "Boost kPa", "a", "b"'
    )
    with pytest.raises(BadInput, match="column twice: boost_kpa"):
        Columns(["time_s", "boost_kpa", "boost_kpa", "delivered_ml_min"], RIG, "log")
    with pytest.raises(BadInput) as caught:
        Columns(["time_s", "\x1b]0;evil\x07", *["n" * 1000] * 500], RIG, "log")
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 600
