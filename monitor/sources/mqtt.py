"""Samples from a broker. The connection lives in a thread of its own: ``monitor.broker.link``."""

import asyncio
from collections.abc import Callable
from types import TracebackType
from typing import Final, Protocol, Self

from monitor.broker.address import FORMS, Broker, broker_from
from monitor.broker.link import Down, Hear, Heard, Letter, MqttLink, TooLong, Up
from monitor.broker.packets import MOST_BYTES
from monitor.clock import now_ns
from monitor.source_facts import SourceKind, SourceStatistics
from monitor.sources.base import Arrival, Notice
from monitor.sources.inbox import Inbox
from monitor.sources.lines.columns import Rejected
from monitor.sources.topics.merge import HOLD_S, Merged
from monitor.sources.topics.messages import ChannelTopics, LetterReader, SenmlTopic
from monitor.wake import Answer
from rules.step.state import Decision
from simulator.rig import RigFile
from simulator.strict import BadInput

OTHER_FORM: Final = "another form"
BARE: Final = (
    "readings come with neither time nor number: one delivered twice, or late, can't be told from "
    "news, and hides for as long what has changed (send a time or a number with each)"
)
TOO_LONG: Final = "message too long"


class Link(Protocol):
    """What a source needs of a link; ``MqttLink`` is one, ``fake.FakeLink`` another."""

    def start(self) -> None:
        """Begin to connect."""
        ...

    def stop(self) -> None:
        """End the connection."""
        ...

    def call_later(self, delay_s: float, function: Callable[[], None]) -> None:
        """Call a function on the link's thread, later."""
        ...


class LinkMaker(Protocol):
    """Makes a link that hears topics, and hints where the broker lets it."""

    def __call__(
        self, broker: Broker, hear: Hear, topics: tuple[str, ...], *, hints: tuple[str, ...]
    ) -> Link:
        """Make it."""
        ...


