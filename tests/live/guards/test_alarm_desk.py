"""The alarm list of a running guard: fed by decisions, worked by viewers, never acting."""

import asyncio
from pathlib import Path

import pytest

from monitor.attach.protocol import Command, Frame
from monitor.commands.alarms import alarms
from monitor.guard.alarm_desk import (
    COMMANDS,
    AlarmDesk,
    name_of,
    operation,
)
from rules.alarms.alarm import LONGEST_SHELF_S
from rules.step.state import Decision
from tests.kit.guards import frames_of, guard, until_bye
from tests.kit.recordings import noted
from tests.kit.rigs import Drive, healthy, rig
from tests.live.guards.test_process import only_session, order_for


def told(desk: AlarmDesk, decisions: list[Decision]) -> list[tuple[str, str, str]]:
    """Feed a desk; return what it told: alarm, before, after."""
    turns = [turn for decision in decisions for turn in desk.feed(decision)]
    return [(turn.alarm, turn.before, turn.after) for turn in turns]


def rings(desk: AlarmDesk) -> bool:
    """Whether the bell rings now."""
    return desk.sounding


def tripped() -> tuple[AlarmDesk, Drive]:
    """Return a desk and its drive after a shortfall that cut boost."""
    desk, drive = AlarmDesk(50.0), healthy(rig())
    told(desk, drive.run(1.0, share=0.0))
    return desk, drive


def test_crossing_the_onset_is_no_news() -> None:
    """Suppression by design comes and goes with boost and is not told."""
    desk, drive = AlarmDesk(50.0), Drive(rig())
    idle = {"boost_kpa": 0.0, "commanded_ml_min": 0.0}
    decisions = drive.run(1.0, **idle) + drive.run(2.0) + drive.run(1.0, **idle)
    assert told(desk, decisions) == []
    assert desk.standing() == []
    assert not rings(desk)


def test_a_trip_rings_until_acknowledged_and_latches_until_reset() -> None:
    """Acknowledge silences; reset is refused while the condition stands and works afterwards."""
    desk, drive = tripped()
    assert rings(desk)
    assert [(a.name, a.state, a.first_out) for a in desk.standing()] == [
        ("under_delivery", "unacknowledged", True)
    ]
    moved, refused = desk.obey(Command("acknowledge"), drive.time_s)
    assert [(turn.after, turn.who) for turn in moved] == [("acknowledged", "operator")]
    assert not rings(desk)
    _, refused = desk.obey(Command("reset"), drive.time_s)
    assert refused == ["reset under-delivery: refused, its condition is still there"]
    told(desk, drive.run(6.0, boost_kpa=0.0, commanded_ml_min=0.0))
    assert desk.standing()[0].state == "latched acknowledged"
    _, refused = desk.obey(Command("reset"), drive.time_s)
    assert refused == []
    assert desk.standing() == []


@pytest.mark.parametrize("do", COMMANDS)
def test_no_command_changes_what_is_done_to_the_engine(do: str) -> None:
    """Whatever an operator does at the desk, the decisions are the same to the last bit."""
    desk, drive = tripped()
    _, untouched = tripped()
    desk.obey(Command(do, alarm="under_delivery", for_s=600.0), drive.time_s)
    one, other = drive.run(1.0, share=0.0), untouched.run(1.0, share=0.0)
    told(desk, one)
    assert [repr(decision) for decision in one] == [repr(decision) for decision in other]
    assert one[-1].action == 3.0


def test_what_needs_a_name_says_so() -> None:
    """Shelving everything at once is not to be had."""
    desk, drive = tripped()
    assert desk.obey(Command("shelve", for_s=60.0), drive.time_s) == (
        [],
        ["shelve: found no alarm's name, expected one"],
    )
    assert any("10 min" in words for words in desk.rates(drive.time_s))


@pytest.mark.asyncio
async def test_alarms_are_worked_from_the_command_line_and_recorded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """``flowdebt alarms acknowledge`` reaches the running guard; the session keeps who and when."""
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))
    with guard(order_for(tmp_path, speed=1.5)) as (pid, link):
        async with link:
            async for frame in frames_of(link.messages()):
                if frame.alarms:
                    break
            code = await asyncio.to_thread(lambda: alarms("acknowledge", pid=pid))
            assert code == 0
            code = await asyncio.to_thread(lambda: alarms("shelve", "nonsense", pid=pid))
            assert code == 1
            code = await asyncio.to_thread(lambda: alarms("rates", pid=pid))
            assert code == 0
            last = await anext(frames_of(link.messages()))
            link.send(Command("stop"))
            await until_bye(link)
    out = capsys.readouterr()
    assert f"{'under-delivery':<36} acknowledged " in out.out
    assert "shelve nonsense: refused" in out.err
    assert "in 10 min" in out.out
    assert isinstance(last, Frame)
    assert (last.decision.action or 0.0) >= 2.0
    kept = [e for e in noted(only_session(tmp_path)) if e["kind"] == "alarm"]
    assert ("acknowledged", "operator") in [(e["after"], e["who"]) for e in kept]


def test_who_did_it_is_bounded_and_printable() -> None:
    """A name is cleaned and cut; an empty one is the operator; the shelf is told as granted."""
    desk, drive = tripped()
    odd = Command("shelve", alarm="under_delivery", for_s=1e9, who="\x1b]0;x\x07\u202e" + "W" * 55)
    moved, refused = desk.obey(odd, drive.time_s)
    done = operation(odd, drive.time_s, refused)
    assert moved[0].who == done.who == "]0;x" + "W" * 35 + "…"
    assert done.for_s == LONGEST_SHELF_S == desk.standing()[0].shelf_left_s
    assert name_of(Command("reset", who=" \n\x00")) == "operator"


def test_one_acknowledged_alarm_gives_no_release_while_another_that_acted_is_unseen() -> None:
    """All at once does; one by one the last does; a refused or unknown one never does."""
    desk, drive = AlarmDesk(50.0), healthy(rig(watch={}))
    told(desk, drive.run(2.0, share=0.0))
    names = [one.name for one in desk.standing() if one.priority != "low"]
    assert len(names) >= 2
    every = Command("acknowledge")
    assert desk.gives_release(every, [])
    nonsense = Command("acknowledge", alarm="nonsense")
    assert not desk.gives_release(nonsense, desk.obey(nonsense, drive.time_s)[1])
    gave = []
    for name in names:
        one = Command("acknowledge", alarm=name)
        gave.append(desk.gives_release(one, desk.obey(one, drive.time_s)[1]))
    assert gave == [False] * (len(names) - 1) + [True]
    again = Command("acknowledge", alarm=names[0])
    assert not desk.gives_release(again, desk.obey(again, drive.time_s)[1])
    assert not desk.gives_release(Command("reset"), [])
