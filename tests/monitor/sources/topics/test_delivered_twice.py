"""MQTT readings with neither time nor number: told of, and what comes twice hides little."""

import asyncio
from collections.abc import Iterator
from functools import cache
from itertools import takewhile
from math import inf
from typing import Final

import pytest

from monitor.broker.fake import FakeBroker
from monitor.broker.link import Message, Post
from monitor.sources.align import Aligner
from monitor.sources.base import Arrival, Notice
from monitor.sources.lines.strict_numbers import Rejected
from monitor.sources.mqtt import BARE, MqttSource
from monitor.sources.topics.freshness import TOO_SOON_S
from monitor.sources.topics.merge import HOLD_S
from monitor.sources.topics.messages import ChannelTopics
from rules.channels import NOT_SENT, Sample
from rules.facts import Action
from rules.guard import Guard
from simulator.rig import rig_from_text
from simulator.scenario import load_scenario_and_rig
from tests.kit.drives import Driven
from tests.kit.patience import PATIENCE_S
from tests.kit.rig_text import SMALL

SCENARIO, RIG_FILE = load_scenario_and_rig("healthy_pulls")
PULL: Final = Driven("healthy_pulls", 3)
UNTIL_S: Final = 16.0
SMALL_RIG = rig_from_text(SMALL, "small.toml")
Sent = tuple[float, str, str]  # when it comes, s; payload; column


def delivered_twice(late_s: float, *, timed: bool, stops_s: float) -> list[Sent]:
    """Return a pull's messages and each of them once more; no spray flows from ``stops_s`` on."""
    found: list[Sent] = []
    for sample in takewhile(lambda one: one.time_s < UNTIL_S, PULL):
        for j, (name, mapped) in enumerate(RIG_FILE.columns.items()):
            value = getattr(sample, name)
            if value == NOT_SENT:
                continue
            if name == "delivered_ml_min" and sample.time_s >= stops_s:
                value = 0.0
            payload = repr((value - mapped.offset) / mapped.factor)
            payload += f",{sample.time_s!r}" if timed else ""
            at_s = sample.time_s + 1e-5 * j
            found += [(at_s, payload, mapped.column), (at_s + late_s, payload, mapped.column)]
    return sorted(found, key=lambda message: message[0])


def samples_of(messages: list[Sent]) -> Iterator[tuple[float, Sample]]:
    """Read messages as a source does, on a clock of our own; yield samples and when they came."""
    reader, due_s = ChannelTopics("p", RIG_FILE), None
    for at_s, payload, column in messages:
        if due_s is not None and at_s > due_s:
            yield from ((at_s, merged.sample) for merged in reader.expire(round(at_s * 1e9)))
            due_s = None
        message = Message(f"p/{column}", payload.encode(), False, round(at_s * 1e9))
        try:
            yield from ((at_s, merged.sample) for merged in reader.read(message))
        except Rejected:
            continue
        if reader.holding and due_s is None:
            due_s = at_s + HOLD_S


@cache
def acts_after(late_s: float, *, timed: bool, stops: bool = True) -> float | None:
    """Return how long after the spray stopped timing is pulled or boost cut; None where never."""
    guard, aligner = Guard(RIG_FILE.rig), Aligner()
    stops_s = next(s.time_s for s in PULL if s.boost_kpa > 150.0) if stops else inf
    for at_s, sample in samples_of(delivered_twice(late_s, timed=timed, stops_s=stops_s)):
        for row in aligner.admit(sample):
            if guard.step(row).action >= Action.PULL_TIMING:
                return at_s - stops_s
    return None


@pytest.mark.parametrize("late_s", [0.0, 2e-6, 0.001, 0.0061, 0.0537, 1.0, 1.0043, 3.0])
def test_what_is_delivered_twice_hides_no_loss(late_s: float) -> None:
    """Full flow from before, beside none: found about as soon as by times, however late."""
    timed_s, bare_s = acts_after(0.0, timed=True), acts_after(late_s, timed=False)
    assert timed_s is not None
    assert bare_s is not None
    assert bare_s <= timed_s + 2.0 * TOO_SOON_S


@pytest.mark.parametrize("late_s", [0.0, 0.0061])
def test_healthy_readings_delivered_twice_are_healthy(late_s: float) -> None:
    """That of two the worse counts, trips nothing."""
    assert acts_after(late_s, timed=False, stops=False) is None


async def told(form: str, posts: list[Post]) -> list[str]:
    """Return what a source says of messages, beside their readings."""
    broker = FakeBroker()
    source = MqttSource(f"mqtt://nowhere/car{form}", SMALL_RIG, broker.link)
    found: list[Arrival | Notice] = []
    async with source:
        for post in posts:
            broker.post(post)
        async with asyncio.timeout(PATIENCE_S):
            while sum(isinstance(item, Arrival) for item in found) < 2:
                found.append(await anext(source))
    return [item.text for item in found if isinstance(item, Notice)]


def pack(**more: float) -> Post:
    """Return a SenML pack of one reading."""
    head = "".join(f'"{key}":{value!r},' for key, value in more.items())
    return Post("car", f'[{{{head}"n":"boost_kpa","v":1}}]'.encode())


BOOST: Final = "car/boost_kpa"


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("form", "posts", "bare"),
    [
        ("", [Post(BOOST, b"%d" % i) for i in range(1, 9)], True),
        ("", [Post(BOOST, b"%d,%d" % (i, i)) for i in range(1, 9)], False),
        ("", [Post(BOOST, b"%d,,%d" % (i, i)) for i in range(1, 9)], False),
        ("?form=senml", [pack() for _ in range(4)], True),
        ("?form=senml", [pack(bt=1e9 + i) for i in range(4)], False),
    ],
)
async def test_readings_without_time_or_number_are_told_of_once(
    form: str, posts: list[Post], bare: bool
) -> None:
    """In either form; a time or a number is enough to be silent about."""
    assert sum(BARE in text for text in await told(form, posts)) == bare
