"""Lines as they are sent read back to the bit."""

import pytest

from monitor.send.serial import LineFormat
from monitor.source_facts import SourceStatistics
from monitor.sources.lines.stream import StreamDecoder
from rules.channels import NOT_SENT, Sample
from simulator.rig import RigFile, rig_from_text
from simulator.strict import BadInput
from tests.kit.rig_text import SMALL

RIG = rig_from_text(SMALL, "small.toml")
NAMES = ("boost_kpa", "delivered_ml_min")


class Line:
    """A decoder with a clock of arrival that goes on by 10 ms a line."""

    def __init__(self, rig: RigFile = RIG, baud: int | None = 115200) -> None:
        self.statistics = SourceStatistics()
        self.decoder = StreamDecoder(rig, "port", self.statistics, baud)
        self.now_s = 1000.0

    def say(self, *lines: bytes) -> list[Sample]:
        """Decode lines."""
        samples: list[Sample] = []
        for line in lines:
            self.now_s += 0.01
            samples += self.decoder.decode(line, self.now_s)
        counts = self.statistics
        assert counts.received == counts.decoded + counts.headers + counts.rejected.total()
        return samples

    def told(self) -> list[tuple[str, str]]:
        """Return the notices since the last call, safe to print."""
        notices = self.decoder.notices()
        assert all(notice.text.isprintable() for notice in notices)
        return [(notice.kind, notice.text) for notice in notices]


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
