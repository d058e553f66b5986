"""Every source there is, set up to be held to the contract."""

import json
import os
import socket
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from math import inf
from pathlib import Path
from unittest.mock import patch

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from monitor.broker.fake import FakeBroker
from monitor.broker.link import Post
from monitor.recorder import layout
from monitor.recorder.reader import SessionBlocks
from monitor.send.serial import LineFormat
from monitor.sources.base import Source
from monitor.sources.fake import HOLD, FakeSource
from monitor.sources.logs.csv_blocks import CsvBlocks
from monitor.sources.logs.table_blocks import TableBlocks
from monitor.sources.mqtt import MqttSource
from monitor.sources.recorded import RecordedSource
from monitor.sources.serial_line import SerialSource
from monitor.sources.simulated import SimulatedSource
from rules.channels import NOT_SENT, Sample
from simulator.logfile import LINE_END, header, line
from simulator.plant import run
from simulator.rig import rig_from_text
from simulator.scenario import scenario_from_text
from tests.kit.brokers import Publisher, amqtt_broker, mosquitto_broker, mosquitto_path
from tests.kit.patience import PATIENCE_S
from tests.kit.recordings import record
from tests.kit.rig_text import SMALL

RIG = rig_from_text(SMALL, "small.toml")
SENT_NAMES = ("boost_kpa", "delivered_ml_min", "lambda_ratio")  # lambda is no channel of this rig
SENT = [
    Sample(
        time_s=0.1 * i + 1e-9,
        boost_kpa=NOT_SENT if i % 5 == 3 else float("nan") if i % 7 == 6 else 100.0 / (i + 3),
        delivered_ml_min=5e-324 if i == 9 else -0.0 if i == 10 else i / 7.0,
        lambda_ratio=0.8,
    )
    for i in range(24)
]
EXPECTED = [sample._replace(lambda_ratio=NOT_SENT) for sample in SENT]
TEXT = "".join(
    f"{row}{LINE_END}" for row in (header(SENT_NAMES), *(line(s, SENT_NAMES) for s in SENT))
)
DRIVE = scenario_from_text(
    'name = "short"\nteaches = "Nothing."\nrig = "brindle"\n'
    '[[drive]]\ndo = "cruise"\nfor = "1 s"\n',
    "short.toml",
)


@dataclass
class Case:
    """A source to hold to the contract.

    Attributes:
        source: The source.
        expected: Samples it will give.
        ends: Whether iteration ends behind them.
        send: Called once the source has said that it is connected.
        headers: Header lines among what it will receive.
    """

    source: Source
    expected: list[Sample]
    ends: bool
    send: Callable[[], None] = lambda: None
    headers: int = 0


@contextmanager
def csv_log(folder: Path, speed: float) -> Iterator[Case]:
    """A recorded CSV log."""
    path = folder / "log.csv"
    path.write_text(TEXT, encoding="ascii", newline="")
    yield Case(RecordedSource(path, CsvBlocks(path, RIG), speed=speed), EXPECTED, True)


def table() -> pa.Table:
    """Return the samples as an Arrow table: null was not sent."""
    columns: dict[str, list[float | None]] = {"time_s": [sample.time_s for sample in SENT]}
    for name in SENT_NAMES:
        values = [getattr(sample, name) for sample in SENT]
        columns[name] = [None if value == NOT_SENT else value for value in values]
    return pa.table(columns)


@contextmanager
def parquet_log(folder: Path, speed: float) -> Iterator[Case]:
    """A Parquet log, in row groups of seven rows, read five at a time."""
    path = folder / "log.parquet"
    pq.write_table(table(), path, row_group_size=7)
    blocks = TableBlocks(path, RIG, block_rows=5)
    yield Case(RecordedSource(path, blocks, speed=speed), EXPECTED, True)


@contextmanager
def arrow_file(folder: Path, speed: float) -> Iterator[Case]:
    """An Arrow IPC file, in batches of nine rows, read five at a time."""
    path = folder / "log.arrow"
    with pa.OSFile(str(path), "wb") as file, pa.ipc.new_file(file, table().schema) as writer:
        writer.write_table(table(), max_chunksize=9)
    blocks = TableBlocks(path, RIG, block_rows=5)
    yield Case(RecordedSource(path, blocks, speed=speed), EXPECTED, True)


