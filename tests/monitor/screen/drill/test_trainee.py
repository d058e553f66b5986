"""A trainee at the keys: brief, drive, call, act, debrief; nothing betrays the fault before."""

import pytest

from monitor.attach.protocol import Command
from monitor.screen.drill.trainee import TraineeDashboard
from simulator.drill.words import Failsafe
from tests.kit.drill_looks import Look, seated, shown, sized_looks
from tests.kit.drill_script import ONSET_S, FakeClass
from tests.kit.paths import kept_screen
from tests.kit.screen_messages import alarm

ANEW = "python -m tests.kit.screens writes it anew"


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("look", "size"), sized_looks(), ids=[f"{look.name}-{size[0]}" for look, size in sized_looks()]
)
async def test_it_looks_as_when_last_read(look: Look, size: tuple[int, int]) -> None:
    """Every kept screen says its words, and looks as it did."""
    text = await shown(look, size)
    for words in look.words:
        assert words in text, words
    for words in look.never:
        assert words not in text, words
    assert kept_screen(look.name, size).read_text(encoding="utf-8") == text, ANEW


@pytest.mark.asyncio
async def test_a_right_call_early_and_a_lift_spare_the_engine() -> None:
    """Begin, see it, lift and call: the debrief says right, when, and that nothing was harmed."""
    drill = FakeClass(helped=Failsafe.OFF, shows=())
    async with seated(drill) as seat:
        assert "READY   space begins" in await seat.look()
        assert "NO FAILSAFE" in await seat.press("space")
        said = await seat.drive(ONSET_S + 0.5)
        assert "line         100 kPa" in said  # what tells of the spray is in sight
        assert "supply      13.5 V" in said
        assert "you: lift" in await seat.press("4")
        assert "Call it: press its letter" in await seat.press("space")
        said = await seat.press("b")
        assert "called 12.5 s: pump, its voltage or its pressure" in said
        assert "press its letter" not in said
        said = await seat.drive(20.0)
        assert "Called: pump, its voltage or its pressure (right)." in said
        assert "96 of 100" in said
        assert "the guard would have warned" in said
        assert "What can be called" not in await seat.press("tab")
    assert drill.rides["ann"].link.sent == [
        Command("begin", who="ann"),
        Command("act", what="lift", who="ann"),
        Command("call", what="pump", who="ann"),
    ]
    assert seat.app.last_line() == (  # type: ignore[union-attr]
        "Three pulls on the hill road: 96 of 100. It was: the pump stops, from 12.0 s on."
    )


@pytest.mark.asyncio
async def test_a_wrong_call_is_told_with_the_right_one_and_may_be_changed_before() -> None:
    """The newest call counts; the debrief says what was right."""
    async with seated(FakeClass()) as seat:
        await seat.press("space")
        await seat.drive(13.0)
        await seat.press("space", "b")
        said = await seat.press("space", "d")
        assert "called 13.0 s: split line: spray goes" in said
        said = await seat.drive(20.0)
        assert "Called: split line: spray goes elsewhere (wrong; right: pump," in said


@pytest.mark.asyncio
async def test_whoever_calls_nothing_is_told_that() -> None:
    """No call and no act: harm as nobody's, and no points for a call."""
    async with seated(FakeClass(helped=Failsafe.OFF)) as seat:
        await seat.press("space")
        said = await seat.drive(30.0)
        assert "Nothing was called; right: pump, its voltage or its pressure." in said
        assert " 0 of 100" in said


@pytest.mark.asyncio
async def test_a_false_alarm_is_called_so() -> None:
    """Nothing is wrong, and to call that is right; the debrief has no onset."""
    async with seated(FakeClass(None)) as seat:
        await seat.press("space")
        await seat.drive(13.0)
        await seat.press("space", "a")
        said = await seat.drive(20.0)
        assert "Nothing was wrong." in said
        assert "Called: nothing is wrong (right)." in said
        assert "it began" not in said


@pytest.mark.asyncio
async def test_a_rewind_begins_a_new_picture_and_takes_later_answers_back() -> None:
    """What was shown after the mark is gone, the drive is paused there, and goes on."""
    drill = FakeClass(instructed=True)
    drill.instruct()
    async with seated(drill) as seat:
        assert "the instructor begins" in await seat.press("space")
        drill.desk.send(Command("begin"))
        await seat.drive(11.0)
        drill.desk.send(Command("mark", what="before"))
        await seat.drive(3.0)
        assert "under-delivery" in await seat.press("3")
        drill.desk.send(Command("rewind", what="before"))
        said = await seat.look()
        assert "PAUSED   by the instructor" in said
        assert "you: hold" in said
        assert "11.0 of 30 s" in said
        assert "under-delivery" not in said
        assert "? old" not in await seat.drive(5.0)  # a pause is no silence
        drill.desk.send(Command("go_on"))
        assert "CUT BOOST" in await seat.drive(2.0)


