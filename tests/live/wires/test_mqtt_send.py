"""Feeding a broker: what was sent is what is read, to the last bit; mistakes are one line."""

import asyncio
import threading
from collections.abc import Iterable, Iterator, Sequence
from math import inf

import pytest

from monitor.broker.fake import FakeBroker
from monitor.broker.link import Post
from monitor.send.broker import BrokerTarget
from monitor.send.paced import send_paced
from monitor.sources.base import Arrival, Notice
from monitor.sources.lines.senml import ABSOLUTE_FROM_S
from monitor.sources.mqtt import MqttSource
from rules.channels import NOT_SENT, Sample
from simulator.logfile import mapped
from simulator.plant import run
from simulator.rig import RigFile, find_rig, load_rig
from simulator.scenario import scenario_from_text
from simulator.strict import BadInput
from tests.kit.brokers import amqtt_broker, free_port
from tests.kit.patience import PATIENCE_S

BRINDLE = load_rig(find_rig("brindle"))


DRIVE = scenario_from_text(
    'name = "short"\nteaches = "Nothing."\nrig = "brindle"\n'
    '[[drive]]\ndo = "pull"\nfor = "6 s"\ngear = 3\n',
    "short.toml",
)


def staying(samples: Iterable[Sample], all_read: threading.Event) -> Iterator[Sample]:
    """Yield samples, and stay until they are read.

    amqtt acknowledges a message before it hands it on, and forgets what a client that leaves has
    sent meanwhile: the last samples of a feed would now and then not come.
    """
    yield from samples
    all_read.wait(PATIENCE_S)


def feed(samples: Iterable[Sample], names: Sequence[str], rig_file: RigFile, address: str) -> int:
    """Send samples as fast as the broker takes them."""
    return send_paced(samples, BrokerTarget(names, rig_file, address), inf)


@pytest.mark.asyncio
async def test_what_is_fed_is_read() -> None:
    """Every sample of a drive comes through a real broker, in order and unchanged."""
    sent = list(run(DRIVE, 3))
    names = mapped(DRIVE.rig)
    read: list[Sample] = []
    all_read = threading.Event()
    with amqtt_broker() as broker:
        asked = f"mqtt://127.0.0.1:{broker.port}/cars/one?form=senml"
        source = MqttSource(asked, BRINDLE)
        async with source, asyncio.timeout(PATIENCE_S):
            # Subscribed first: a broker keeps nothing for who comes later.
            told = await anext(source)
            assert isinstance(told, Notice)
            assert told.topic == "connected"
            feeding = asyncio.create_task(
                asyncio.to_thread(feed, staying(sent, all_read), names, BRINDLE, asked)
            )
            while len(read) < len(sent):
                item = await anext(source)
                if isinstance(item, Arrival):
                    read.append(item.sample)
            all_read.set()
            assert await feeding == len(sent)
    assert [s[1:] for s in read] == [s[1:] for s in sent]
    began_s = 2.0 * ABSOLUTE_FROM_S  # a drive's times alone would read as relative
    assert [s.time_s - began_s for s in read] == pytest.approx([s.time_s for s in sent], abs=2e-7)
    assert source.statistics.rejected.total() == 0


@pytest.mark.asyncio
async def test_the_defaults_of_feeding_and_reading_match() -> None:
    """Without a form both mean one topic a channel, in a rig's own columns and units."""
    rig_file = load_rig(find_rig("tarnwick"))
    sent = list(run(DRIVE, 3))[:200]
    names = [name for name in mapped(rig_file.rig) if name in mapped(DRIVE.rig)]
    read: list[Sample] = []
    all_read = threading.Event()
    with amqtt_broker() as broker:
        asked = f"mqtt://127.0.0.1:{broker.port}/cars/one"
        source = MqttSource(asked, rig_file)
        async with source, asyncio.timeout(PATIENCE_S):
            assert isinstance(await anext(source), Notice)  # subscribed
            feeding = asyncio.create_task(
                asyncio.to_thread(feed, staying(sent, all_read), names, rig_file, asked)
            )
            while not read or read[-1].time_s < sent[-1].time_s - 1e-9:
                item = await anext(source)
                if isinstance(item, Arrival):
                    read.append(item.sample)
            all_read.set()
            assert await feeding == len(sent)
    assert source.statistics.rejected.total() == source.statistics.lost == 0
    by_time = {round(sample.time_s, 6): sample for sample in sent}
    for sample in read:
        original = by_time[round(sample.time_s, 6)]
        for name in names:
            value = getattr(sample, name)
            if value != NOT_SENT:
                assert value == pytest.approx(getattr(original, name), rel=1e-9, abs=1e-9)


@pytest.mark.asyncio
@pytest.mark.parametrize(("reads", "comes"), [("channels", "senml"), ("senml", "channels")])
async def test_readings_in_the_other_form_are_told_once(reads: str, comes: str) -> None:
    """Whoever reads the wrong form hears which one comes and how to ask for it."""
    broker = FakeBroker()
    source = MqttSource(f"mqtt://x/cars/one?form={reads}", BRINDLE, broker.link)
    topic = "cars/one" if comes == "senml" else "cars/one/boost_kpa"
    async with source:
        assert isinstance(await anext(source), Notice)
        for _ in range(3):
            broker.post(Post(topic, b"1"))
        told = await anext(source)
        assert isinstance(told, Notice)
        assert "messages come in another form" in told.text
        assert f"?form={comes} reads them" in told.text
        assert source.statistics.rejected == {"another form": 3}


def test_a_broker_that_is_not_there_is_one_line() -> None:
    """Nothing is fed to nobody."""
    with pytest.raises(BadInput, match=r"lost after 0 samples \(nobody listens there\)"):
        feed([Sample(0.0)], (), BRINDLE, f"mqtt://127.0.0.1:{free_port()}/x")
