"""From messages to samples: one topic a channel, or SenML packs; news told from what is old."""

from collections import Counter
from typing import Protocol

from monitor.broker.link import Letter
from monitor.sources.lines.columns import Rejected
from monitor.sources.lines.senml import ABSOLUTE_FROM_S, Measurement, resolve
from monitor.sources.lines.senml_rows import SenmlMapper
from monitor.sources.lines.sequence import HIGHEST, SequenceCheck
from monitor.sources.topics.fresh import Freshness, read_payload
from monitor.sources.topics.merge import Merged, Merger
from rules.channels import ROW_NAMES
from simulator.rig import RigFile

_NAN = float("nan")
_INFINITE = float("inf")
TOO_SOON = "too soon, and no worse"  # than the one before, without time or number
SEQUENCE = "sequence"  # a record of this name in a pack is the pack's number


class LetterReader(Protocol):
    """Makes samples of messages.

    Attributes:
        topics: What to subscribe to.
        hints: Where readings would come in the other form; what comes there is only told.
        other_form: That form in words, and what reads it.
        noted: Counts worth showing, by name.
        fault: What is wrong with rejected messages, in words, where that helps.
        bare: Whether readings came with neither time nor number.
    """

    topics: tuple[str, ...]
    hints: tuple[str, ...]
    other_form: str
    noted: Counter[str]
    bare: bool

    @property
    def fault(self) -> str | None:
        """Return what is wrong with rejected messages, where a word about it helps."""
        ...

    @property
    def counters(self) -> tuple[SequenceCheck, ...]:
        """Return what follows the sequence numbers, one for each topic."""
        ...

    @property
    def holding(self) -> bool:
        """Whether ``expire`` has something to give out soon."""
        ...

    def read(self, letter: Letter) -> list[Merged]:
        """Return the samples a message completes.

        Raises:
            Rejected: It can't be used, or is no news.
        """
        ...

    def expire(self, now_ns: int) -> list[Merged]:
        """Return what has waited long enough for the rest of its sample."""
        ...


class ChannelTopics:
    """One topic for each channel the rig maps: ``PREFIX/COLUMN``, in the rig's units."""

    fault = None
    other_form = "as SenML on the prefix itself; ?form=senml reads them"

    def __init__(self, prefix: str, rig_file: RigFile) -> None:
        self.noted: Counter[str] = Counter()
        self._time_factor = rig_file.time.factor
        self._with_time: bool | None = None
        self.bare = False
        self._merger = Merger()
        self._picks: dict[str, tuple[int, float, float, Freshness]] = {}
        for channel, mapped in rig_file.columns.items():
            # Adding minus nought changes nothing; nought would take the sign off a minus nought.
            self._picks[f"{prefix}/{mapped.column}"] = (
                ROW_NAMES.index(channel),
                mapped.factor,
                mapped.offset or -0.0,
                Freshness(channel),
            )
        self.topics = tuple(self._picks)
        self.hints: tuple[str, ...] = (prefix,)

    @property
    def counters(self) -> tuple[SequenceCheck, ...]:
        """One for each channel."""
        return tuple(pick[3].numbers for pick in self._picks.values())

    @property
    def holding(self) -> bool:
        """Whether a sample waits for more channels."""
        return self._merger.holding

    def read(self, letter: Letter) -> list[Merged]:
        """Return the samples a reading completes.

        Raises:
            Rejected: As ``read_payload`` and ``Freshness.judge``; or ``unknown topic``,
                ``retained``, ``with and without time``.
        """
        self.noted["messages"] += 1
        pick = self._picks.get(letter.topic)
        if pick is None:
            raise Rejected("unknown topic")
        if letter.retained:
            raise Rejected("retained")
        place, factor, offset, fresh = pick
        raw, time_s, number = read_payload(letter.payload, self._time_factor)
        if self._with_time is None:
            self._with_time = time_s is not None
        elif self._with_time != (time_s is not None):
            raise Rejected("with and without time")
        fresh.judge(time_s, number)
        value = raw * factor + offset
        if not -_INFINITE < value < _INFINITE:
            value = _NAN
        if time_s is None and number is None:
            self.bare = True
            if not fresh.may_be_news(value, letter.arrived_ns):
                self.noted[TOO_SOON] += 1
                return []
        skewed = self._merger.skewed
        rows = self._merger.add(place, value, time_s, letter.arrived_ns)
        self.noted["joined a newer sample"] += self._merger.skewed - skewed
        return rows

    def expire(self, now_ns: int) -> list[Merged]:
        """Return the sample that has waited long enough."""
        return self._merger.expire(now_ns)


class SenmlTopic:
    """SenML packs on one topic, the prefix itself."""

    holding = False
    other_form = "one topic a channel; ?form=channels reads them"

    def __init__(self, prefix: str, rig_file: RigFile) -> None:
        self.topics: tuple[str, ...] = (prefix,)
        columns = dict.fromkeys(mapped.column for mapped in rig_file.columns.values())
        self.hints: tuple[str, ...] = tuple(f"{prefix}/{column}" for column in columns)
        self.noted: Counter[str] = Counter()
        self._mapper = SenmlMapper(rig_file, prefix)
        self._fresh = Freshness()
        self.bare = False

    @property
    def fault(self) -> str | None:
        """What is wrong with packs rejected for units or names."""
        return self._mapper.fault

    @property
    def counters(self) -> tuple[SequenceCheck, ...]:
        """One for the packs."""
        return (self._fresh.numbers,)

    def read(self, letter: Letter) -> list[Merged]:
        """Return the samples in a pack.

        Raises:
            Rejected: As ``SenmlMapper.samples`` and ``Freshness.judge``; or ``retained``.
        """
        self.noted["messages"] += 1
        if letter.retained:
            raise Rejected("retained")
        found = resolve(letter.payload, letter.arrived_ns * 1e-9)
        number, readings = _numbered(found)
        rows = self._mapper.rows(readings)
        newest_s = rows[-1].time_s
        # Without absolute times each pack is as new as its arrival.
        dated = newest_s >= ABSOLUTE_FROM_S
        self._fresh.judge(newest_s if dated else None, number)
        self.bare = self.bare or (number is None and not dated)
        return [Merged(row, letter.arrived_ns) for row in rows]

    def expire(self, now_ns: int) -> list[Merged]:
        """Return nothing: a pack is whole."""
        del now_ns
        return []


def _numbered(found: list[Measurement]) -> tuple[int | None, list[Measurement]]:
    """Return a pack's number, where it has one, and its other measurements."""
    number: int | None = None
    readings = []
    for measurement in found:
        if measurement.name.rpartition(":")[2].rpartition("/")[2] != SEQUENCE:
            readings.append(measurement)
            continue
        value = measurement.value
        if number is not None or not isinstance(value, float) or not 0.0 <= value <= HIGHEST:
            raise Rejected("sequence")
        number = int(value)
    return number, readings
