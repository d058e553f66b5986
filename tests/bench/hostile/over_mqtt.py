"""Hostile acts over MQTT: nonsense, floods, retained lies, a broker that dies."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Final, NamedTuple

from tests.bench.hostile.stage import (
    BOOST_KPA,
    FLOW_ML_MIN,
    STAYS_S,
    Outcome,
    Stage,
    is_alive,
    peak_mb,
    stage,
)
from tests.kit.brokers import Publisher, mosquitto_broker
from tests.live.wires.test_mqtt_source import _listener

PREFIX: Final = "cars/one"
TERMINATIONS: Final = 20  # a signal that is lost is lost now and then
ENDS_S: Final = 2.0  # a guard that is told to end has ended
# A client of its own process, so that the flood doesn't starve the logger here.
FLOOD: Final = """
import socket, struct, sys, time
port, rate, seconds = int(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3])
topic, payload = sys.argv[4].encode(), sys.argv[5].encode() * int(sys.argv[6])
link = socket.create_connection(("127.0.0.1", port))
link.sendall(b"\\x10\\x11\\x00\\x04MQTT\\x04\\x02\\x00\\x00\\x00\\x05flood")
link.recv(4)
body = struct.pack(">H", len(topic)) + topic + payload
size, length = b"", len(body)
while True:
    length, low = divmod(length, 128)
    size += bytes([low | (128 if length else 0)])
    if not length:
        break
packet = b"\\x30" + size + body
start, sent = time.monotonic(), 0
while (now := time.monotonic() - start) < seconds:
    due = int(now * rate) + 1 - sent
    if due > 0:
        link.sendall(packet * due)
        sent += due
    time.sleep(0.002)
"""


class Telegraph:
    """A logger at a broker: both channels 50 times a second, with times and numbers."""

    def __init__(self, publisher: Publisher) -> None:
        self.flow_ml_min = FLOW_ML_MIN
        self.timed = True
        self.copies = 1
        self._publisher = publisher
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def _work(self) -> None:
        start_s, number = time.monotonic(), 0
        while not self._ended.wait(0.02):
            number += 1
            at_s = time.monotonic() - start_s
            values = {
                "boost_kpa": BOOST_KPA + 0.1 * (number % 7),
                "delivered_ml_min": self.flow_ml_min + 0.3 * (number % 11),
            }
            for column, value in values.items():
                payload = f"{value:.2f},{at_s:.4f},{number}" if self.timed else f"{value:.2f}"
                for _ in range(self.copies):
                    self._publisher.post(f"{PREFIX}/{column}", payload)

    def end(self) -> None:
        """Send no more."""
        self._ended.set()
        self._thread.join()


class Play(NamedTuple):
    """What an act over MQTT has at hand."""

    stage: Stage
    port: int
    publisher: Publisher
    telegraph: Telegraph


class MqttAct(NamedTuple):
    """A hostile act over MQTT; see ``Act``. Where ``wanted`` is empty, the output may do either."""

    name: str
    do: Callable[[Play], None]
    wanted: str
    within_s: float = 0.0
    timed: bool = True


def pour(
    port: int, rate: float, topic: str, payload: str, times: int = 1
) -> subprocess.Popen[bytes]:
    """Flood a broker from another process, for as long as an output is looked at."""
    place = (str(port), str(rate), str(STAYS_S))
    command = [sys.executable, "-c", FLOOD, *place, topic, payload, str(times)]
    return subprocess.Popen(command, stderr=subprocess.DEVNULL)


def flooded(rate: float, topic: str, payload: str, times: int = 1) -> Callable[[Play], None]:
    """Return an act that floods the broker."""

    def do(play: Play) -> None:
        pour(play.port, rate, topic, payload, times)

    return do


def nonsense(play: Play) -> None:
    """Publish what is no reading, on the very topics, without a pause."""
    with Publisher(play.port) as other:
        for i in range(400):
            for payload in (b"", b"\x00\xff", b"9" * 5000, b"1,2,3,4,5", b"{}"):
                other.post(f"{PREFIX}/delivered_ml_min", payload)
            other.post(f"{PREFIX}/{i}/deeper", b"x")
            time.sleep(0.005)


def doubled_dry(play: Play) -> None:
    """Let each message come twice, and no spray arrive."""
    play.telegraph.copies = 2
    play.telegraph.flow_ml_min = 0.0


ACTS: Final = (
    MqttAct("nonsense on the topics", nonsense, "stays held"),
    MqttAct("20,000 messages/s beside", flooded(20_000.0, f"{PREFIX}/noise", "1"), "stays held"),
    MqttAct(
        # Held or not: a broker that carries these carries little else.
        "messages of 60 MB",
        flooded(1.0, f"{PREFIX}/boost_kpa", "7" * 1000, 60_000),
        "",
    ),
    MqttAct(
        "broker killed",
        lambda p: os.kill(_listener(p.port), signal.SIGKILL),
        "released",
        0.95,
    ),
    MqttAct(
        "broker stopped", lambda p: os.kill(_listener(p.port), signal.SIGSTOP), "released", 0.95
    ),
    MqttAct("every message twice, no spray", doubled_dry, "released", 1.0),
    MqttAct("the same without times", doubled_dry, "released", 2.0, timed=False),
)


def act_out(act: MqttAct, folder: Path) -> Outcome:
    """Do an act to a guard at mosquitto."""
    with mosquitto_broker(folder) as port, Publisher(port) as publisher:
        telegraph = Telegraph(publisher)
        telegraph.timed = act.timed
        try:
            with stage(folder, source=f"mqtt://127.0.0.1:{port}/{PREFIX}") as made:
                at_s = time.monotonic()
                act.do(Play(made, port, publisher, telegraph))
                return made.outcome(at_s)
        finally:
            telegraph.end()


def retained_lies(folder: Path) -> Outcome:
    """Start a guard where only retained healthy readings are: nothing may ever be held."""
    with mosquitto_broker(folder) as port, Publisher(port) as publisher:
        for column, value in (("boost_kpa", BOOST_KPA), ("delivered_ml_min", FLOW_ML_MIN)):
            publisher.send(f"{PREFIX}/{column}", f"{value}", retain=True)
        source = f"mqtt://127.0.0.1:{port}/{PREFIX}"
        at_s = time.monotonic()
        with stage(folder, source=source, settled=False) as made:
            return made.outcome(at_s)


def terminated_in_floods(folder: Path) -> Outcome:
    """Send SIGTERM to one guard after another in a flood of 20,000 messages a second."""
    ended_s: list[float] = []
    most_mb = 0.0
    with mosquitto_broker(folder) as port:
        source = f"mqtt://127.0.0.1:{port}/{PREFIX}"
        for number in range(TERMINATIONS):
            home = folder / str(number)
            home.mkdir()
            with stage(home, source=source, settled=False) as made:
                flood = pour(port, 20_000.0, f"{PREFIX}/boost_kpa", "1")
                time.sleep(1.0)
                most_mb = max(most_mb, peak_mb(made.pid))
                at_s = time.monotonic()
                made.kill(signal.SIGTERM)
                while is_alive(made.pid) and time.monotonic() - at_s < STAYS_S:
                    time.sleep(0.002)
                ended_s.append(time.monotonic() - at_s)
                flood.kill()
                flood.wait()
    lost = sum(one_s >= STAYS_S for one_s in ended_s)
    said = (
        f"{TERMINATIONS - lost} of {TERMINATIONS} guards ended, half within {median(ended_s):.2f} s"
    )
    return Outcome("-", "still running" if lost else "ended", max(ended_s), said, most_mb)
