"""Sending samples to a broker, in either form: what a logger would do."""

import threading
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from typing import Final

from monitor.broker.address import FORMS, Broker, broker_from
from monitor.broker.link import MOST_POSTS, Down, LinkEvent, MqttLink, Post, Up
from monitor.clock import now_s
from monitor.send.paced import Lost, Target
from monitor.sources.lines.senml import pack_of
from monitor.sources.lines.sequence import HIGHEST
from rules.channels import NOT_SENT, Sample
from simulator.rig import RigFile

PATIENCE_S: Final = 10.0
POLL_S: Final = 0.002


def senml_posts(broker: Broker, names: Sequence[str]) -> Callable[[Sample, int], Iterator[Post]]:
    """Return what makes a sample's post in form ``senml``: a pack, numbered.

    QoS 1, unlike a car's logger: a broker may forget what a client that has left sent.
    """

    def posts(sample: Sample, number: int) -> Iterator[Post]:
        yield Post(broker.prefix, pack_of(sample, names, number).encode("ascii"), 1)

    return posts


class ChannelPosts:
    """Makes the posts of samples in form ``channels``: ``PREFIX/COLUMN``, in the rig's units.

    Args:
        broker: Where to.
        names: Channels to send.
        rig_file: The rig that maps them.
    """

    def __init__(self, broker: Broker, names: Sequence[str], rig_file: RigFile) -> None:
        self._time_factor = rig_file.time.factor
        self._columns = [
            (name, broker.topic(rig_file.columns[name].column), rig_file.columns[name])
            for name in names
        ]
        self._numbers: Counter[str] = Counter()

    def __call__(self, sample: Sample, number: int) -> Iterator[Post]:
        """Yield a sample's posts: ``VALUE,TIME,NUMBER``, numbered topic by topic."""
        del number
        time = sample.time_s / self._time_factor
        sent = [column for column in self._columns if getattr(sample, column[0]) != NOT_SENT]
        for name, topic, column in sent:
            raw = (getattr(sample, name) - column.offset) / column.factor
            payload = f"{raw!r},{time!r},{self._numbers[topic] & HIGHEST}"
            self._numbers[topic] += 1
            # One answer a sample keeps us at the broker's pace; one for each would halve it.
            yield Post(topic, payload.encode("ascii"), int(name == sent[-1][0]))


class BrokerTarget(Target):
    """A broker that takes samples under the address's prefix, in its ``form``.

    Args:
        names: Channels to send.
        rig_file: The rig that maps them.
        address: As ``broker_from`` reads it.

    Raises:
        BadInput: The address can't be used. (A broker that isn't there is told by ``send``.)
    """

    expected = "a broker that lets us publish there"

    def __init__(self, names: Sequence[str], rig_file: RigFile, address: str) -> None:
        broker = broker_from(address, FORMS)
        self.name = broker.name
        self._posts_of: Callable[[Sample, int], Iterator[Post]] = (
            ChannelPosts(broker, names, rig_file)
            if broker.options["form"] == "channels"
            else senml_posts(broker, names)
        )
        self._fault: str | None = "no answer"
        self._answered = threading.Event()
        self._waiter = threading.Event()
        self._link = MqttLink(broker, self._handle)
        self._link.start()
        self._answered.wait(PATIENCE_S)

    def send(self, sample: Sample, number: int) -> None:
        """Post a sample; wait where too many wait to be sent."""
        while self._link.waiting > MOST_POSTS // 2 and self._fault is None:
            self._waiter.wait(POLL_S)
        if self._fault is not None:
            raise Lost(self._fault)
        for post in self._posts_of(sample, number):
            self._link.post(post)

    def flush(self) -> None:
        """Wait until all has been sent, but not for ever."""
        deadline_s = now_s() + PATIENCE_S
        while self._link.waiting and now_s() < deadline_s:
            self._waiter.wait(POLL_S)

    def close(self) -> None:
        """Say goodbye."""
        self._link.stop()
        self._link.join(2.0)

    def _handle(self, event: LinkEvent) -> None:
        """Take what happens to the link, on its thread."""
        if isinstance(event, Up | Down):
            self._fault = event.why if isinstance(event, Down) else None
            self._answered.set()
