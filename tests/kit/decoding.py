"""Decoders of lines, ready to be given some."""

import pytest

from monitor.source_facts import SourceStatistics
from monitor.sources.lines.line_decoder import LineDecoder
from monitor.sources.lines.stream import StreamDecoder
from monitor.sources.lines.strict_numbers import Rejected
from rules.channels import Sample
from simulator.rig import RigFile, rig_from_text
from tests.kit.rig_text import SMALL

RIG = rig_from_text(SMALL, "small.toml")
OWN = b"time_s,boost_kpa,delivered_ml_min,sequence,crc16"


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
        return [(notice.topic, notice.text) for notice in notices]


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
