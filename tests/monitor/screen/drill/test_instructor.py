"""An instructor at the keys: the class in sight, faults at will, marks, notes, lessons."""

import pytest

from monitor.attach.protocol import Command
from tests.kit.drill_looks import Seated, seated
from tests.kit.drill_script import FakeClass


def _sent(seat: Seated) -> list[Command]:
    return seat.drill.desk.sent


@pytest.mark.asyncio
@pytest.mark.parametrize("size", [(80, 24), (140, 40)], ids=str)
async def test_a_class_is_driven_paused_marked_and_rewound(size: tuple[int, int]) -> None:
    """Space begins, pauses and goes on; a rewind goes to a mark that there is."""
    drill = FakeClass(instructed=True)
    drill.link_for("ann")
    async with seated(drill, size, "") as seat:
        assert "WAITING" in await seat.look()
        assert "DRIVING" in await seat.press("space")
        assert "5.0 of 30 s" in await seat.drive(5.0)
        await seat.press("m")
        assert "first 5.0 s" in await seat.type("first")
        await seat.drive(5.0)
        assert "PAUSED" in await seat.press("space")
        assert "10.0 of 30 s" in await seat.drive(5.0)
        assert "Rewind everybody to the mark: first" in await seat.press("r")
        assert 'found "last", expected one of: start (0.0 s), first' in await seat.type("last")
        await seat.press("r")
        said = await seat.type("first")
        assert "5.0 of 30 s" in said
        assert "PAUSED" in said
        await seat.press("space")
        await seat.press("N")
        await seat.type("n")
        assert "DRIVING" in await seat.look()
        await seat.press("E")
        said = await seat.type("y")
        assert "OVER" in said
        assert "100" not in said  # nobody called anything
        assert "lesson 2 of 14" in await seat.press("N")
    assert [one.do for one in _sent(seat)] == [
        *("begin", "mark", "pause", "rewind", "go_on", "end_drill", "next")
    ]


@pytest.mark.asyncio
async def test_faults_are_injected_escalated_and_cleared() -> None:
    """By the list and a line; what can't be read is refused in words, and nothing is sent."""
    drill = FakeClass(None, instructed=True)
    drill.link_for("ann")
    async with seated(drill, (80, 24), "") as seat:
        assert "nothing" in await seat.press("e")
        await seat.press("space")
        await seat.drive(11.0)
        assert ">pump stop" in await seat.press("i")
        assert ">sensor offset" in await seat.press("down", "down", "down")
        for typed in ("", "a lot", "1 2 3", "0.5 1 nowhere", "-1"):
            await seat.press("enter")
            assert "not injected: found" in await seat.type(typed)
        assert _sent(seat) == [Command("begin")]
        await seat.press("enter")
        said = await seat.type("0.5 2 boost_kpa")
        assert _sent(seat)[-1] == Command(
            "inject", what="sensor_offset", amount=0.5, ramp_s=2.0, channel="boost_kpa"
        )
        assert "since 11.0 s" in said
        await seat.press("e")
        assert "not escalated" in await seat.type("more")
        await seat.press("e")
        await seat.type("0.8")
        assert _sent(seat)[-1] == Command("escalate", number=0, amount=0.8)
        await seat.press("x")
        assert _sent(seat)[-1] == Command("clear", number=0)
        assert "over, began 11.0 s" in await seat.look()
        assert "What is wrong" in await seat.press("i", "escape")


@pytest.mark.asyncio
async def test_faults_are_changed_while_a_drive_is_on() -> None:
    """Before it nothing of that is offered, nor behind it; what was to come then never came."""
    async with seated(FakeClass(instructed=True), alias="") as desk:
        said = await desk.look()
        assert "to come" in said
        for words in ("i inject", "e escalate", "x clear", "n note"):
            assert words not in said.splitlines()[-1]
        await desk.press("space")
        assert "i inject" in (await desk.drive(1.0)).splitlines()[-1]
        await desk.press("E")
        said = await desk.type("y")
        assert "never came" in said
        assert "i inject" not in said.splitlines()[-1]


@pytest.mark.asyncio
async def test_of_two_questions_at_once_the_later_is_asked() -> None:
    """Keys pressed faster than a question opens leave nothing half done behind."""
    async with seated(FakeClass(instructed=True), alias="") as desk:
        await desk.press("space")
        desk.app.action_note()  # type: ignore[union-attr]
        desk.app.action_rewind()  # type: ignore[union-attr]
        said = await desk.look()
        assert "Rewind everybody to the mark: start" in said
        assert "Note, for debriefs" not in said


@pytest.mark.asyncio
async def test_every_trainee_and_answer_is_in_sight() -> None:
    """Alias, call and when, act and when, guard, harm, score; and more than fit are counted."""
    drill = FakeClass(instructed=True)
    for i in range(16):
        drill.link_for(f"t{i}")
    async with seated(drill, (80, 24), "") as seat:
        await seat.press("space")
        await seat.drive(13.0)
        link = drill.rides["t1"].link
        link.send(Command("call", what="pump"))
        link.send(Command("act", what="cut_boost"))
        said = await seat.drive(0.5)
        (row,) = (line for line in said.splitlines() if "(t1)" in line)
        for words in ("13.0 s pump ", "13.0 s cut boost", " cut boost ", "4.0"):
            assert words in row
        assert "and 10 more" in said
        await seat.press("n")
        assert "13.5 s  watch the flow" in await seat.type("watch the flow")
        await seat.press("n")
        await seat.type("")
        await seat.press("E")
        said = await seat.type("y")
        (row,) = (line for line in said.splitlines() if "(t1)" in line)
        assert row.endswith(" 96")


@pytest.mark.asyncio
async def test_to_quit_asks_where_trainees_would_lose_their_class() -> None:
    """With somebody there a typed y ends it; d lets it go on; ctrl+c doesn't ask."""
    drill = FakeClass(instructed=True)
    async with seated(drill, alias="ann"), seated(drill, alias="") as desk:
        await desk.drive(1.0)
        assert "End the class for everybody" in await desk.press("q")
        await desk.press("escape")
        await desk.press("q")
        await desk.type("y")
        assert desk.app.return_value == "The class ended."
    async with seated(FakeClass(), alias="") as desk:
        await desk.press("d")
    assert desk.app.detached
    assert desk.app.return_value == "Left the class; it goes on."
    async with seated(FakeClass(), alias="") as desk:
        await desk.press("q")
    assert desk.app.return_value == "The class ended."


@pytest.mark.asyncio
async def test_a_class_that_is_gone_takes_no_commands() -> None:
    """It is told, and a key is answered with that."""
    drill = FakeClass(instructed=True)
    async with seated(drill, alias="") as seat:
        drill._obey(Command("stop"))
        assert "CLASS ENDED" in await seat.look()
        assert "nothing done: the class has ended" in await seat.press("space")
        assert "Whoever drives must not read" in await seat.press("question_mark")
        assert "Rewind" not in await seat.press("down", "question_mark")
    assert _sent(seat) == []
