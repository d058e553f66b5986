"""Sending samples to a broker, paced, in either form: what a logger would do."""

import threading
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, Final

import msgspec

from monitor.broker.address import FORMS, Broker, broker_from
from monitor.broker.link import MOST_POSTS, Down, Heard, MqttLink, Post, Up
from monitor.clock import now_s
from monitor.sources.lines.sequence import HIGHEST
from rules.channels import NOT_SENT, Sample
from simulator.rig import RigFile
from simulator.strict import BadInput

PATIENCE_S: Final = 10.0
# RFC 8428 reads times below 2**28 as relative to now; a drive begins at 0 s.
BASE_S: Final = 1.0e9


def pack_of(sample: Sample, names: Sequence[str], number: int) -> bytes:
    """Return a sample as a SenML pack (RFC 8428), numbered by a record called ``sequence``.

    Names are the channels' own, values in the units those carry; JSON has no NaN, so a reading that
    is no number is the text ``nan``.
    """
    records: list[dict[str, Any]] = [
        {"bt": BASE_S + sample.time_s},
        {"n": "sequence", "v": float(number)},
    ]
    for name in names:
        value = getattr(sample, name)
        if value != NOT_SENT:
            records.append({"n": name, "v": value} if value == value else {"n": name, "vs": "nan"})
    return msgspec.json.encode(records)


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


def feed_broker(
    samples: Iterable[Sample],
    names: Sequence[str],
    rig_file: RigFile,
    address: str,
    speed: float,
) -> int:
    """Publish samples under the address's prefix, in its ``form``; return how many.

    Args:
        samples: In the order of time.
        names: Channels to send.
        rig_file: The rig that maps them.
        address: As ``broker_from`` reads it.
        speed: 1 is real time; 0 or infinite as fast as the broker takes them.

    Raises:
        BadInput: The address can't be used, or the broker isn't there or went away.
    """
    broker = broker_from(address, FORMS)
    posts_of: Callable[[Sample, int], Iterable[Post]]
    if broker.options["form"] == "channels":
        posts_of = ChannelPosts(broker, names, rig_file)
    else:
        # QoS 1, unlike a car's logger: a broker may forget what a client that has left sent.
        def posts_of(sample: Sample, number: int) -> Iterable[Post]:
            return (Post(broker.prefix, pack_of(sample, names, number), 1),)

    changed = threading.Event()
    state: list[Heard] = []

    def hear(heard: Heard) -> None:
        if isinstance(heard, Up | Down):
            state[:] = [heard]
            changed.set()

    link = MqttLink(broker, hear)
    link.start()
    waiter = threading.Event()
    count = 0
    start_s: float | None = None
    first_s = 0.0
    try:
        changed.wait(PATIENCE_S)
        for sample in samples:
            if start_s is None:
                start_s, first_s = now_s(), sample.time_s
            if 0.0 < speed < float("inf"):
                waiter.wait(max(0.0, start_s + (sample.time_s - first_s) / speed - now_s()))
            while link.waiting > MOST_POSTS // 2 and state and isinstance(state[0], Up):
                waiter.wait(0.002)
            if not state or not isinstance(state[0], Up):
                why = state[0].why if state and isinstance(state[0], Down) else "no answer"
                raise BadInput(
                    f"{broker.name}: lost after {count} samples ({why}), expected a broker that "
                    "lets us publish there"
                )
            for post in posts_of(sample, count):
                link.post(post)
            count += 1
        deadline_s = now_s() + PATIENCE_S
        while link.waiting and now_s() < deadline_s:
            waiter.wait(0.002)
    finally:
        link.stop()
        link.join(2.0)
    return count
