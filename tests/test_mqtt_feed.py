"""Feeding a broker: what was sent is what is read, to the last bit; mistakes are one line."""

import asyncio
import json
from math import inf

import pytest

from monitor.mqtt.feeding import BASE_S, feed_broker, pack_of
from monitor.sources import Arrival
from monitor.sources.mqtt import MqttSource
from rules.channels import NOT_SENT, Sample
from simulator.logfile import mapped
from simulator.plant import run
from simulator.rig import find_rig, load_rig
from simulator.scenario import scenario_from_text
from simulator.strict import BadInput
from tests.brokers import amqtt_broker, free_port

DRIVE = scenario_from_text(
    'name = "short"\nteaches = "Nothing."\nrig = "brindle"\n'
    '[[drive]]\ndo = "pull"\nfor = "6 s"\ngear = 3\n',
    "short.toml",
)


@pytest.mark.asyncio
async def test_what_is_fed_is_read() -> None:
    """Every sample of a drive comes through a real broker, in order and unchanged."""
    sent = list(run(DRIVE, 3))
    names = mapped(DRIVE.rig)
    read: list[Sample] = []
    with amqtt_broker() as broker:
        address = f"mqtt://127.0.0.1:{broker.port}/cars/one"
        source = MqttSource(f"{address}?form=senml", load_rig(find_rig("brindle")))
        async with source, asyncio.timeout(30.0):
            feeding = asyncio.create_task(asyncio.to_thread(feed_broker, sent, names, address, inf))
            while len(read) < len(sent):
                item = await anext(source)
                if isinstance(item, Arrival):
                    read.append(item.sample)
            assert await feeding == len(sent)
    assert [s[1:] for s in read] == [s[1:] for s in sent]
    assert [s.time_s - BASE_S for s in read] == pytest.approx([s.time_s for s in sent], abs=2e-7)
    assert source.statistics.rejected.total() == 0


def test_a_pack_says_what_was_not_sent_and_what_is_no_number() -> None:
    """Not sent is left out; NaN is text, since JSON has none."""
    sample = Sample(2.0, boost_kpa=150.0, knock=float("nan"), intake_c=NOT_SENT)
    records = json.loads(pack_of(sample, ("boost_kpa", "intake_c", "knock"), 7))
    assert records == [
        {"bt": BASE_S + 2.0},
        {"n": "sequence", "v": 7.0},
        {"n": "boost_kpa", "v": 150.0},
        {"n": "knock", "vs": "nan"},
    ]


def test_a_broker_that_is_not_there_is_one_line() -> None:
    """Nothing is fed to nobody."""
    with pytest.raises(BadInput, match=r"lost after 0 samples \(nobody listens there\)"):
        feed_broker([Sample(0.0)], (), f"mqtt://127.0.0.1:{free_port()}/x", inf)
