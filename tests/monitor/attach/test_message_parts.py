"""What messages hold: every field checked where a message comes in, and its name in JSON kept."""

import json
from math import inf, nan
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.attach.message_parts import (
    DecisionHead,
    EventFacts,
    Latency,
    Statistics,
)
from monitor.attach.protocol import Bye, Ending, EventTurn, Message, decode, encode
from monitor.source_facts import SourceStatistics
from rules.events import EventTracker, Turn
from rules.facts import Action
from rules.step.state import Decision
from tests.kit import drill_script
from tests.kit.decisions import altered
from tests.kit.rigs import Drive, healthy, rig, terms
from tests.kit.screen_messages import CAUSES, alarm, event, event_turn, frame, hello, output, rows

SAID: tuple[Message, ...] = (
    hello(events=[event()], outputs=[output()]),
    msgspec.structs.replace(
        frame("No action.", rows(17.0, 18.0), 20, causes=CAUSES),
        alarms=[alarm()],
        outputs=[output()],
    ),
    event_turn("raised", event()),
    *drill_script.said(),
)
_anything = st.none() | st.booleans() | st.integers() | st.text(max_size=3) | st.lists(st.none())


def test_a_head_is_the_leading_fields_of_a_decision() -> None:
    """Field by field, in order; what is not finite is not known."""
    run = healthy(rig()).run(1.0)
    decision = altered(run[-1], boost_ceiling_kpa=inf, delivered_ml_min=nan)
    head = msgspec.structs.asdict(DecisionHead.of(rig(), decision))
    assert tuple(head) == Decision.names()[: len(head)]
    assert Decision.names()[len(head)] == "level_under_delivery"
    assert head["boost_ceiling_kpa"] is head["delivered_ml_min"] is None
    known = {name: value for name, value in head.items() if value is not None}
    assert known == {name: getattr(decision, name) for name in known}
    assert len(known) > 20


@pytest.mark.parametrize("witness", ["line_kpa", "intake_c"])
def test_of_a_flow_sensor_that_is_not_there_nothing_is_told(witness: str) -> None:
    """What the rules would have learned of it is not known: no number stands there."""
    facts = rig(
        channels=terms("boost_kpa", "commanded_ml_min", witness),
        charge_sensor={"drop_k": 15.0, "rise_k": 33.0},
    )
    decision = Drive(facts).run(0.1, **{witness: 40.0})[-1]
    told = msgspec.json.decode(msgspec.json.encode(DecisionHead.of(facts, decision)))
    for name in ("gain", "noise", "noise_lasts_s", "surplus", "excess_ml", "learned_s"):
        assert getattr(decision, name) == getattr(decision, name)
        assert told[name] is None
    assert told["debt_s"] == told["evidence"] == 0.0


def test_an_event_is_told_whole() -> None:
    """With its steps, intervals, severity and what to check first."""
    drive = healthy(rig())
    tracker = EventTracker(drive.guard.rig)
    turns = [turn for d in drive.run(1.0, share=0.0) for turn in tracker.feed(d)]
    kind, raised = turns[0]
    facts = EventFacts.of(raised)
    told = decode(encode(EventTurn(kind, facts, facts.check_first)))
    assert told == EventTurn(Turn.RAISED, facts, raised.check_first)
    assert facts.level is raised.action is Action.CUT_BOOST
    assert [tuple(msgspec.structs.astuple(step)) for step in facts.steps] == raised.steps
    assert facts.fault_intervals is not None
    assert facts.fault_intervals.fhti_s == raised.intervals.handling_s


def test_counts_that_do_not_apply_are_left_out() -> None:
    """Of a guard that records and serves nothing; all others are there, nought or not."""
    latency = Latency(3, 0.1, 0.2, 0.3, 0.4)
    counts = Statistics(drift_ppm=1.0, decided=3, late=0, latency=latency)
    counts.take(SourceStatistics())
    facts = json.loads(encode(Bye(Ending.STOPPED, "told to", counts)))["statistics"]
    assert facts["received"] == 0
    assert facts["drift_ppm"] is None
    assert facts.keys().isdisjoint({"recorded", "viewers", "no_numbers", "noted", "alarm_rates"})


@pytest.mark.parametrize("message", SAID, ids=lambda message: type(message).__name__)
def test_a_message_comes_in_as_it_went_out(message: Message) -> None:
    """All the way down to structs."""
    assert decode(encode(message)) == message


def _places(found: Any) -> list[tuple[Any, ...]]:
    """Return the way to everything in JSON, by keys and indexes."""
    inner = found.items() if isinstance(found, dict) else enumerate(found)
    ways: list[tuple[Any, ...]] = []
    for key, one in inner:
        ways += [(key,), *((key, *way) for way in _places(one))] if _holds(one) else [(key,)]
    return ways


def _holds(found: Any) -> bool:
    return isinstance(found, dict | list)


@given(message=st.sampled_from(SAID), odd=_anything, data=st.data())
def test_nonsense_in_any_place_is_refused_or_of_the_right_kind(
    message: Message, odd: Any, data: st.DataObject
) -> None:
    """Whatever a line holds, what comes in has the types it says, or doesn't come in."""
    facts = json.loads(encode(message))
    path = data.draw(st.sampled_from(_places(facts)))
    holder = facts
    for key in path[:-1]:
        holder = holder[key]
    holder[path[-1]] = odd
    try:
        found = decode(json.dumps(facts).encode())
    except msgspec.MsgspecError:
        return
    assert decode(encode(found)) == found
