"""A broker's messages as a source, without a network."""

import json
from typing import Any

import pytest

from monitor.broker.fake import FakeBroker
from monitor.broker.link import Post
from monitor.sources.mqtt import MqttSource
from simulator.strict import BadInput
from tests.kit.reading import next_notice, next_of, next_sample
from tests.kit.source_cases import RIG

BOOST, FLOW = "cars/one/boost_kpa", "cars/one/delivered_ml_min"


def pack(*records: dict[str, Any]) -> bytes:
    """Return SenML records as a pack."""
    return json.dumps(records).encode()


@pytest.mark.asyncio
async def test_packs_are_numbered_by_a_record_of_their_own() -> None:
    """A pack sent twice is a duplicate by its number; a wrong unit is said once, in words."""
    broker = FakeBroker()
    source = MqttSource("mqtt://nowhere/cars/one?form=senml", RIG, broker.link)
    flow = {"n": "delivered_ml_min", "v": 300.0}
    async with source:
        await next_of(source)
        for number in (7, 7, 8):
            broker.post(Post("cars/one", pack({"n": "sequence", "v": number}, flow)))
        bad = pack({"n": "boost_kpa", "u": "Cel", "v": 20.0})
        broker.post(Post("cars/one", bad))
        broker.post(Post("cars/one", bad))
        broker.post(Post("cars/one", b"nonsense"))
        samples = [await next_sample(source) for _ in range(2)]
        told = await next_notice(source, "header")
    assert [s.delivered_ml_min for s in samples] == [300.0, 300.0]
    assert source.statistics.rejected == {"repeated": 1, "unit": 2, "not SenML": 1}
    assert 'found unit "Cel"' in told


@pytest.mark.asyncio
async def test_garbage_on_a_topic_is_counted_by_reason() -> None:
    """What is no number, too long, or has a broken time or number of its own is never a reading."""
    broker = FakeBroker()
    source = MqttSource("mqtt://nowhere/cars/one", RIG, broker.link)
    payloads = {
        b"": "not a number",
        b"12 kPa": "not a number",
        b"1_0": "not a number",
        b"1,2,3,4": "number of fields",
        b"1,nan,3": "no usable time",
        b"1,-1e300,3": "no usable time",
        b"1,2,-3": "sequence",
        b"1,2,1e3": "sequence",
        b"1" * 200: "payload too long",
    }
    async with source:
        for payload in payloads:
            broker.post(Post(BOOST, payload))
        broker.post(Post(BOOST, b"1,2,3"))
        broker.post(Post(FLOW, b"7"))  # no time, where the other has one
        assert (await next_sample(source)).boost_kpa == 1.0
    reasons = [*payloads.values(), "with and without time"]
    assert source.statistics.rejected == {reason: reasons.count(reason) for reason in reasons}


@pytest.mark.asyncio
async def test_a_restart_of_the_fake_is_heard_like_a_real_one() -> None:
    """The fake loses its links and lets them in again: lost, then connected."""
    broker = FakeBroker()
    source = MqttSource("mqtt://nowhere/cars/one", RIG, broker.link)
    async with source:
        broker.restart()
        assert await next_notice(source, "lost")
        assert (await next_notice(source, "connected")).endswith("again")
    refusing = FakeBroker(refuses="the broker does not let us in")
    with pytest.raises(BadInput, match="does not let us in"):
        async with MqttSource("mqtt://nowhere/cars/one", RIG, refusing.link):
            raise AssertionError("opened")
