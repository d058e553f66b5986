"""Samples from a broker. The connection lives in a thread of its own: ``monitor.broker.link``."""

from collections.abc import Callable
from typing import Final

from monitor.broker.address import FORMS, broker_from
from monitor.broker.link import Down, LinkEvent, LinkMaker, Message, MqttLink, TooLong, Up
from monitor.broker.packets import MOST_BYTES
from monitor.clock import now_ns
from monitor.source_facts import SourceStatistics
from monitor.sources.base import Arrival, Notice
from monitor.sources.fed import FedSource
from monitor.sources.lines.strict_numbers import Rejected
from monitor.sources.topics.merge import HOLD_S
from monitor.sources.topics.messages import ChannelTopics, MessageReader, SenmlTopic
from simulator.rig import RigFile

OTHER_FORM: Final = "another form"
BARE: Final = (
    "readings come with neither time nor number: one delivered twice, or late, can't be told from "
    "news, and hides for as long what has changed (send a time or a number with each)"
)
TOO_LONG: Final = "message too long"
MOST_FAULTS: Final = 20  # reported: garbage may look like ever new faults


class MqttSource(FedSource):
    """Readings a logger publishes under a prefix of its own.

    ``form=channels``: one topic a channel, ``PREFIX/COLUMN``, payload ``VALUE[,TIME[,NUMBER]]`` in
    the rig's units. ``form=senml``: packs on the topic ``PREFIX``, a record called ``sequence``
    numbers them. Messages in the other form are reported. What the broker retained from before,
    what comes twice and what comes out of order is counted and never used.

    A broker that refuses the first time is bad input too; one that goes away later is tried again
    until it is back, and meanwhile silence is judged as silence.

    Args:
        address: See ``broker_from``.
        rig_file: The rig.
        link: Makes the link.
    """

    unusable = "a broker that can't be used"
    expected = "one that answers and lets us read there"

    def __init__(self, address: str, rig_file: RigFile, link: LinkMaker = MqttLink) -> None:
        broker = broker_from(address, FORMS)
        by_channel = broker.options["form"] == "channels"
        make: Callable[[str, RigFile], MessageReader] = ChannelTopics if by_channel else SenmlTopic
        self._reader = make(broker.prefix, rig_file)
        super().__init__(broker.name, SourceStatistics(noted=self._reader.noted))
        self._link = link(broker, self._handle, self._reader.topics, hints=self._reader.hints)
        self._reported: set[str] = set()
        self._expiring = False

    def _start(self) -> None:
        self._link.start()

    def _stop(self) -> None:
        self._link.stop()

    # --- on the link's thread -----------------------------------------------------------------

    def _handle(self, event: LinkEvent) -> None:
        match event:
            case Message():
                self._read(event)
            case TooLong():
                self._leave_out(event)
            case Up():
                self._connected()
            case Down():
                self._lost(event.why)

    def _read(self, message: Message) -> None:
        if message.topic in self._reader.hints:
            self._report_other_form(message)
            return
        try:
            merged = self._reader.read(message)
        except Rejected as rejected:
            self._reject(rejected.reason)
            self._report_rejected(rejected.reason)
            return
        if self._reader.bare:
            self._report_once("sequence", BARE)
        self.statistics.lost = sum(counter.lost for counter in self._reader.counters)
        self._give(merged)

    def _report_rejected(self, reason: str) -> None:
        fault, reported = self._reader.fault, self._reported
        if reason == "retained":
            words = "what the broker kept from before is a hint, no reading: not used"
            self._report_once("hint", words)
        elif fault is not None and fault not in reported and len(reported) < MOST_FAULTS:
            reported.add(fault)
            self._put([Notice("header", fault)])

    def _leave_out(self, message: TooLong) -> None:
        self._reject(TOO_LONG)
        words = f"found a message of {message.length} bytes, expected at most {MOST_BYTES}"
        self._report_once("unusable", f"{words}: thrown away, as others so long will be", TOO_LONG)

    def _report_other_form(self, message: Message) -> None:
        if message.retained or self.statistics.decoded:  # old; or a logger that sends both
            return
        self._reject(OTHER_FORM)
        words = f"messages come in another form, {self._reader.other_form}"
        self._report_once("header", words)

    def _reject(self, reason: str) -> None:
        self.statistics.received += 1
        self.statistics.rejected[reason] += 1

    def _report_once(self, kind: str, words: str, about: str = "") -> None:
        """Report a thing once, whatever its details: what it is ``about``, or else its words."""
        if (about or words) not in self._reported:
            self._reported.add(about or words)
            self._put([Notice(kind, f"{self.name}: {words}")])

    def _expire(self) -> None:
        self._expiring = False
        self._give(self._reader.expire(now_ns()))

    def _give(self, merged: list[Arrival]) -> None:
        if merged:
            self.statistics.received += len(merged)
            self.statistics.decoded += len(merged)
            self._put(merged)
        if self._reader.holding and not self._expiring:
            self._expiring = True
            self._link.call_later(HOLD_S, self._expire)
