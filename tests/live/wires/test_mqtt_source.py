"""Samples from real brokers: restarts, repetitions, disorder, what was retained, what is denied."""

import asyncio
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.sources.base import Notice
from monitor.sources.mqtt import MqttSource
from simulator.strict import BadInput
from tests.kit.brokers import (
    AmqttBroker,
    Publisher,
    amqtt_broker,
    mosquitto_broker,
    mosquitto_path,
    needs_mosquitto,
)
from tests.kit.patience import until
from tests.kit.reading import next_notice, next_of, next_sample
from tests.kit.source_cases import RIG

BOOST, FLOW = "cars/one/boost_kpa", "cars/one/delivered_ml_min"


def source_at(port: int, more: str = "") -> MqttSource:
    """Return a source on this machine."""
    return MqttSource(f"mqtt://127.0.0.1:{port}/cars/one{more}", RIG)


def run(*words: object) -> None:
    """Run a tool to its end."""
    subprocess.run([*map(str, words)], check=True, capture_output=True)


@pytest.fixture(params=["amqtt", "mosquitto"])
def port(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[int]:
    """Each broker's port."""
    if request.param == "amqtt":
        with amqtt_broker() as broker:
            yield broker.port
    elif mosquitto_path() is None:
        pytest.skip("no mosquitto here")
    else:
        with mosquitto_broker(tmp_path) as mosquitto:
            yield mosquitto


@pytest.mark.asyncio
async def test_a_broker_that_restarts_is_found_again() -> None:
    """A lost broker is a notice; once it is back the source reads on, subscribed anew."""
    with amqtt_broker() as broker:
        async with source_at(broker.port) as source:
            assert "reading" in await next_notice(source, "connected")
            broker.stop()
            lost = await next_notice(source, "lost")
            assert lost.endswith("the connection was lost; trying again")
            broker.start()
            assert (await next_notice(source, "connected")).endswith("again")
            with Publisher(broker.port) as publisher:
                await asyncio.to_thread(publisher.send, FLOW, "12.5,1.0,1")
            assert (await next_sample(source)).delivered_ml_min == 12.5
        assert source.statistics.connects == 2


@pytest.mark.asyncio
async def test_what_comes_twice_or_late_is_counted_and_never_fresh(port: int) -> None:
    """Of numbers 1, 2, 2, 1, 5 three are news; one comes twice, one late, two never."""
    async with source_at(port) as source:
        await next_of(source)
        with Publisher(port) as publisher:
            for time_s, number in ((1.0, 1), (1.1, 2), (1.1, 2), (1.0, 1), (1.2, 5)):
                await asyncio.to_thread(publisher.send, FLOW, f"{number},{time_s},{number}")
            values = [(await next_sample(source)).delivered_ml_min for _ in range(3)]
    assert values == [1.0, 2.0, 5.0]
    assert source.statistics.rejected == {"repeated": 1, "out of order": 1}
    assert source.statistics.lost == 2


@pytest.mark.asyncio
async def test_what_was_retained_is_a_hint_and_never_a_reading(port: int) -> None:
    """A value from before we came is said and counted; only the live one after it is a sample."""
    with Publisher(port) as publisher:
        await asyncio.to_thread(publisher.send, BOOST, "150,1.0,1", retain=True)
        async with source_at(port) as source:
            assert "hint" in await next_notice(source, "hint")
            await asyncio.to_thread(publisher.send, BOOST, "20,2.0,2", retain=True)
            sample = await next_sample(source)
    assert (sample.boost_kpa, sample.time_s) == (20.0, 2.0)
    assert source.statistics.rejected == {"retained": 1}


@pytest.mark.asyncio
async def test_a_topic_the_broker_denies_is_bad_input() -> None:
    """An access list without our topics is one clear error that names them, and ends the link."""
    with amqtt_broker(may_read=["cars/two"]) as broker:
        with pytest.raises(BadInput, match="does not let us read cars/one/boost_kpa"):
            async with source_at(broker.port):
                raise AssertionError("opened")
        source = MqttSource(f"mqtt://127.0.0.1:{broker.port}/cars/two", RIG)
        async with source:
            assert isinstance(await next_of(source), Notice)


@pytest.mark.asyncio
@needs_mosquitto
async def test_a_wrong_login_is_bad_input_and_is_not_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without, with a wrong and with the right login; no message holds user or password."""
    users = tmp_path / "users"
    users.touch(mode=0o600)
    tool = shutil.which("mosquitto_passwd")
    if tool is None:
        pytest.skip("no mosquitto_passwd here")
    run(tool, "-b", users, "logger", "hunter two")
    lines = ("allow_anonymous false", f"password_file {users}")
    with mosquitto_broker(tmp_path, *lines) as port:
        with pytest.raises(BadInput, match="does not let us in"):
            async with source_at(port):
                raise AssertionError("opened")
        monkeypatch.setenv("FLOWDEBT_MQTT_USER", "logger")
        monkeypatch.setenv("FLOWDEBT_MQTT_PASSWORD", "swordfish")
        with pytest.raises(BadInput) as refused:
            async with source_at(port):
                raise AssertionError("opened")
        assert not {"logger", "swordfish"} & set(str(refused.value).replace(",", " ").split())
        login = tmp_path / "login.toml"
        login.write_text('user = "logger"\npassword = "hunter two"\n', encoding="utf-8")
        login.chmod(0o600)
        async with source_at(port, f"?login={login}") as source:
            first = await next_of(source)
            assert isinstance(first, Notice)
            assert "logger" not in first.text + source.name + repr(source)


@pytest.mark.asyncio
async def test_a_broker_that_is_not_there_is_bad_input() -> None:
    """A refused connection, and a name nobody has, each give one clear line; no thread is left."""
    before = set(threading.enumerate())
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    with pytest.raises(BadInput, match="nobody listens there"):
        async with source_at(port):
            raise AssertionError("opened")
    with pytest.raises(BadInput, match="no such host"):
        async with MqttSource("mqtt://no-such-host.invalid/x", RIG):
            raise AssertionError("opened")
    until(lambda: set(threading.enumerate()) <= before)


@pytest.mark.asyncio
async def test_a_broker_that_never_answers_is_bad_input(monkeypatch: pytest.MonkeyPatch) -> None:
    """Something that listens and says nothing is given up on."""
    monkeypatch.setattr("monitor.broker.link.ANSWER_S", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as server:
        with pytest.raises(BadInput, match="no answer"):
            async with source_at(server.getsockname()[1]):
                raise AssertionError("opened")
        server.accept()[0].close()


@pytest.mark.asyncio
@needs_mosquitto
@pytest.mark.skipif(sys.platform == "win32", reason="stops a process by a signal")
async def test_a_broker_that_freezes_is_found_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A broker that keeps the connection and does nothing is lost within twice the keepalive."""
    monkeypatch.setattr("monitor.broker.link.KEEPALIVE_S", 1)
    with mosquitto_broker(tmp_path) as port:
        async with source_at(port) as source:
            await next_of(source)
            pid = _listener(port)
            os.kill(pid, signal.SIGSTOP)
            try:
                assert "trying again" in await next_notice(source, "lost")
            finally:
                os.kill(pid, signal.SIGCONT)
            assert (await next_notice(source, "connected")).endswith("again")


def _listener(port: int) -> int:
    """Return the mosquitto that was told to listen there."""
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        words = path.read_bytes().split(b"\0") if path.exists() else []
        config = (
            Path(os.fsdecode(words[2])) if len(words) > 2 and b"mosquitto" in words[0] else None
        )
        if config is not None and config.exists() and f"listener {port} " in config.read_text():
            return int(path.parent.name)
    raise AssertionError("no mosquitto")


def certificates(folder: Path) -> dict[str, Path]:
    """Make an authority, a broker's certificate for 127.0.0.1, and one that nobody trusts."""
    made = {name: folder / name for name in ("ca.pem", "ca.key", "a.pem", "a.key", "csr", "ext")}
    made["ext"].write_text("subjectAltName=IP:127.0.0.1\n", encoding="ascii")

    new = ("openssl", "req", "-newkey", "rsa:2048", "-nodes", "-subj")
    authority = ("-x509", "-days", 2, "-keyout", made["ca.key"], "-out", made["ca.pem"])
    run(*new, "/CN=test authority", *authority)
    run(*new, "/CN=broker", "-keyout", made["a.key"], "-out", made["csr"])
    signed = ("-CA", made["ca.pem"], "-CAkey", made["ca.key"], "-CAcreateserial", "-days", 2)
    names = ("-extfile", made["ext"], "-out", made["a.pem"])
    run("openssl", "x509", "-req", "-in", made["csr"], *signed, *names)
    return made


@pytest.mark.asyncio
# paho leaves a socket whose handshake failed to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
async def test_encryption_checks_the_broker(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With our authority the broker is believed; without it, or without encryption, it is not."""
    if shutil.which("openssl") is None:
        pytest.skip("no openssl here")
    monkeypatch.setattr("monitor.broker.link.ANSWER_S", 0.5)
    made = certificates(tmp_path)
    with amqtt_broker(tls=(made["a.pem"], made["a.key"])) as broker:
        address = f"mqtts://127.0.0.1:{broker.port}/cars/one"
        async with MqttSource(f"{address}?ca={made['ca.pem']}", RIG) as source:
            first = await next_of(source)
            assert isinstance(first, Notice)
            assert first.text == f"reading {address}"
        with pytest.raises(BadInput, match="certificate is not trusted"):
            async with MqttSource(address, RIG):
                raise AssertionError("opened")
        with pytest.raises(BadInput, match="can't be used"):
            async with MqttSource(address.replace("mqtts", "mqtt"), RIG):
                raise AssertionError("opened")


def test_a_broker_object_is_reusable() -> None:
    """The test's own broker starts twice on one port, or the restart test proves nothing."""
    broker = AmqttBroker()
    for _ in range(2):
        broker.start()
        broker.stop()
