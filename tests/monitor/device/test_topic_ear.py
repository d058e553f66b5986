"""A device's heartbeat, state or message through a broker."""

import json

import pytest

from monitor.broker.address import broker_from
from monitor.broker.fake import FakeBroker
from monitor.broker.link import Down, Post
from monitor.clock import now_s
from monitor.device.base import HELD, RELEASED
from monitor.device.topic_ear import FORMS, TopicEar
from rules.facts import Action
from simulator.strict import BadInput

ALWAYS_S = float("inf")


def ear_at(broker: FakeBroker, form: str, silence_s: float = ALWAYS_S) -> TopicEar:
    """Return a listener that is open."""
    ear = TopicEar(broker_from(f"mqtt://h/car?form={form}", FORMS), silence_s, broker.link)
    ear.open()
    return ear


def heard(ear: TopicEar) -> list[Action]:
    """Return what it heard, change by change."""
    return [change.action for change in ear.heard.changes(now_s())]


def test_a_heartbeat_holds_and_lets_go() -> None:
    """As ``mqtt_beat`` sends it; the will is a bare 0, and nonsense is no hold."""
    broker = FakeBroker()
    ear = ear_at(broker, "beat")
    assert ear.name == "beat at car/hold of h:1883"
    for payload in (b"1,0.5,1", b"1,0.6,2", b"0,0.7,3", b"1,0.8,4", b"0", b"1,9,5", b"\xff" * 9000):
        broker.post(Post("car/hold", payload))
    assert heard(ear) == [HELD, RELEASED, HELD, RELEASED, HELD, RELEASED]
    ear.close()


def test_a_heartbeat_that_ends_lets_go() -> None:
    """Once the last beat has run out."""
    broker = FakeBroker()
    ear = ear_at(broker, "beat", 0.25)
    broker.post(Post("car/hold", b"1,0.5,1"))
    held, released = ear.heard.changes(ALWAYS_S)
    assert (held.action, released) == (HELD, (held.at_s + 0.25, RELEASED))


def test_a_state_tells_the_action() -> None:
    """As ``--publish`` sends it; what tells none, or is none, changes nothing."""
    broker = FakeBroker()
    broker.post(Post("car/state", b'{"action":"cut_boost"}', retain=True))  # an old one
    ear = ear_at(broker, "state")
    assert heard(ear) == []
    for word in ("no_action", "warn", None, "pull_timing", "pull_timing", "cut_boost", "sing"):
        broker.post(Post("car/state", json.dumps({"action": word, "other": [1]}).encode()))
    for odd in (b"", b"[]", b"\xff", b'{"action":{"x":1}}', b"[" * 100_000):
        broker.post(Post("car/state", odd))
    assert ear.tells_action
    assert heard(ear) == list(Action)


def test_a_message_is_an_answer_for_the_moment() -> None:
    """A device that says something only when it acts holds from the beginning."""
    broker = FakeBroker()
    ear = ear_at(broker, "message")
    for _ in range(2):
        broker.post(Post("car", b"anything"))
    assert heard(ear) == [HELD, *[RELEASED, HELD] * 2]


def test_a_broker_that_is_lost_is_a_fault() -> None:
    """At the beginning a refusal; later what was missed may have been the answer."""
    with pytest.raises(BadInput, match="--listen: beat at car/hold of h:1883: found nobody"):
        ear_at(FakeBroker("nobody listens there"), "beat")
    broker = FakeBroker()
    ear = ear_at(broker, "beat")
    assert ear.heard.fault == ""
    broker.restart()
    assert ear.heard.fault == "the connection was lost"
    ear._handle(Down("again"))
    assert ear.heard.fault == "again"
