"""What a guard publishes: state, events, health, heartbeat; it never waits for a broker."""

import asyncio
import json
import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.attach.client import start_guard
from monitor.attach.listeners import ListenerFacts
from monitor.attach.protocol import Bye, Notice
from monitor.broker.fake import FakeBroker
from monitor.guard.process import Order, run_order
from monitor.outputs.publisher import Publisher as GuardPublisher
from rules.channels import Sample
from simulator.strict import BadInput
from tests.kit.brokers import (
    Heard,
    Publisher,
    amqtt_broker,
    free_port,
    mosquitto_broker,
    needs_mosquitto,
)
from tests.kit.guards import short_pump_stop
from tests.kit.listening import FakeGuard
from tests.kit.patience import PATIENCE_S
from tests.kit.rigs import Drive, rig
from tests.live.wires.test_mqtt_source import _listener

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")


@pytest.fixture(autouse=True)
def _own_runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))


@pytest.fixture
def listener() -> Iterator[Publisher]:
    """Somebody at amqtt, to listen."""
    with amqtt_broker() as broker, Publisher(broker.port) as client:
        yield client


def order_for(tmp_path: Path, port: int, speed: float = 20.0) -> Order:
    """Return an order to run the short pump stop and publish it."""
    scenario = short_pump_stop(tmp_path)
    return Order(f"sim:{scenario}", speed=speed, publish=f"mqtt://127.0.0.1:{port}/cars/one/guard")


def facts_of(heard: Heard) -> list[dict[str, Any]]:
    """Return what came, decoded."""
    return [json.loads(payload) for payload, _ in heard.messages]


def counts_up(facts: list[dict[str, Any]]) -> bool:
    """Whether sequence numbers rise by one, within one run; one may come twice (QoS 1)."""
    numbers = list(dict.fromkeys(f["sequence"] for f in facts))
    return numbers == list(range(numbers[0], numbers[0] + len(numbers))) and (
        len({f["run"] for f in facts}) == 1
    )


@pytest.mark.asyncio
async def test_a_pump_stop_is_published(tmp_path: Path, listener: Publisher) -> None:
    """Events in order, states up to cut, a heartbeat without a gap, an end at the end."""
    heard = {
        name: listener.hear(f"cars/one/guard/{name}")
        for name in ("state", "event", "alarm", "health", "heartbeat")
    }
    await run_order(order_for(tmp_path, listener.port))
    ended = heard["state"].wait_for(lambda payload: b'"ended"' in payload)
    assert json.loads(ended)["why"] == "source ended"
    for one in heard.values():
        one.wait_for(lambda _: True)  # each topic is on its own way
        assert counts_up(facts_of(one))
    turns = [f for f in facts_of(heard["event"]) if f["finding"] == "under_delivery"]
    assert [(f["turn"], f["action"]) for f in turns][:2] == [
        ("raised", "pull_timing"),
        ("worsened", "cut_boost"),
    ]
    states = [f for f in facts_of(heard["state"]) if f["state"] == "watching"]
    actions = list(dict.fromkeys(f["action"] for f in states))
    assert actions[:3] == ["no_action", "pull_timing", "cut_boost"]
    assert all("pull" in f["status"].lower() for f in states if f["action"] == "pull_timing")
    assert facts_of(heard["health"])[-1]["channels"]["boost_kpa"] == "healthy"
    assert any(f["after"] == "unacknowledged" for f in facts_of(heard["alarm"]))
    beats = [f["decided"] for f in facts_of(heard["heartbeat"])]
    assert beats == sorted(set(beats))


def test_a_newcomer_sees_the_state_and_a_killed_guard_is_gone(
    tmp_path: Path, listener: Publisher
) -> None:
    """The state is retained; kill -9 turns it into "gone", for newcomers too."""
    process, _ = start_guard(order_for(tmp_path, listener.port, speed=1.0))
    try:
        live = listener.hear("cars/one/guard/state")
        live.wait_for(lambda payload: b'"watching"' in payload)
        with Publisher(listener.port) as newcomer:
            seen = newcomer.hear("cars/one/guard/state")
            seen.wait_for(lambda payload: b'"watching"' in payload)
            assert seen.messages[0][1] is True
        os.kill(process.pid, signal.SIGKILL)
        live.wait_for(lambda payload: b'"gone"' in payload)
    finally:
        process.kill()
        process.wait()
    with Publisher(listener.port) as newcomer:
        late = newcomer.hear("cars/one/guard/state")
        late.wait_for(lambda payload: b'"gone"' in payload)
        assert late.messages[0][1] is True


@pytest.mark.asyncio
async def test_a_broker_that_is_not_there_costs_nothing(tmp_path: Path) -> None:
    """The guard starts, decides everything and ends on time; the missing broker is a notice."""
    told: list[Any] = []
    await run_order(order_for(tmp_path, free_port()), tell=told.append)
    bye = told[-1]
    assert isinstance(bye, Bye)
    assert bye.statistics.decided == 900
    notices = [m.text for m in told if isinstance(m, Notice) and m.topic == "publish"]
    assert len(notices) == 1
    assert notices[0].endswith("nobody listens there; trying again")