@contextmanager
def arrow_stream(folder: Path, speed: float) -> Iterator[Case]:
    """An Arrow IPC stream, in batches of two rows, read five at a time."""
    path = folder / "log.arrow"
    with pa.OSFile(str(path), "wb") as file, pa.ipc.new_stream(file, table().schema) as writer:
        writer.write_table(table(), max_chunksize=2)
    blocks = TableBlocks(path, RIG, block_rows=5)
    yield Case(RecordedSource(path, blocks, speed=speed), EXPECTED, True)


@contextmanager
def long_session(folder: Path, speed: float) -> Iterator[Case]:
    """A recorded session of several segments."""
    path = record(folder, SENT, RIG, segment_rows=5)
    assert len(layout.segments_of(path)) == 5
    yield Case(RecordedSource(path, SessionBlocks(path), speed=speed), EXPECTED, True)


@contextmanager
def session(folder: Path, speed: float) -> Iterator[Case]:
    """A recorded session."""
    path = record(folder, SENT, RIG)
    yield Case(RecordedSource(path, SessionBlocks(path), speed=speed), EXPECTED, True)


@contextmanager
def simulated(folder: Path, speed: float) -> Iterator[Case]:
    """The simulated car."""
    # Ten times the rate of the logs: slower still, so that it pauses as long.
    yield Case(SimulatedSource(DRIVE, seed=5, speed=speed / 20.0), list(run(DRIVE, 5)), True)


@contextmanager
def fake(folder: Path, speed: float) -> Iterator[Case]:
    """A script."""
    source = FakeSource([*SENT[:9], HOLD, *SENT[9:]], ends=speed == inf)
    yield Case(source, SENT, speed == inf, source.release)


@contextmanager
def feeder(send: Callable[[], None], stop: Callable[[], None]) -> Iterator[Callable[[], None]]:
    """A thread that sends when told to, so that the loop under test never writes."""
    go = threading.Event()

    def work() -> None:
        go.wait(PATIENCE_S)
        send()

    thread = threading.Thread(target=work, name="feeder")
    thread.start()
    try:
        yield go.set
    finally:
        go.set()
        thread.join()
        stop()


@contextmanager
def serial_pty(folder: Path, speed: float) -> Iterator[Case]:
    """A serial port: the reader's end of a pty pair."""
    with _pty(TEXT) as (url, send):
        yield Case(SerialSource(url, RIG), EXPECTED, False, send, headers=1)


@contextmanager
def serial_checked(folder: Path, speed: float) -> Iterator[Case]:
    """The same with sequence numbers and a CRC."""
    form = LineFormat(sequence=True, crc=True)
    lines = [form.line(sample, SENT_NAMES, i) for i, sample in enumerate(SENT)]
    with _pty(form.header(SENT_NAMES) + "".join(lines)) as (url, send):
        yield Case(SerialSource(url, RIG), EXPECTED, False, send, headers=1)


@contextmanager
def serial_senml(folder: Path, speed: float) -> Iterator[Case]:
    """The same in SenML packs, whose times are far from nought."""
    sent = [sample._replace(time_s=1e9 + i / 8.0) for i, sample in enumerate(SENT)]
    lines = [LineFormat(senml=True).line(sample, SENT_NAMES, 0) for sample in sent]
    expected = [sample._replace(lambda_ratio=NOT_SENT) for sample in sent]
    with _pty("".join(lines)) as (url, send):
        yield Case(SerialSource(url, RIG), expected, False, send)


@contextmanager
def _pty(text: str) -> Iterator[tuple[str, Callable[[], None]]]:
    """A tty's path, and what sends a text to it."""
    if sys.platform == "win32":
        pytest.skip("no pseudo-terminals here")
    master, slave = os.openpty()

    def stop() -> None:
        os.close(slave)
        os.close(master)

    with feeder(lambda: _write_all(master, text), stop) as send:
        yield os.ttyname(slave), send


def _write_all(fd: int, text: str) -> None:
    rest = text.encode()
    while rest:
        rest = rest[os.write(fd, rest) :]


