"""Alarms from the keys to the record: a real guard, a real dashboard, and what a session keeps."""

import asyncio
import json
import sys
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs

from monitor.attach.client import ViewerLink
from monitor.attach.protocol import Command, Frame, Message, Operation, decode
from monitor.guard.process import Order
from monitor.recorder import layout
from monitor.recorder.index import sessions_in
from monitor.recorder.reader import SessionBlocks
from monitor.review.review import review
from monitor.screen.app import Dashboard
from monitor.words.lines import LineTalk
from rules.channels import OPERATOR
from tests.kit.alarm_script import HeardLink, Taken
from tests.kit.guards import SHORT_PUMP_STOP, guard, until_bye
from tests.kit.paths import ROOT
from tests.live.guards.test_process import only_session

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals and sockets")

BRINDLE = ROOT / "simulator" / "rigs" / "brindle.toml"
WHO = "Wren of bay 3"


@pytest.fixture(autouse=True)
def _own_runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))


def order_for(tmp_path: Path, speed: float, lift: str) -> Order:
    """Return an order for a pump stop and a lift, by a rig that waits for an acknowledgement."""
    text = BRINDLE.read_text(encoding="utf-8")
    asks = text.replace("acknowledge_to_release = false", "acknowledge_to_release = true")
    assert asks != text
    path = tmp_path / "asks.toml"
    path.write_text(asks, encoding="utf-8")
    scenario = tmp_path / "pump_stop_and_lift.toml"
    long = SHORT_PUMP_STOP.replace('"2 s"', f'"{lift}"')
    assert long != SHORT_PUMP_STOP
    scenario.write_text(long, encoding="utf-8")
    record = str(tmp_path / "sessions")
    return Order(f"sim:{scenario}", rig=str(path), speed=speed, record=record)


def notes(tmp_path: Path) -> list[dict[str, Any]]:
    """Return the lines of the one session's events.jsonl."""
    text = (only_session(tmp_path) / layout.EVENTS).read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


def acts(message: Message) -> bool:
    """Whether a frame says that timing is pulled or boost cut."""
    return isinstance(message, Frame) and (message.decision.action or 0.0) >= 2.0


def holds(message: Message) -> bool:
    """Whether a frame says that the engine is left alone, after the trip."""
    return isinstance(message, Frame) and message.decision.action == 0.0


def boost_kpa(message: Message) -> float:
    """Return the boost a frame tells; NaN where it tells none."""
    told = message.decision.boost_kpa if isinstance(message, Frame) else None
    return float("nan") if told is None else told


def state_of(message: Message, name: str) -> str:
    """Return the state a frame tells of an alarm."""
    alarms = message.alarms if isinstance(message, Frame) else []
    return next((str(one.state) for one in alarms if one.name == name), "")


@pytest.mark.asyncio
async def test_without_a_hand_the_action_stays(tmp_path: Path) -> None:
    """The other side of the next test: nobody acknowledges, so nothing is released to the end."""
    with guard(order_for(tmp_path, 0.0, "6 s")) as (_, link):
        async with link:
            _, frames, _ = await until_bye(link)
    assert frames
    assert review(only_session(tmp_path), None).reproduced is True
    assert any(acts(frame) for frame in frames)
    assert acts(frames[-1])
    assert [note for note in notes(tmp_path) if note["kind"] == "operator"] == []


@pytest.mark.asyncio
async def test_an_acknowledgement_by_key_releases_and_is_recorded(tmp_path: Path) -> None:
    """The key a, by name: the latch is released once boost is low; the session has who and when."""
    taken = Taken()
    lines: list[str] = []
    json_lines: list[str] = []
    talks = [
        LineTalk(lines.append, as_json=False, now_s=lambda: 0.0),
        LineTalk(json_lines.append, as_json=True, now_s=lambda: 0.0),
    ]
    with guard(order_for(tmp_path, 3.0, "300 s")) as (_, link):
        listener = asyncio.create_task(_listen(ViewerLink(link.endpoint), talks))
        app = Dashboard(lambda: HeardLink(link.endpoint, taken), owner=False, operator=WHO)
        async with app.run_test(size=(140, 40)) as pilot:
            # A later latch would ask for another hand: acknowledge once the driver has lifted.
            await taken.until(lambda m: acts(m) and boost_kpa(m) < 0.0)
            await pilot.press("a")
            done = await taken.until(lambda m: isinstance(m, Operation))
            assert isinstance(done, Operation)
            assert (done.who, done.do, done.refused) == (WHO, "acknowledge", [])
            await taken.until(holds)  # released: the same drive without a hand never is
            await pilot.press("l", "h", "enter")
            shelf = await taken.until(lambda m: isinstance(m, Operation))
            assert isinstance(shelf, Operation)
            assert (shelf.do, shelf.for_s) == ("shelve", 300.0)
            await taken.until(lambda m: state_of(m, shelf.alarm) == "shelved")
            await pilot.press("h")
            await taken.until(lambda m: isinstance(m, Operation) and m.do == "unshelve")
            await taken.until(lambda m: state_of(m, shelf.alarm) not in ("", "shelved"))
        async with link:
            link.send(Command("stop", who="Rook"))
            await until_bye(link)
        await listener
    kept = [note for note in notes(tmp_path) if note["kind"] == "operator"]
    assert [(note["who"], note["do"]) for note in kept] == [
        (WHO, "acknowledge"),
        (WHO, "shelve"),
        (WHO, "unshelve"),
        ("Rook", "stop"),
    ]
    assert kept[0]["time_s"] == done.time_s
    assert 4.5 < done.time_s < 60.0  # data time: after the pump stopped
    turns = [note for note in notes(tmp_path) if note["kind"] == "alarm" and note["who"]]
    assert {turn["who"] for turn in turns} == {WHO}
    session = only_session(tmp_path)
    rows = [row for block in SessionBlocks(session) for row in block.tolist()]
    assert sum(row[OPERATOR] for row in rows) == 1.0
    assert review(session, None).reproduced is True
    (entry,) = sessions_in(session.parent)
    assert entry.state == "complete"
    # Lines for people and for programs tell the same turns, by the same hand.
    told = [decode(line.encode()) for line in json_lines if '"kind": "operator"' in line]
    assert told[0] == done
    by_hand = [line for line in lines if WHO in line]
    assert f"{done.time_s:9.2f} s  {WHO}: acknowledge all" in by_hand
    assert any(line.endswith(f"-> acknowledged, by {WHO}") for line in by_hand)
    assert any("-> shelved, by" in line for line in by_hand)
    moved = [one for one in json_lines if '"kind": "alarm"' in one and WHO in one]
    mine = [one for one in told if isinstance(one, Operation) and one.who == WHO]
    assert len(by_hand) == len(mine) + len(moved)


async def _listen(link: ViewerLink, talks: list[LineTalk]) -> None:
    async with link:
        async for message in link.messages():
            for talk in talks:
                talk.handle(structs.replace(message))
