"""From messages to samples: one topic a channel, or SenML packs; what is old is left out."""

from abc import ABC, abstractmethod
from collections import Counter

from monitor.broker.link import Message
from monitor.sources.base import Arrival
from monitor.sources.lines.line_checks import OWN_SEQUENCE
from monitor.sources.lines.senml import ABSOLUTE_FROM_S, resolve
from monitor.sources.lines.senml_rows import SenmlMapper, short_name
from monitor.sources.lines.sequence import BAD_SEQUENCE, SequenceCheck
from monitor.sources.lines.strict_numbers import Rejected
from monitor.sources.topics.freshness import Freshness, read_payload
from monitor.sources.topics.merge import Merger
from rules.channels import ROW_NAMES
from simulator.rig import RigFile

_NAN = float("nan")
_INFINITE = float("inf")
TOO_SOON = "too soon, and no worse"  # than the one before, without time or number


class MessageReader(ABC):
    """Makes samples of messages.

    Attributes:
        topics: What to subscribe to.
        hints: Where readings would come in the other form; what comes there is only reported.
        other_form: That form in words, and what reads it.
        noted: Counts worth showing, by name.
        counters: What follows the sequence numbers, one for each topic.
        bare: Whether readings came with neither time nor number.
    """

    topics: tuple[str, ...]
    hints: tuple[str, ...]
    other_form: str
    counters: tuple[SequenceCheck, ...]

    def __init__(self) -> None:
        self.noted: Counter[str] = Counter()
        self.bare = False

    @property
    def fault(self) -> str | None:
        """Return what is wrong with rejected messages, where a word about it helps."""
        return None

    @property
    def holding(self) -> bool:
        """Return whether ``expire`` has something to give out soon."""
        return False

    @abstractmethod
    def read(self, message: Message) -> list[Arrival]:
        """Return the samples a message completes.

        Raises:
            Rejected: It can't be used, or is no news.
        """

    def expire(self, now_ns: int) -> list[Arrival]:
        """Return what has waited long enough for the rest of its sample."""
        del now_ns
        return []


class ChannelTopics(MessageReader):
    """One topic for each channel the rig maps: ``PREFIX/COLUMN``, in the rig's units."""

    other_form = "as SenML on the prefix itself; ?form=senml reads them"

    def __init__(self, prefix: str, rig_file: RigFile) -> None:
        super().__init__()
        self._time_factor = rig_file.time.factor
        self._with_time: bool | None = None
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
        self.hints = (prefix,)
        self.counters = tuple(pick[3].numbers for pick in self._picks.values())

    @property
    def holding(self) -> bool:
        """Whether a sample waits for more channels."""
        return self._merger.holding

    def read(self, message: Message) -> list[Arrival]:
        """Return the samples a reading completes.

        Raises:
            Rejected: As ``read_payload`` and ``Freshness.judge``; or ``unknown topic``,
                ``retained``, ``with and without time``.
        """
        self.noted["messages"] += 1
        pick = self._picks.get(message.topic)
        if pick is None:
            raise Rejected("unknown topic")
        if message.retained:
            raise Rejected("retained")
        place, factor, offset, fresh = pick
        raw, time_s, number = read_payload(message.payload, self._time_factor)
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
            if not fresh.may_be_news(value, message.arrived_ns):
                self.noted[TOO_SOON] += 1
                return []
        skewed = self._merger.skewed
        rows = self._merger.add(place, value, time_s, message.arrived_ns)
        self.noted["joined a newer sample"] += self._merger.skewed - skewed
        return rows

    def expire(self, now_ns: int) -> list[Arrival]:
        """Return the sample that has waited long enough."""
        return self._merger.expire(now_ns)


class SenmlTopic(MessageReader):
    """SenML packs on one topic, the prefix itself."""

    other_form = "one topic a channel; ?form=channels reads them"

    def __init__(self, prefix: str, rig_file: RigFile) -> None:
        super().__init__()
        self.topics = (prefix,)
        columns = dict.fromkeys(mapped.column for mapped in rig_file.columns.values())
        self.hints = tuple(f"{prefix}/{column}" for column in columns)
        self._mapper = SenmlMapper(rig_file, prefix)
        self._fresh = Freshness()
        self.counters = (self._fresh.numbers,)

    @property
    def fault(self) -> str | None:
        """What is wrong with packs rejected for units or names."""
        return self._mapper.fault

    def read(self, message: Message) -> list[Arrival]:
        """Return the samples in a pack.

        Raises:
            Rejected: As ``SenmlMapper.samples`` and ``Freshness.judge``; or ``retained``.
        """
        self.noted["messages"] += 1
        if message.retained:
            raise Rejected("retained")
        found = resolve(message.payload, message.arrived_ns * 1e-9)
        # A record of this name is the pack's number.
        numbers = [one.value for one in found if short_name(one.name) == OWN_SEQUENCE]
        if len(numbers) > 1:
            raise Rejected(BAD_SEQUENCE)
        rows = self._mapper.rows(one for one in found if short_name(one.name) != OWN_SEQUENCE)
        newest_s = rows[-1].time_s
        # Without absolute times each pack is as new as its arrival.
        dated = newest_s >= ABSOLUTE_FROM_S
        self._fresh.judge(newest_s if dated else None, numbers[0] if numbers else None)
        self.bare = self.bare or not (numbers or dated)
        return [Arrival(row, message.arrived_ns) for row in rows]
