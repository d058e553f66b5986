"""Lines as they are sent read back to the bit."""

import pytest

from monitor.send.serial import LineFormat
from rules.channels import NOT_SENT, Sample
from simulator.strict import BadInput
from tests.kit.decoding import Line

NAMES = ("boost_kpa", "delivered_ml_min")


@pytest.mark.parametrize(
    "form", [LineFormat(), LineFormat(sequence=True, crc=True), LineFormat(crc=True)]
)
def test_what_is_fed_is_read(form: LineFormat) -> None:
    """What ``feed`` writes reads back to the bit, with and without its checks."""
    sent = [
        Sample(0.1 * i, boost_kpa=i / 3.0, delivered_ml_min=NOT_SENT if i % 3 else float("nan"))
        for i in range(30)
    ]
    line = Line()
    line.say(form.header(NAMES).strip().encode())
    read = line.say(*(form.line(s, NAMES, i).strip().encode() for i, s in enumerate(sent)))
    assert [repr(sample) for sample in read] == [repr(sample) for sample in sent]


def test_what_is_fed_as_packs_is_read() -> None:
    """The same for SenML, whose times have the resolution that 2**29 s leave."""
    form = LineFormat(senml=True, sequence=True)
    sent = [Sample(0.1 * i, boost_kpa=i / 3.0, delivered_ml_min=float("nan")) for i in range(30)]
    line = Line()
    assert form.header(NAMES) == ""
    read = line.say(*(form.line(s, NAMES, i).strip().encode() for i, s in enumerate(sent)))
    assert [s.time_s - 2**29 for s in read] == pytest.approx([s.time_s for s in sent], abs=1e-7)
    for one, other in zip(read, sent, strict=True):
        assert repr(one._replace(time_s=0.0)) == repr(other._replace(time_s=0.0))


def test_packs_have_no_crc() -> None:
    """Both at once is a mistake."""
    with pytest.raises(BadInput, match="--senml"):
        LineFormat(crc=True, senml=True)
