"""Real brokers for tests: amqtt in a thread of its own, mosquitto where it is installed."""

import asyncio
import contextlib
import gc
import logging
import shutil
import socket
import subprocess
import threading
import time
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.kit.patience import PATIENCE_S


def free_port() -> int:
    """Return a TCP port that was free a moment ago."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


class AmqttBroker:
    """amqtt, started and stopped at will, always on the same port.

    Args:
        tls: Certificate and key files of the broker; None for plain TCP.
        may_read: First parts of topics that may be subscribed to; None for all.
        may_write: First parts of topics that may be published to; None for all.
    """

    def __init__(
        self,
        *,
        tls: tuple[Path, Path] | None = None,
        may_read: list[str] | None = None,
        may_write: list[str] | None = None,
    ) -> None:
        self.port = free_port()
        listener: dict[str, Any] = {"type": "tcp", "bind": f"127.0.0.1:{self.port}"}
        if tls is not None:
            listener |= {"ssl": True, "certfile": str(tls[0]), "keyfile": str(tls[1])}
        plugins = {
            "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True},
            "tests.kit.broker_rules.OnlyThese": {"may_read": may_read, "may_write": may_write},
        }
        self._config = {"listeners": {"default": listener}, "plugins": plugins}
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None

    def start(self) -> None:
        """Listen; returns once it does."""
        up = threading.Event()
        self._thread = threading.Thread(target=self._work, args=(up,), name="amqtt", daemon=True)
        self._thread.start()
        assert up.wait(PATIENCE_S)

    def stop(self) -> None:
        """Lose every connection and stop listening."""
        if self._thread is None or self._loop is None or self._stop is None:
            return
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive()
        self._thread = None

    def _work(self, up: threading.Event) -> None:
        from amqtt.broker import Broker

        logging.getLogger("amqtt").setLevel(logging.CRITICAL)
        logging.getLogger("transitions").setLevel(logging.CRITICAL)

        async def main() -> None:
            self._loop = asyncio.get_running_loop()
            self._stop = asyncio.Event()
            broker = Broker(self._config)
            await broker.start()
            up.set()
            await self._stop.wait()
            await broker.shutdown()

        asyncio.run(main())
        # amqtt leaves the sockets of clients it threw out to the garbage collector.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            gc.collect()


@contextlib.contextmanager
def amqtt_broker(**how: Any) -> Iterator[AmqttBroker]:
    """Run amqtt."""
    broker = AmqttBroker(**how)
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()


def mosquitto_path() -> str | None:
    """Return where mosquitto is; packages put it where only root's PATH looks."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


needs_mosquitto = pytest.mark.skipif(mosquitto_path() is None, reason="no mosquitto here")


@contextlib.contextmanager
def mosquitto_broker(folder: Path, *lines: str) -> Iterator[int]:
    """Run mosquitto with further lines of configuration; yield its port."""
    port = free_port()
    config = folder / "mosquitto.conf"
    base = [f"listener {port} 127.0.0.1", "set_tcp_nodelay true", "persistence false"]
    if not any(line.startswith("allow_anonymous") for line in lines):
        base.append("allow_anonymous true")
    if not any(line.startswith("user ") for line in lines):
        base.append("user root")  # it would become a user that can't read the folder
    config.write_text("\n".join([*base, *lines, ""]), encoding="utf-8")
    process = subprocess.Popen(
        [mosquitto_path() or "", "-c", str(config)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        wait_for_port(port)
        yield port
    finally:
        process.kill()
        process.wait()


def wait_for_port(port: int) -> None:
    """Wait until somebody listens."""
    deadline_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline_s:
        with (
            contextlib.suppress(OSError),
            socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S),
        ):
            return
    raise AssertionError("nobody listens")


class Publisher:
    """A logger's end: a plain blocking paho client on threads of its own."""

    def __init__(self, port: int) -> None:
        import paho.mqtt.client as paho
        from paho.mqtt.enums import CallbackAPIVersion

        self.port = port
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def __enter__(self) -> "Publisher":
        """Begin."""
        return self

    def __exit__(self, *_: object) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()

    def send(self, topic: str, payload: str | bytes, *, qos: int = 1, retain: bool = False) -> None:
        """Publish a message and wait until the broker has it."""
        self._client.publish(topic, payload, qos=qos, retain=retain).wait_for_publish(PATIENCE_S)

    def post(self, topic: str, payload: str | bytes) -> None:
        """Publish a message and wait for nothing."""
        self._client.publish(topic, payload, qos=0)

    def hear(self, topic: str) -> "Heard":
        """Subscribe, and return what will come."""
        heard = Heard(topic)
        done = threading.Event()
        self._client.message_callback_add(topic, lambda _, __, message: heard.take(message))
        self._client.on_subscribe = lambda *_: done.set()
        self._client.subscribe(topic, qos=1)
        assert done.wait(PATIENCE_S)
        return heard


class Heard:
    """What came on a topic.

    Attributes:
        messages: Payload and whether it was retained, in order.
    """

    def __init__(self, topic: str) -> None:
        self.topic = topic
        self.messages: list[tuple[bytes, bool]] = []
        self._news = threading.Condition()
        self._read = 0

    def take(self, message: Any) -> None:
        """Take a message (on the client's thread)."""
        with self._news:
            self.messages.append((message.payload, bool(message.retain)))
            self._news.notify_all()

    def wait_for(self, good: Callable[[bytes], bool], within_s: float = PATIENCE_S) -> bytes:
        """Return the first payload, old or new, that is good; it must come."""
        with self._news:
            assert self._news.wait_for(
                lambda: any(good(payload) for payload, _ in self.messages), within_s
            ), self.messages[-3:]
            return next(payload for payload, _ in self.messages if good(payload))

    def since_last_call(self, quiet_s: float) -> list[bytes]:
        """Return what came since the last call, once nothing has come for a while."""
        with self._news:
            while self._news.wait(quiet_s):
                pass
            new = [payload for payload, _ in self.messages[self._read :]]
            self._read = len(self.messages)
            return new