@pytest.mark.asyncio
async def test_an_injected_fault_is_seen_and_named_nowhere() -> None:
    """What another process injects reaches the car; the screen shows readings alone."""
    drill = FakeClass(None, instructed=True, helped=Failsafe.OFF, shows=())
    drill.instruct()
    async with seated(drill) as seat:
        drill.desk.send(Command("begin"))
        assert "tank" in await seat.drive(11.0)
        drill.desk.send(Command("inject", what="pump_stop"))
        drill.desk.send(Command("note", text="now it stops"))
        said = await seat.drive(2.0)
        listed = [one.words for one in drill.brief("ann").calls]
        for words in ("pump_stop", "Truth", "The pump stop", "now it stops"):
            assert words not in said
        assert sum(said.count(words) for words in listed) >= 6  # all alike, in the list alone


@pytest.mark.asyncio
async def test_two_trainees_on_one_drive_answer_for_themselves() -> None:
    """What one does changes that one's car and answers; both have their own debrief."""
    drill = FakeClass(helped=Failsafe.OFF)
    async with seated(drill, alias="ann") as ann, seated(drill, alias="bob") as bob:
        await ann.press("space")
        await ann.drive(13.0)
        await ann.press("4", "space", "b")
        said = await bob.look()
        assert "you: hold" in said
        assert "called: nothing yet" in said
        await ann.drive(20.0)
        assert "Debrief, ann   92 of 100" in await ann.look()
        assert "Debrief, bob   0 of 100" in await bob.look()


@pytest.mark.asyncio
async def test_whoever_gives_no_alias_is_asked_for_one() -> None:
    """In a browser nobody has said one; escape leaves."""
    drill = FakeClass()
    async with seated(drill, alias="?") as seat:
        assert "Your alias (no real name is needed):" in await seat.look()
        said = await seat.type("cleo")
        assert "cleo" in said
        assert list(drill.rides) == ["cleo"]
        await seat.press("space")
    assert drill.rides["cleo"].link.sent == [Command("begin", who="cleo")]
    drill = FakeClass()
    async with seated(drill, alias="ann"), seated(drill, alias="ann") as seat:
        said = await seat.look()
        assert 'found alias "ann" in use, expected another' in said
        assert "Your alias" in said
        assert "READY" in await seat.type("bea")
    async with seated(FakeClass(), alias="?") as seat:
        await seat.press("escape")
    assert seat.app.return_value == "No alias was given, so no drive was joined."


@pytest.mark.asyncio
async def test_letters_call_only_while_the_list_is_open() -> None:
    """Elsewhere a acknowledges and l lists the alarms; in the list they call, q still quits."""
    drill = FakeClass()
    async with seated(drill, (140, 40)) as seat:
        await seat.press("space")
        await seat.drive(2.0)
        await seat.press("a", "b", "e")
        sent = drill.rides["ann"].link.sent
        assert [one.do for one in sent] == ["begin", "acknowledge"]
        assert "Alarms" in await seat.press("l")
        await seat.press("l", "space", "l")
        assert sent[-1] == Command("call", what="data", who="ann")
        assert "press its letter" in await seat.press("space")
        assert "press its letter" not in await seat.press("escape")
        await seat.press("space", "space", "a")
        assert sent[-1].do == "acknowledge"
        await seat.press("space", "q")
    assert seat.app.return_value == "Drill left before its debrief."


@pytest.mark.asyncio
async def test_the_drive_is_ended_by_a_typed_y_and_the_next_lesson_follows() -> None:
    """A slip of the hand ends nothing; after the debrief N goes on, with a brief of its own."""
    drill = FakeClass()
    async with seated(drill) as seat:
        await seat.press("space")
        await seat.drive(4.0)
        assert "End the drive here" in await seat.press("E")
        await seat.type("n")
        assert "4.0 of 30 s" in await seat.look()
        await seat.press("E")
        assert "Debrief, ann" in await seat.type("y")
        assert "Spray flow" in await seat.press("tab")
        assert "Debrief, ann" in await seat.press("tab")
        said = await seat.press("N")
        assert "Lesson 2 of 14" in said
        assert "READY" in said
        assert "Debrief" not in said
        drill.lesson = 14
        await seat.press("space")
        await seat.press("E")
        await seat.type("y")
        assert "found the last lesson, expected another" in await seat.press("N")
        assert "expected another" not in await seat.drive(10.0)
        said = await seat.press("question_mark", *["down"] * 30)
        assert "In the debrief: ▲ where it began" in said
        assert "rejected" not in said


