"""Bytes of a connection, lines of text or SenML packs, into samples; what is wrong, in words.

Pure: the time of arrival is given, never asked for.
"""

from collections import Counter
from typing import Final

from monitor.source_facts import SourceStatistics
from monitor.sources.base import Arrival, Item, Notice
from monitor.sources.lines.device_time import ClockTurn, DeviceTime
from monitor.sources.lines.framer import LineFramer
from monitor.sources.lines.line_decoder import LineDecoder
from monitor.sources.lines.senml_rows import SenmlMapper
from monitor.sources.lines.strict_numbers import Rejected
from rules.channels import Sample
from simulator.rig import RigFile

UNUSABLE_LINES: Final = 20
UNUSABLE_BYTES: Final = 512
MOST_NO_TEXT: Final = 0.2
MOST_FAULTS: Final = 16  # reported in one connection: garbage may look like ever new headers
REPORT_EVERY_S: Final = 10.0
_TEXT: Final = bytes((*range(0x20, 0x7F), *b"\t\r\n"))


class StreamDecoder:
    """Decodes one connection's bytes: each line as CSV text or as a SenML pack, by how it begins.

    Each line is judged by itself: a decision made on the first lines could be made on garbage, and
    would then have to be unmade.

    Args:
        rig_file: The rig.
        where: How messages call the line.
        statistics: Counts what comes; shared with the source.
        baud: Speed the port is opened with; None where there is none (TCP).
        midway: Whether the first line may have lost its beginning.
    """

    def __init__(
        self,
        rig_file: RigFile,
        where: str,
        statistics: SourceStatistics,
        baud: int | None = None,
        *,
        midway: bool = False,
    ) -> None:
        self._framer = LineFramer()
        self._text = LineDecoder(rig_file, where, midway=midway)
        self._senml = SenmlMapper(rig_file, where)
        self._where = where
        self._statistics = statistics
        self._baud = baud
        self._lost_before = statistics.lost
        self._clock_before = Counter(statistics.clock)
        self._clock = DeviceTime()
        self._tick_s = 1.0
        self._used = 0  # lines used since the last refused one
        self._refused: Counter[str] = Counter()  # since the last line used
        self._bytes = 0
        self._no_text = 0
        self._complained = False
        self._reported_faults: set[str] = set()
        self._reported_s: dict[str, float] = {}
        self._notices: list[Notice] = []

    def feed(self, data: bytes, readable_ns: int) -> list[Item]:
        """Return the samples in the lines that ``data`` completes, then what there is to report.

        Args:
            data: Bytes as they come.
            readable_ns: Steady time at which the last of them could be read, ns.
        """
        overlong = self._framer.overlong
        lines = self._framer.feed(data)
        if overlong := self._framer.overlong - overlong:
            self._statistics.received += overlong
            self._statistics.rejected["line too long"] += overlong
        self.look_at(data)
        arrived_s = readable_ns * 1e-9
        items: list[Item] = [
            Arrival(sample, readable_ns)
            for line in lines
            for sample in self.decode(line, arrived_s)
        ]
        items += self.notices()
        return items

    def look_at(self, data: bytes) -> None:
        """Take in raw bytes, before they are lines: most of them should be text."""
        self._bytes += len(data)
        self._no_text += len(data.translate(None, _TEXT))
        if self._bytes > UNUSABLE_BYTES:
            self._complain()

    def decode(self, line: bytes, arrived_s: float) -> list[Sample]:
        """Return the samples in a line; none in a header, or in a line that is refused (counted).

        Args:
            line: A line without its end.
            arrived_s: Steady time at which it could be read.
        """
        statistics = self._statistics
        try:
            samples = self._decode(line, arrived_s)
        except Rejected as rejected:
            statistics.received += 1
            statistics.rejected[rejected.reason] += 1
            self._refuse(rejected.reason)
            return []
        finally:
            self._report_faults(arrived_s)
        if not samples:
            statistics.received += 1
            statistics.headers += 1
            return samples
        statistics.received += len(samples)
        statistics.decoded += len(samples)
        self._refused.clear()
        self._bytes = self._no_text = 0
        self._used += 1
        if self._used > UNUSABLE_LINES:
            self._complained = False
        return [self._dated(sample, arrived_s) for sample in samples]

    def notices(self) -> list[Notice]:
        """Return what there is to report since the last call."""
        notices, self._notices = self._notices, []
        return notices

    def _decode(self, line: bytes, arrived_s: float) -> list[Sample]:
        if line.lstrip().startswith(b"["):
            tick_s = 1.0
            samples = self._senml.samples(line, arrived_s)
        else:
            sample = self._text.decode(line, arrived_s)
            tick_s = self._text.tick_s
            samples = [] if sample is None else [sample]
        if tick_s != self._tick_s:
            self._clock, self._tick_s = DeviceTime(tick_s), tick_s
            self._clock_before = Counter(self._statistics.clock)
        return samples

    def _refuse(self, reason: str) -> None:
        self._used = 0
        self._refused[reason] += 1
        if self._refused.total() >= UNUSABLE_LINES:
            self._complain()

    def _complain(self) -> None:
        """Say once that what comes can't be used, and why that may be."""
        if self._complained:
            return
        garbage = self._no_text > MOST_NO_TEXT * self._bytes and self._bytes > UNUSABLE_BYTES
        lines = self._refused.total()
        if garbage:
            speed = (
                f"is {self._baud} baud right? (the rig's [serial] baud, or --baud)"
                if self._baud
                else "is this the right port?"
            )
            self._report("unusable", f"most of what comes is not text: {speed}")
        elif lines >= UNUSABLE_LINES:
            reason = self._refused.most_common(1)[0][0]
            words = f"none of the last {lines} lines can be used, mostly: {reason}"
            self._report("unusable", words)
        else:
            return
        self._complained = True

    def _dated(self, sample: Sample, arrived_s: float) -> Sample:
        """Return a sample with its device's time made continuous."""
        if sample.time_s == arrived_s:  # it has none of its own
            return sample
        before_s, clock, statistics = self._clock.newest_s, self._clock, self._statistics
        time_s = clock.follow(sample.time_s, arrived_s)
        if clock.turn is not None:
            statistics.clock = self._clock_before + clock.turns
            step_s = abs(sample.time_s - before_s)
            words = {
                ClockTurn.WRAPPED: "the device's counter wrapped; its time goes on",
                ClockTurn.RESET: (
                    f"the device started again (its clock says {sample.time_s:z.3g} s)"
                ),
                ClockTurn.BACK: f"the device's clock stepped back by {step_s:z.3g} s",
                ClockTurn.AHEAD: f"the device's clock stepped ahead by {step_s:z.3g} s",
            }[clock.turn]
            self._report_at_times("clock", clock.turn.value, words, arrived_s)
        if clock.rate_is_wrong:
            pace = 1.0 + clock.drift_ppm * 1.0e-6
            words = f"the device's clock runs at {pace:z.3g} times our pace: is its unit right?"
            self._report_at_times("clock", "rate", words, arrived_s)
        drift_ppm = clock.drift_ppm
        statistics.drift_ppm = None if drift_ppm != drift_ppm else drift_ppm
        return sample if time_s == sample.time_s else sample._replace(time_s=time_s)

    def _report_faults(self, arrived_s: float) -> None:
        reported = self._reported_faults
        for fault in (self._text.header_fault, self._senml.fault):
            if fault is not None and fault not in reported and len(reported) < MOST_FAULTS:
                reported.add(fault)
                self._report("header", fault)
        lost = self._lost_before + self._text.sequence.lost + self._senml.sequence.lost
        if lost != self._statistics.lost:
            self._statistics.lost = lost
            words = f"readings were lost on the way ({lost} so far)"
            self._report_at_times("sequence", "sequence", words, arrived_s)

    def _report_at_times(self, kind: str, topic: str, text: str, arrived_s: float) -> None:
        if arrived_s >= self._reported_s.get(topic, -REPORT_EVERY_S) + REPORT_EVERY_S:
            self._reported_s[topic] = arrived_s
            self._report(kind, text)

    def _report(self, kind: str, text: str) -> None:
        self._notices.append(Notice(kind, f"{self._where}: {text}" if kind != "header" else text))