class MqttSource:
    """Readings a logger publishes under a prefix of its own.

    ``form=channels``: one topic a channel, ``PREFIX/COLUMN``, payload ``VALUE[,TIME[,NUMBER]]`` in
    the rig's units. ``form=senml``: packs on the topic ``PREFIX``, a record called ``sequence``
    numbers them. Messages in the other form are told of. What the broker retained from before, what
    comes twice and what comes out of order is counted and never used.

    A broker that can't be reached the first time, or refuses, is bad input; one that goes away
    later is tried again until it is back, and meanwhile silence is judged as silence.

    Args:
        address: See ``broker_from``.
        rig_file: The rig.
        link: Makes the link.
    """

    kind = SourceKind.LIVE

    def __init__(self, address: str, rig_file: RigFile, link: LinkMaker = MqttLink) -> None:
        broker = broker_from(address, FORMS)
        by_channel = broker.options["form"] == "channels"
        make: Callable[[str, RigFile], LetterReader] = ChannelTopics if by_channel else SenmlTopic
        self._reader = make(broker.prefix, rig_file)
        self._counters = self._reader.counters
        self.name = broker.name
        self.statistics = SourceStatistics(noted=self._reader.noted)
        self._link = link(broker, self._hear, self._reader.topics, hints=self._reader.hints)
        self._inbox: Inbox | None = None
        self._opened: Answer[str | None] | None = None
        self._connected = False
        self._told: set[str] = set()
        self._expiring = False

    async def __aenter__(self) -> Self:
        """Connect and subscribe.

        Raises:
            BadInput: The broker can't be reached, or does not let us in.
        """
        self._inbox = Inbox(self.statistics)
        self._opened = Answer()
        self._link.start()
        try:
            fault = await self._opened
        except asyncio.CancelledError:
            self._link.stop()
            raise
        if fault is not None:
            self._link.stop()
            self._inbox.close()
            raise BadInput(
                f"{self.name}: found a broker that can't be used ({fault}), expected one that "
                "answers and lets us read there"
            )
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Say goodbye to the broker; the link's thread ends by itself."""
        if self._opened is not None:
            self._link.stop()
        if self._inbox is not None:
            self._inbox.close()

    def __aiter__(self) -> Self:
        """Return itself."""
        return self

    async def __anext__(self) -> Arrival | Notice:
        """Return the next sample or notice."""
        if self._inbox is None:
            raise StopAsyncIteration
        return await self._inbox.get()

    def react(self, decision: Decision) -> None:
        """Do nothing: what is decided is published elsewhere (``monitor.outputs.publisher``)."""

    # --- on the link's thread -----------------------------------------------------------------

    def _hear(self, heard: Heard) -> None:
        if isinstance(heard, Letter):
            self._read(heard)
            return
        if isinstance(heard, TooLong):
            self._leave_out(heard)
            return
        fault = heard.why if isinstance(heard, Down) else None
        self._answer(fault)
        if isinstance(heard, Up):
            again = " again" * (self.statistics.connects > 0)
            self.statistics.connects += 1
            self._connected = True
            self._put([Notice("connected", f"reading {self.name}{again}")])
        elif self._connected:
            self._connected = False
            self._put([Notice("lost", f"{self.name}: {fault}; trying again")])

    def _answer(self, fault: str | None) -> None:
        if self._opened is not None:
            self._opened.say(fault)

    def _read(self, letter: Letter) -> None:
        if letter.topic in self._reader.hints:
            self._tell_other_form(letter)
            return
        try:
            merged = self._reader.read(letter)
        except Rejected as rejected:
            self.statistics.received += 1
            self.statistics.rejected[rejected.reason] += 1
            self._say_once(rejected.reason, letter)
            return
        if self._reader.bare and BARE not in self._told:
            self._told.add(BARE)
            self._put([Notice("sequence", f"{self.name}: {BARE}")])
        self.statistics.lost = sum(counter.lost for counter in self._counters)
        self._give(merged)
        if self._reader.holding and not self._expiring:
            self._expiring = True
            self._link.call_later(HOLD_S, self._expire)

    def _say_once(self, reason: str, letter: Letter) -> None:
        fault = self._reader.fault
        if reason == "retained":
            text = f"{self.name}: what the broker kept from before is a hint, no reading: not used"
            topic = "hint"
        elif fault is not None:
            text, topic = fault, "header"
        else:
            return
        if text not in self._told and len(self._told) < 20:
            self._told.add(text)
            self._put([Notice(topic, text)])

    def _leave_out(self, message: TooLong) -> None:
        self.statistics.received += 1
        self.statistics.rejected[TOO_LONG] += 1
        if TOO_LONG not in self._told:
            self._told.add(TOO_LONG)
            text = (
                f"{self.name}: found a message of {message.length} bytes, expected at most "
                f"{MOST_BYTES}: thrown away, as others so long will be"
            )
            self._put([Notice("unusable", text)])

    def _tell_other_form(self, letter: Letter) -> None:
        if letter.retained or self.statistics.decoded:  # old; or a logger that sends both
            return
        self.statistics.received += 1
        self.statistics.rejected[OTHER_FORM] += 1
        text = f"{self.name}: messages come in another form, {self._reader.other_form}"
        if text not in self._told:
            self._told.add(text)
            self._put([Notice("header", text)])

    def _expire(self) -> None:
        self._expiring = False
        self._give(self._reader.expire(now_ns()))
        if self._reader.holding:
            self._expiring = True
            self._link.call_later(HOLD_S, self._expire)

    def _give(self, merged: list[Merged]) -> None:
        if merged:
            self.statistics.received += len(merged)
            self.statistics.decoded += len(merged)
            self._put([Arrival(sample, arrived_ns) for sample, arrived_ns in merged])

    def _put(self, items: list[Arrival | Notice]) -> None:
        if self._inbox is not None:
            self._inbox.put_from_thread(items)
