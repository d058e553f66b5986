"""What a broker sends is bounded before it is held: too long is thrown away, the rest goes on."""

import asyncio
import threading
import tracemalloc
from itertools import accumulate
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.broker.packets import AT_ONCE, MOST_BYTES, PacketReader
from monitor.sources.base import Arrival, Notice
from monitor.sources.mqtt import TOO_LONG, MqttSource
from simulator.rig import rig_from_text
from tests.kit.brokers import Publisher, amqtt_broker, mosquitto_broker, mosquitto_path
from tests.kit.patience import PATIENCE_S
from tests.kit.rig_text import SMALL

RIG = rig_from_text(SMALL, "small.toml")


def packet(length: int) -> bytes:
    """Return a packet with a body of that length."""
    head, left = bytearray([0x30]), length
    while True:
        left, low = divmod(left, 128)
        head.append(low | (0x80 if left else 0))
        if not left:
            return bytes(head) + bytes(i % 251 for i in range(length))


class Stream:
    """Bytes that come in pieces, with nothing there between two of them."""

    def __init__(self, data: bytes, cuts: list[int]) -> None:
        ends = [*(cut for cut in accumulate(cuts) if cut < len(data)), len(data)]
        self._pieces = [data[a:b] for a, b in zip([0, *ends], ends, strict=False)]
        self._blocked = False

    def __call__(self, size: int) -> bytes:
        """Read, as a socket does that doesn't wait."""
        if not self._pieces:
            return b""
        if not self._blocked and not self._pieces[0]:
            self._pieces.pop(0)
            raise BlockingIOError
        piece = self._pieces[0]
        self._pieces[0] = piece[size:]
        return piece[:size] or self(size)


def read_all(reader: PacketReader, sizes: list[int]) -> bytes:
    """Read to the end, asking for so many bytes in turn."""
    found, turn = b"", 0
    while True:
        try:
            data = reader(sizes[turn % len(sizes)])
        except BlockingIOError:
            continue
        finally:
            turn += 1
        if not data:
            return found
        found += data


@given(
    st.lists(st.sampled_from([0, 1, 2, 99, 100, 101, 127, 128, 300, 20_000]), max_size=8),
    st.lists(st.integers(1, 500), max_size=20),
    st.lists(st.integers(1, 300), min_size=1, max_size=5),
)
def test_packets_that_are_short_enough_come_through_whole(
    lengths: list[int], cuts: list[int], sizes: list[int]
) -> None:
    """In order and to the last byte, however the stream is cut; the others are told and gone."""
    told: list[int] = []
    stream = Stream(b"".join(map(packet, lengths)), cuts)
    found = read_all(PacketReader(stream, told.append, most=100), sizes)
    assert found == b"".join(packet(n) for n in lengths if n <= 100)
    assert told == [n for n in lengths if n > 100]


@given(st.binary(max_size=200), st.lists(st.integers(1, 50), max_size=5))
def test_any_bytes_are_read_to_their_end(data: bytes, cuts: list[int]) -> None:
    """Nonsense ends like anything else; nothing is made up."""
    found = read_all(PacketReader(Stream(data, cuts), lambda n: None, most=50), [1, 7])
    assert len(found) <= len(data)


def test_a_head_that_never_ends_is_passed_on() -> None:
    """The library knows what to say of it."""
    data = b"\x30\xff\xff\xff\xff\x7f"
    assert read_all(PacketReader(Stream(data, []), lambda n: None), [1])[:5] == data[:5]


def test_a_huge_packet_takes_no_memory() -> None:
    """200 MB, never more than a piece of it at once."""
    head, body = packet(200 << 20 >> 20)[:0] + b"\x30\x80\x80\x80\x64", [200 << 20]
    sent = [head]

    def receive(size: int) -> bytes:
        assert size <= AT_ONCE
        if sent[0]:
            given, sent[0] = sent[0][:size], sent[0][size:]
            return given
        size = min(size, body[0])
        body[0] -= size
        return bytes(size)

    told: list[int] = []
    reader = PacketReader(receive, told.append)
    tracemalloc.start()
    try:
        assert read_all(reader, [MOST_BYTES]) == b""
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert told == [200 << 20]
    assert body == [0]
    assert peak < 1 << 20


async def _next(source: MqttSource) -> Arrival | Notice:
    async with asyncio.timeout(PATIENCE_S):
        return await anext(source)


async def _readings_go_on(port: int) -> None:
    source = MqttSource(f"mqtt://127.0.0.1:{port}/car", RIG)
    async with source:
        assert isinstance(await _next(source), Notice)  # connected
        with Publisher(port) as publisher:

            def send() -> None:
                publisher.send("car/boost_kpa", b"1.0,1.0", qos=0)
                publisher.send("car/delivered_ml_min", b"9" * (8 << 20))
                publisher.send("car/boost_kpa", b"2.0,2.0")

            thread = threading.Thread(target=send)
            thread.start()
            found: list[Arrival | Notice] = []
            while sum(isinstance(item, Arrival) for item in found) < 2:
                found.append(await _next(source))
            thread.join()
    boosts = [item.sample.boost_kpa for item in found if isinstance(item, Arrival)]
    assert boosts == [1.0, 2.0]
    (told,) = [item for item in found if isinstance(item, Notice)]
    assert told.topic == "unusable"
    assert f"expected at most {MOST_BYTES}" in told.text
    assert source.statistics.rejected[TOO_LONG] == 1
    assert source.statistics.connects == 1


@pytest.mark.asyncio
async def test_readings_go_on_behind_a_message_that_is_too_long() -> None:
    """It is told once and counted; the connection stays."""
    with amqtt_broker() as broker:
        await _readings_go_on(broker.port)


@pytest.mark.asyncio
async def test_readings_go_on_with_mosquitto_too(tmp_path: Path) -> None:
    """The same with the other broker, where it is installed."""
    if mosquitto_path() is None:
        pytest.skip("no mosquitto here")
    with mosquitto_broker(tmp_path) as port:
        await _readings_go_on(port)
