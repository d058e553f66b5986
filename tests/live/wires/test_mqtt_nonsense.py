"""A broker that talks nonsense: a socket that speaks just enough MQTT 3.1.1, then garbage."""

import asyncio
import contextlib
import socket
import threading
from collections.abc import Iterator

import pytest

from monitor.sources.base import Arrival, Notice
from monitor.sources.mqtt import MqttSource
from simulator.strict import BadInput
from tests.kit.patience import PATIENCE_S
from tests.kit.source_cases import RIG

GRANT = 2  # topics of the small rig


def publish(topic: bytes, payload: bytes) -> bytes:
    """Return a PUBLISH packet (MQTT 3.1.1, section 3.3), QoS 0."""
    body = len(topic).to_bytes(2, "big") + topic + payload
    return bytes([0x30, len(body)]) + body


GOOD = publish(b"cars/one/delivered_ml_min", b"7,1.0,1")
NONSENSE = {
    "topic that is no text": publish(b"\xff\xfe\xfd", b"1"),
    "length beyond the packet": b"\x30\x05\x00\xffabc",
    "a packet type there is none of": b"\xf0\x00" * 4,
    "an endless length": b"\x30\xff\xff\xff\xff\xff",
    "a second greeting": b"\x20\x02\x00\x00",
    "an answer nobody asked for": b"\x90\x03\x33\x33\x00",
}


class OddBroker:
    """Lets everybody in; the first client gets nonsense, the next ones a good message."""

    def __init__(self, nonsense: bytes) -> None:
        self._nonsense = nonsense
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self._links: list[socket.socket] = []
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def _work(self) -> None:
        says = self._nonsense
        with contextlib.suppress(OSError):
            while True:
                link = self._server.accept()[0]
                self._links.append(link)
                link.settimeout(PATIENCE_S)
                link.recv(4096)
                link.sendall(b"\x20\x02\x00\x00")
                asked = link.recv(4096)
                link.sendall(b"\x90" + bytes([2 + GRANT]) + asked[2:4] + b"\x00" * GRANT)
                link.sendall(says)
                says = GOOD

    def close(self) -> None:
        """End it."""
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self._thread.join(PATIENCE_S)
        for link in self._links:
            link.close()


@pytest.fixture(params=NONSENSE)
def broker(request: pytest.FixtureRequest) -> Iterator[OddBroker]:
    """A broker for each kind of nonsense."""
    made = OddBroker(NONSENSE[request.param])
    yield made
    made.close()


@pytest.mark.asyncio
async def test_nonsense_is_survived(broker: OddBroker, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever comes, the source goes on: after the nonsense it reads a good message."""
    monkeypatch.setattr("monitor.broker.link.KEEPALIVE_S", 1)
    source = MqttSource(f"mqtt://127.0.0.1:{broker.port}/cars/one", RIG)
    kinds = []
    async with source, asyncio.timeout(PATIENCE_S):
        while not isinstance(item := await anext(source), Arrival):
            kinds.append(item.topic)
            assert isinstance(item, Notice)
    assert item.sample.delivered_ml_min == 7.0
    assert kinds in (["connected"], ["connected", "lost", "connected"])


@pytest.mark.asyncio
async def test_something_else_that_listens_is_bad_input(monkeypatch: pytest.MonkeyPatch) -> None:
    """A server of another kind, which greets in its own words, is one clear line."""
    monkeypatch.setattr("monitor.broker.link.ANSWER_S", 0.5)
    found = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as server:

        def greet() -> None:
            with server.accept()[0] as link:
                link.sendall(b"220 mail.example ready\r\n")
                found.wait(PATIENCE_S)

        thread = threading.Thread(target=greet, daemon=True)
        thread.start()
        with pytest.raises(BadInput, match="found a broker that can't be used"):
            async with MqttSource(f"mqtt://127.0.0.1:{server.getsockname()[1]}/x", RIG):
                raise AssertionError("opened")
        found.set()
        thread.join(PATIENCE_S)