@contextmanager
def serial_tcp(folder: Path, speed: float) -> Iterator[Case]:
    """A serial port over TCP."""
    server = socket.create_server(("127.0.0.1", 0))
    server.settimeout(PATIENCE_S)
    links: list[socket.socket] = []

    def send() -> None:
        links.append(server.accept()[0])
        links[0].sendall(TEXT.encode())

    def stop() -> None:
        for link in (*links, server):
            link.close()

    url = f"socket://127.0.0.1:{server.getsockname()[1]}"
    with feeder(send, stop) as started:
        yield Case(SerialSource(url, RIG), EXPECTED, False, started, headers=1)


PREFIX = "cars/one"
SENML_BASE_S = 1.7e9  # absolute times: RFC 8428 reads small ones as relative to now


def mqtt_messages() -> Iterator[Post]:
    """The same samples as messages, one topic a channel, numbered."""
    numbers = dict.fromkeys(RIG.columns, 0)
    for sample in EXPECTED:
        for name in RIG.columns:
            value = getattr(sample, name)
            if value != NOT_SENT:
                numbers[name] += 1
                payload = f"{value!r},{sample.time_s!r},{numbers[name]}"
                yield Post(f"{PREFIX}/{name}", payload.encode())


def mqtt_packs() -> Iterator[Post]:
    """The same samples as SenML packs, some channels of no rig among them."""
    for sample in SENT:
        records: list[dict[str, object]] = [{"bn": "unit7:", "bt": SENML_BASE_S + sample.time_s}]
        for name in SENT_NAMES:
            value = getattr(sample, name)
            if value != NOT_SENT:
                # JSON has no NaN: a reading that is no number is text.
                key = {"v": value} if value == value else {"vs": "nan"}
                records.append({"n": name, **key})
        yield Post(PREFIX, json.dumps(records).encode())


@contextmanager
def mqtt_fake(folder: Path, speed: float) -> Iterator[Case]:
    """One topic a channel, from the fake broker."""
    broker = FakeBroker()
    source = MqttSource(f"mqtt://nowhere/{PREFIX}", RIG, broker.link)

    def send() -> None:
        for post in mqtt_messages():
            broker.post(post)

    yield Case(source, EXPECTED, False, send)


@contextmanager
def _published(port: int, source: MqttSource, posts: Iterator[Post]) -> Iterator[Case]:
    # On a busy machine more than the hold time may pass between two channels of one sample.
    patient = (
        patch("monitor.sources.topics.merge.HOLD_S", 0.5),
        patch("monitor.sources.mqtt.HOLD_S", 0.5),
    )
    with patient[0], patient[1], Publisher(port) as publisher:

        def send() -> None:
            for post in posts:
                publisher.send(post.topic, post.payload)

        with feeder(send, lambda: None) as started:
            yield Case(source, EXPECTED, False, started)


@contextmanager
def mqtt_amqtt(folder: Path, speed: float) -> Iterator[Case]:
    """One topic a channel, from amqtt."""
    with amqtt_broker() as broker:
        source = MqttSource(f"mqtt://127.0.0.1:{broker.port}/{PREFIX}", RIG)
        with _published(broker.port, source, mqtt_messages()) as case:
            yield case


@contextmanager
def mqtt_senml(folder: Path, speed: float) -> Iterator[Case]:
    """SenML packs, from amqtt."""
    with amqtt_broker() as broker:
        source = MqttSource(f"mqtt://127.0.0.1:{broker.port}/{PREFIX}?form=senml", RIG)
        with _published(broker.port, source, mqtt_packs()) as case:
            case.expected = [s._replace(time_s=SENML_BASE_S + s.time_s) for s in EXPECTED]
            yield case


@contextmanager
def mqtt_mosquitto(folder: Path, speed: float) -> Iterator[Case]:
    """One topic a channel, from mosquitto."""
    if mosquitto_path() is None:
        pytest.skip("no mosquitto here")
    with mosquitto_broker(folder) as port:
        source = MqttSource(f"mqtt://127.0.0.1:{port}/{PREFIX}", RIG)
        with _published(port, source, mqtt_messages()) as case:
            yield case


CASES = {
    make.__name__: make
    for make in (
        *(csv_log, parquet_log, arrow_file, arrow_stream, session, long_session),
        *(simulated, fake, serial_pty, serial_checked, serial_senml, serial_tcp),
        *(mqtt_fake, mqtt_amqtt, mqtt_senml, mqtt_mosquitto),
    )
}