@pytest.mark.asyncio
@needs_mosquitto
async def test_a_frozen_broker_costs_no_decision(tmp_path: Path) -> None:
    """A broker stopped in the middle of a drive: every sample is decided meanwhile."""
    with mosquitto_broker(tmp_path) as port:
        pid = _listener(port)
        told: list[Any] = []

        def tell(message: Any) -> None:
            told.append(message)
            if isinstance(message, Notice) and "connected to" in message.text:
                os.kill(pid, signal.SIGSTOP)

        try:
            async with asyncio.timeout(PATIENCE_S):
                await run_order(order_for(tmp_path, port, speed=4.0), tell=tell)
        finally:
            os.kill(pid, signal.SIGCONT)
    assert any(isinstance(m, Notice) and "connected to" in m.text for m in told)
    bye = told[-1]
    assert bye.statistics.decided == 900


@pytest.mark.asyncio
async def test_a_broker_that_swallows_is_found_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An access list that forbids our topics says nothing; our own missing heartbeat does."""
    monkeypatch.setattr("monitor.outputs.publisher.NO_ECHO_S", 0.3)
    monkeypatch.setattr("monitor.outputs.publisher.SLOW_S", 0.1)
    with amqtt_broker(may_write=["cars/two"]) as broker:
        told: list[Any] = []
        await run_order(order_for(tmp_path, broker.port, speed=6.0), tell=told.append)
    texts = [m.text for m in told if isinstance(m, Notice) and m.topic == "publish"]
    assert any("our own heartbeat does not come back" in text for text in texts), texts


def test_without_decisions_there_is_no_heartbeat() -> None:
    """A guard that decides nothing new does not claim to be alive; NaN travels as null."""
    broker = FakeBroker()
    publisher = GuardPublisher("mqtt://nowhere/g", "fake", link=broker.link)
    guard = FakeGuard(rig())
    publisher.opened(guard)
    publisher.start()
    for _ in range(3):
        publisher.tick()
    assert broker.posts == []
    (decision,) = Drive(rig()).run(0.01, delivered_ml_min=float("nan"))
    publisher.decided(Sample(decision.time_s), decision)
    for _ in range(30):
        publisher.tick()
    topics = [post.topic for post in broker.posts]
    assert topics.count("g/heartbeat") == 1
    assert topics.count("g/health") == 1
    state = json.loads(next(p.payload for p in broker.posts if p.topic == "g/state"))
    assert state["delivered_ml_min"] is None
    assert state["action"] == "no_action"
    assert {(p.qos, p.retain) for p in broker.posts if p.topic == "g/state"} == {(1, True)}
    assert guard.reported[0] == "connected to mqtt://nowhere:1883/g"
    publisher.ending("test over")
    assert json.loads(broker.posts[-1].payload)["state"] == "ended"


def test_a_lost_link_is_said_once_and_its_will_done() -> None:
    """Lost: one notice, however often it is tried; the broker says "gone" for us."""
    broker = FakeBroker()
    publisher = GuardPublisher("mqtt://nowhere/g", "fake", link=broker.link)
    guard = FakeGuard(rig())
    publisher.opened(guard)
    publisher.start()
    publisher.tick()
    broker.refuses = "nobody listens there"
    broker.restart()
    broker.refuses = None
    publisher.tick()
    assert [json.loads(p.payload)["state"] for p in broker.posts] == ["gone"]
    assert len([text for text in guard.reported if "trying again" in text]) == 1


def test_how_publishing_stands_is_known_at_any_moment(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not yet there, there, lost and why, back, and passed on by nobody: all in one field."""
    now_s = [100.0]
    monkeypatch.setattr("monitor.outputs.publisher.now_s", lambda: now_s[0])
    broker = FakeBroker()
    publisher = GuardPublisher("mqtt://nowhere/g", "fake", link=broker.link)
    publisher.opened(FakeGuard(rig()))

    def fault() -> str | None:
        facts = ListenerFacts()
        publisher.enter(facts)
        (told,) = facts.publishing
        assert told.broker == "mqtt://nowhere:1883/g"
        return told.fault

    def decide(seconds: float) -> None:
        for _ in range(round(seconds / 0.1)):
            now_s[0] += 0.1
            for decision in Drive(rig()).run(0.01):
                publisher.decided(Sample(decision.time_s), decision)
            publisher.tick()

    assert fault() == "not connected yet"
    publisher.start()
    assert fault() is None
    decide(10.0)
    assert fault() is None
    broker.refuses = "nobody listens there"
    broker.restart()
    assert fault() == "nobody listens there"
    broker.refuses = None
    publisher.start()
    assert fault() is None
    now_s[0] += 60.0  # a source that says nothing for long: nothing was sent, so nothing is missed
    assert fault() is None
    monkeypatch.setattr(broker, "post", broker.posts.append)  # takes all and passes nothing on
    decide(2.5)
    assert fault() is None
    decide(1.0)
    assert fault() == "our own heartbeat does not come back"
    monkeypatch.undo()
    decide(0.2)
    assert fault() is None


def test_an_address_that_is_none_is_bad_input() -> None:
    """A slip in --publish is refused before anything starts."""
    with pytest.raises(BadInput, match="expected names between slashes"):
        GuardPublisher("mqtt://host", "fake")
