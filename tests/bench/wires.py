"""What the latency bench sends through: a pseudo-terminal, or a broker in a process of its own.

Each sender stamps a sample with the steady clock just before it sends it. Through a broker that is
hand-made MQTT 3.1.1 at QoS 0, so that no client's own delays are measured.
"""

import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final, NamedTuple

from tests.kit.brokers import free_port, mosquitto_broker, mosquitto_path, wait_for_port

NAMES: Final = (
    "engine_speed_rpm",
    "boost_kpa",
    "injector_duty_pct",
    "intake_c",
    "knock",
    "delivered_ml_min",
)
# SenML reads small times as relative to now; the bench takes this off again.
BASE_S: Final = 1.0e9

_PACE = """
import os, socket, struct, sys, time
{setup}
rate, seconds = float(sys.argv[2]), float(sys.argv[3])
start = time.monotonic()
n = int(rate * seconds)
for i in range(n):
    due = start + i / rate
    while (wait := due - time.monotonic()) > 0:
        time.sleep(wait if wait > 2e-4 else 0)
    noise = i % 7
    values = (5000 + noise, 150.0 + 0.1 * noise, 70.0, 35.0, 0, 700 + noise)
    {send}
print(n)
"""
_TTY = _PACE.format(
    setup=f'fd = int(sys.argv[1])\nos.write(fd, b"time_s,{",".join(NAMES)}\\n")',
    send='os.write(fd, b"%.6f,%d,%.1f,%.1f,%.1f,%d,%d\\n" % (time.monotonic(), *values))',
)
_MQTT = f"""
names = {tuple(name.encode() for name in NAMES)!r}
"""
_MQTT += """
link = socket.create_connection(("127.0.0.1", int(sys.argv[1])))
link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
link.sendall(b"\\x10\\x10\\x00\\x04MQTT\\x04\\x02\\x00\\x00\\x00\\x04send")
assert link.recv(4)[3] == 0
def packet(topic, payload):
    body = struct.pack(">H", len(topic)) + topic + payload
    size, length = b"", len(body)
    while True:
        length, low = divmod(length, 128)
        size += bytes([low | 128 * (length > 0)])
        if not length:
            return b"\\x30" + size + body
"""
_CHANNELS = _PACE.format(
    setup=_MQTT,
    send="now = time.monotonic(); link.sendall(b''.join("
    "packet(b'bench/' + name, b'%g,%.6f,%d' % (value, now, i))"
    " for name, value in zip(names, values)))",
)
_SENML = _PACE.format(
    setup=_MQTT,
    send="""records = b",".join(b'{"n":"%s","v":%g}' % pair for pair in zip(names, values))
    now = time.monotonic() + 1e9
    link.sendall(packet(b"bench", b'[{"bt":%.6f},{"n":"sequence","v":%d},%s]' % (now, i, records)))
""",
)
_AMQTT = """
import asyncio, logging, sys
from amqtt.broker import Broker
logging.disable(logging.CRITICAL)
async def main():
    broker = Broker({
        "listeners": {"default": {"type": "tcp", "bind": "127.0.0.1:" + sys.argv[1]}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    })
    await broker.start()
    await asyncio.Event().wait()
asyncio.run(main())
"""


class Wire(NamedTuple):
    """A way from sender to guard.

    Attributes:
        source: What the guard is told to read.
        send: Starts the sender with a rate (1/s) and for a time (s); it prints how many it sent.
    """

    source: str
    send: Callable[[float, float], "subprocess.Popen[str]"]


def _start(code: str, *words: object, fds: tuple[int, ...] = ()) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, words)],
        stdout=subprocess.PIPE,
        text=True,
        pass_fds=fds,
    )


@contextmanager
def tty_wire() -> Iterator[Wire]:
    """A pseudo-terminal."""
    import tty

    master, slave = os.openpty()
    tty.setraw(slave)

    def send(rate: float, seconds: float) -> "subprocess.Popen[str]":
        return _start(_TTY, master, rate, seconds, fds=(master,))

    try:
        yield Wire(os.ttyname(slave), send)
    finally:
        os.close(master)
        os.close(slave)


@contextmanager
def _amqtt() -> Iterator[int]:
    port = free_port()
    broker = _start(_AMQTT, port)
    try:
        wait_for_port(port)
        yield port
    finally:
        broker.kill()
        broker.communicate()


@contextmanager
def _mosquitto() -> Iterator[int]:
    with tempfile.TemporaryDirectory() as name, mosquitto_broker(Path(name)) as port:
        yield port


@contextmanager
def mqtt_wire(broker: str, form: str) -> Iterator[Wire]:
    """A broker: ``amqtt`` or ``mosquitto``; samples as ``channels`` or ``senml``."""
    code = _CHANNELS if form == "channels" else _SENML
    with _amqtt() if broker == "amqtt" else _mosquitto() as port:

        def send(rate: float, seconds: float) -> "subprocess.Popen[str]":
            return _start(code, port, rate, seconds)

        yield Wire(f"mqtt://127.0.0.1:{port}/bench?form={form}", send)


def brokers() -> tuple[str, ...]:
    """Return the brokers there are here."""
    return ("amqtt", "mosquitto") if mosquitto_path() else ("amqtt",)