@pytest.mark.asyncio
@pytest.mark.parametrize("size", [(80, 24), (140, 40)], ids=str)
async def test_the_debrief_scrolls_and_shows_every_channel_and_span(size: tuple[int, int]) -> None:
    """Down reads on, left and right go through the channels, s shows the whole drive."""
    async with seated(FakeClass(), size) as seat:
        await seat.press("space")
        await seat.drive(13.0)
        await seat.press("space", "b")
        said = await seat.drive(20.0)
        assert "line pressure, kPa" in said  # the first sign's channel comes first
        assert "1 of 3" in said
        assert "spray flow, mL/min" in await seat.press("right")
        assert "boost, kPa" in await seat.press("right")
        await seat.press("right")
        assert "10.0 s" in said
        assert "└0.0 s" in await seat.press("s")
        said = await seat.press(*["down"] * 40)
        for words in ("Check first on the car", "the pump itself"):
            assert words in said
        assert "Check first on the car" not in await seat.press(*["pageup"] * 6)
        assert "the pump itself" in await seat.press(*["pagedown"] * 6)
        assert "line pressure, psi" in await seat.press("u")
        assert "wrote /x/ann.html" in await seat.press("w")
        assert "Written: /x/ann.html" in await seat.press("down", "down")
        await seat.press("space")
        await seat.drive(13.0)
        said = await seat.drive(20.0)
        assert "line pressure, psi" in said  # the next debrief begins at its beginning
        assert "1 of 3" in said
        assert "Check first on the car" not in said or size[0] > 80


@pytest.mark.asyncio
async def test_what_to_check_is_held_back_of_alarms_too() -> None:
    """A finding's general advice isn't said where the lesson shows none; elsewhere it is."""
    for shows, told in ((("events",), False), (("events", "advice"), True)):
        drill = FakeClass(None, shows=shows)
        async with seated(drill) as seat:
            await seat.press("space")
            made = drill._frame(drill.rides["ann"], [])
            made.alarms = [alarm()]
            drill.rides["ann"].link.feed(made)
            said = await seat.press("l")
            assert "under-delivery" in said
            assert ("Check first" in said) is told


@pytest.mark.asyncio
async def test_a_class_that_ends_is_told_so() -> None:
    """Nobody is left before a picture that takes itself for the present."""
    drill = FakeClass(instructed=True)
    drill.instruct()
    async with seated(drill) as seat:
        drill.desk.send(Command("stop"))
        said = await seat.look()
        assert "ENDED   nothing is driven any more; q quits" in said
        assert "Stopped by the instructor." in said
        await seat.press("1")
    async with seated(FakeClass()) as seat:
        await seat.press("space")
        await seat.drive(1.0)
        seat.drill.clock.now_s += 3.0
        assert "? NO DATA   nothing came for 3.0 s" in await seat.look()
    async with seated(FakeClass(), (70, 20)) as seat:
        assert "a drill needs at least 80x24" in await seat.look()


@pytest.mark.asyncio
async def test_a_click_calls_and_acts() -> None:
    """On a call's words, on an act's; what isn't open takes no click."""
    drill = FakeClass(helped=Failsafe.OFF, shows=())
    async with seated(drill) as seat:
        await seat.press("space")
        await seat.drive(1.0)
        await seat.pilot.click("#links", offset=(10, 1))
        await seat.pilot.click("#calls", offset=(8, 2))
        await seat.look()
        sent = drill.rides["ann"].link.sent
        assert [one.what for one in sent] == ["", "pull_timing"]
        await seat.press("space")
        await seat.pilot.click("#calls", offset=(8, 2))
        await seat.look()
        assert sent[-1] == Command("call", what="pump", who="ann")


@pytest.mark.asyncio
async def test_letters_of_the_list_are_enough_and_block_what_they_do_elsewhere() -> None:
    """Each letter of the list that another control has is kept from it while the list is open."""
    letters = {one.keys for one in TraineeDashboard.CONTROLS if "pick" in one.action}
    others = [
        one.action
        for one in TraineeDashboard.CONTROLS
        if one.keys in letters and "pick" not in one.action
    ]
    assert others
    async with seated(FakeClass()) as seat:
        await seat.press("space")
        await seat.press("space")
        for action in others:
            assert seat.app.check_action(action.partition("(")[0], ()) is False
