"""Alarms by keyboard: the page, what its keys send, and what it shows of the answers."""

from typing import Any

import pytest
from msgspec import structs
from textual.pilot import Pilot

from monitor.attach.protocol import (
    Answer,
    Bye,
    Command,
    Ending,
    Frame,
    Message,
    Operation,
)
from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink
from monitor.words.alarms import count_in_words, time_left
from rules.alarms.alarm import AlarmState
from rules.findings import FINDINGS, name_of
from rules.step.state import FINDING_NAMES
from tests.kit.alarm_script import (
    CAUSES,
    EVERY_STATE,
    alarmed,
    open_page,
    page_story,
    told,
)
from tests.kit.paths import kept_screen
from tests.kit.screen_messages import alarm, cause, event_turn, statistics
from tests.kit.screen_script import (
    SIZES,
    Clock,
    event,
    frame,
    hello,
    rows,
    screen_of,
    tell,
    text_of,
)
from tests.monitor.screen.test_app import HOSTILE


class Desk:
    """A dashboard over a fake link; ``says`` feeds it, ``shown`` reads it."""

    def __init__(self, operator: str = "Wren") -> None:
        self.link = FakeLink()
        self.clock = Clock()
        self.app = Dashboard(lambda: self.link, owner=False, operator=operator, clock=self.clock)

    async def says(self, *messages: Message) -> None:
        """Say messages a tenth of a second later, and draw."""
        at_s = self.clock.now_s + 0.1
        await tell(self.app, self.link, self.clock, [(at_s, list(messages))], at_s)

    async def presses(self, pilot: Pilot[str | None], *keys: str) -> None:
        """Press keys and let the screen settle."""
        await pilot.press(*keys)
        for _ in range(3):
            await pilot.pause()
        self.app.redraw()

    def shown(self) -> str:
        """Return the screen as text."""
        return text_of(self.app)

    def sent(self) -> list[Command]:
        """Return what was sent since the last look."""
        commands, self.link.sent[:] = list(self.link.sent), []
        return commands


def by_wren(do: str, name: str = "", for_s: float = 0.0) -> Command:
    """Return the command that the screen should send."""
    return Command(do, alarm=name, for_s=for_s, who="Wren")


@pytest.mark.asyncio
@pytest.mark.parametrize("size", SIZES, ids=str)
async def test_the_page_looks_as_it_did_when_last_read(size: tuple[int, int]) -> None:
    """Every state of ISA-18.2 / IEC 62682 by its name, first out, causes with shares, checks."""
    shown = await screen_of(page_story(), size, open_page)
    for words in (
        "▼ PULL TIMING",
        "▬ 4 alarms, 2 unacknowledged, 3 silenced",
        "unacknowledged              18.20 s  first out",
        "acknowledged                19.05 s",
        "returned unacknowledged",
        "latched acknowledged",
        "shelved, 4 min 50 s left",
        "suppressed by design",
        "out of service",
        "18.12 s: Evidence 17 of 16: no car this rig allows for",
        "61 %  pump weak or stopped: line pressure 40 %",
        "22 %  nozzle clogged: flow fell over 3 s",
        " 9 %  air in the line",
        "Check first tank level, pump supply",
    ):
        assert words in shown, words
    assert kept_screen(page_story().name, size).read_text(encoding="utf-8") == shown


@pytest.mark.asyncio
@pytest.mark.parametrize("size", SIZES, ids=str)
async def test_a_trip_is_worked_from_the_list_by_keys_alone(size: tuple[int, int]) -> None:
    """Seen, listed, acknowledged, reset, shelved for a time, unshelved, taken out, returned."""
    desk = Desk()
    async with desk.app.run_test(size=size) as pilot:
        await desk.says(hello(), frame("No action.", rows(0.0, 18.0), 1800))
        await desk.presses(pilot)
        assert "alarm" not in desk.shown()  # quiet when normal
        for _, messages in told(alarm(first_out=True), alarm("knock", priority="high")):
            await desk.says(*messages)
        assert "▬ 2 alarms, 2 unacknowledged" in desk.shown()
        assert "l alarms" in desk.shown()
        await desk.presses(pilot, "l")
        await desk.presses(pilot, "down", "up", "a")
        assert desk.sent() == [by_wren("acknowledge", "under_delivery")]
        assert "1 unacknowledged" not in desk.shown()  # what was asked is not yet done
        done = Operation(18.5, "Wren", "acknowledge", "under_delivery")
        seen = alarm(state="acknowledged", first_out=True)
        await desk.says(done, alarmed(seen, alarm("knock", priority="high")))
        await pilot.pause()
        assert "Wren: acknowledge under-delivery" in desk.shown()
        assert "2 alarms, 1 unacknowledged" in desk.shown()
        await desk.presses(pilot, "A")
        assert desk.sent() == [by_wren("acknowledge")]
        await desk.presses(pilot, "r")
        assert desk.sent() == [by_wren("reset", "under_delivery")]
        await desk.presses(pilot, "down", "h")
        assert "Shelve knock for minutes (15 at most): 5" in desk.shown()
        await desk.presses(pilot, "backspace", "7", ".", "5", "enter")
        assert desk.sent() == [by_wren("shelve", "knock", 450.0)]
        shelved = alarm("knock", state="shelved", shelf_left_s=450.0)
        await desk.says(Operation(19.0, "Wren", "shelve", "knock", 450.0), alarmed(seen, shelved))
        await desk.presses(pilot)
        assert "Wren: shelve knock for 7 min 30 s" in desk.shown()
        assert "shelved, 7 min 30 s left" in desk.shown()
        assert "what is done to the engine does not change" in desk.shown()
        assert "h unshelve" in desk.shown()
        await desk.presses(pilot, "h")
        assert desk.sent() == [by_wren("unshelve", "knock")]
        await desk.says(alarmed(seen, alarm("knock")))
        await desk.presses(pilot, "o")
        assert "Take out of service: knock? Type y:" in desk.shown()
        await desk.presses(pilot, "n", "enter")
        assert desk.sent() == []
        assert "not taken out: no y was typed" in desk.shown()
        await desk.presses(pilot, "o", "y", "enter")
        assert desk.sent() == [by_wren("take_out_of_service", "knock")]
        await desk.says(alarmed(seen, alarm("knock", state="out of service")))
        await desk.presses(pilot)
        assert "o return" in desk.shown()
        await desk.presses(pilot, "o", "y", "enter")
        assert desk.sent() == [by_wren("return_to_service", "knock")]
        await desk.presses(pilot, "l")
        assert "Spray flow" in desk.shown()


@pytest.mark.asyncio
async def test_what_is_refused_is_shown() -> None:
    """The guard's refusals, a viewer's answer, and what the screen itself won't send."""
    desk = Desk()
    async with desk.app.run_test(size=(140, 40)) as pilot:
        await desk.says(hello(), frame("No action.", rows(0.0, 18.0), 1800))
        await desk.presses(pilot, "l", "r")
        assert "nothing done: no alarm stands" in desk.shown()
        await desk.says(alarmed(alarm()))
        why = "reset under-delivery: refused, its condition is still there"
        await desk.says(Operation(18.4, "Wren", "reset", "under_delivery", refused=[why]))
        await desk.presses(pilot)
        assert "Wren: reset under-delivery: refused, its condition is still there" in desk.shown()
        for minutes in ("0", "-3", "1e9", "\u0663", "five", ""):
            desk.sent()
            await desk.presses(pilot, "h", "backspace", *minutes, "enter")
            assert f'not shelved: found "{minutes}", expected minutes, 15 at most' in desk.shown()
            assert desk.sent() == []
        await desk.presses(pilot, "h", "escape")
        assert "not shelved" in desk.shown()
        await desk.presses(pilot, "h", "backspace", "9", "9", "enter")
        assert desk.sent() == [by_wren("shelve", "under_delivery", 900.0)]  # capped
        await desk.says(Answer("acknowledge", False, "found no reading yet, expected one first"))
        await desk.presses(pilot)
        assert "acknowledge: found no reading yet" in desk.shown()
        await desk.says(Bye(Ending.FAILED, "no disk", statistics()))
        await desk.presses(pilot, "a", "h", "o")
        assert desk.sent() == []
        assert "nothing done: no guard is there to be told" in desk.shown()
        assert "for minutes" not in desk.shown()  # nor is anything asked in vain
        assert "? before: 1 alarm, 1 unacknowledged" in desk.shown()
        assert "h shelve" not in desk.shown()


@pytest.mark.asyncio
async def test_an_answer_given_on_the_page_is_still_read_once_it_is_closed() -> None:
    """And one given beside the events is on the page, in the same words."""
    desk = Desk()
    async with desk.app.run_test(size=(140, 40)) as pilot:
        await desk.says(hello(), frame("No action.", rows(0.0, 18.0), 1800))
        await desk.presses(pilot, "l", "r", "l")
        assert "Spray flow" in desk.shown()
        assert " nothing done: no alarm stands" in desk.shown()
        await desk.says(Bye(Ending.FAILED, "no disk", statistics()))
        await desk.presses(pilot, "a", "l")
        assert "\n nothing done: no guard\n" in desk.shown()


@pytest.mark.asyncio
async def test_page_keys_do_nothing_elsewhere_and_letters_are_letters_while_typing() -> None:
    """On the main screen only acknowledging is sent, for all; a typed reset is text."""
    desk = Desk(operator="")
    async with desk.app.run_test() as pilot:
        for _, messages in told(alarm()):
            await desk.says(*messages)
        await desk.presses(pilot, *"Arhon")
        assert desk.sent() == []
        await desk.presses(pilot, "a")
        assert desk.sent() == [Command("acknowledge")]  # the guard's own word for who
        await desk.presses(pilot, "l", "o", *"aArhnlo")
        assert desk.sent() == []
        assert "Type y: aArhnlo" in desk.shown()


@pytest.mark.asyncio
async def test_the_choice_stays_with_its_alarm() -> None:
    """Alarms that come and go before the chosen one don't move the hand to another."""
    desk = Desk()
    async with desk.app.run_test() as pilot:
        for _, messages in told(alarm(), alarm("knock"), alarm("overboost")):
            await desk.says(*messages)
        await desk.presses(pilot, "l", "down")
        await desk.says(alarmed(alarm(), alarm("intake_hot"), alarm("knock"), alarm("overboost")))
        await desk.presses(pilot, "a")
        await desk.says(alarmed(alarm("knock")))
        await desk.presses(pilot, "a")
        await desk.says(alarmed(alarm("overboost")))
        await desk.presses(pilot, "a")
        assert [one.alarm for one in desk.sent()] == ["knock", "knock", "overboost"]


@pytest.mark.asyncio
async def test_normal_alarms_are_listed_on_request_to_be_taken_out() -> None:
    """A sensor about to be changed: its alarm is normal, and can be taken out beforehand."""
    desk = Desk()
    async with desk.app.run_test(size=(140, 40)) as pilot:
        await desk.says(hello(), frame("No action.", rows(0.0, 18.0), 1800))
        await desk.presses(pilot, "l")
        assert "none stand" in desk.shown()
        await desk.presses(pilot, "n")
        for finding in FINDINGS:
            assert finding.label in desk.shown()
        await desk.presses(pilot, *["down"] * FINDING_NAMES.index("signal_lost"))
        assert "\n>          signal lost" in desk.shown()
        await desk.presses(pilot, "o", "y", "enter")
        assert desk.sent() == [by_wren("take_out_of_service", "signal_lost")]
        await desk.presses(pilot, "n")
        assert "none stand" in desk.shown()


@pytest.mark.asyncio
async def test_causes_of_an_earlier_trouble_are_not_told_of_a_later_one() -> None:
    """The ranking stays for a latched alarm, and goes where a newer event isn't ranked yet."""
    desk = Desk()
    async with desk.app.run_test(size=(140, 40)) as pilot:
        for _, messages in told(alarm(), alarm("knock")):
            await desk.says(*messages)
        over = structs.replace(alarmed(alarm(state="latched unacknowledged")), causes=[])
        await desk.says(over)
        await desk.presses(pilot, "l")
        assert "61 %  pump weak" in desk.shown()
        await desk.says(event_turn("raised", event(time_s=30.0)), over)
        await desk.presses(pilot)
        assert "30.00 s: Evidence 17 of 16: no car" in desk.shown()
        assert "pump weak" not in desk.shown()


@pytest.mark.asyncio
@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
async def test_hostile_names_are_only_text(text: str) -> None:
    """Whatever an alarm or a person is called, it is shown, and steers nothing."""
    desk = Desk(operator=text)
    odd = [alarm(text[:128]), alarm("knock", state="shelved")]
    bad = structs.replace(alarmed(*odd), causes=[cause(text, text, 0.5, text)])
    done = Operation(float("nan"), text, text, text, -1.0, [text])
    async with desk.app.run_test(size=(200, 50)) as pilot:
        await desk.says(hello(), bad, done)
        await desk.presses(pilot)
        assert "1 alarm, 1 unacknowledged, 1 silenced" in desk.shown()
        await desk.presses(pilot, "l", "down", "up", "o")
        for row in range(0, 50, 7):
            await pilot.click(offset=(20, row))
        await desk.presses(pilot, "escape")
        shown = desk.shown()
        assert desk.app.is_running
        await desk.presses(pilot, "a")
    assert all(char.isprintable() or char == "\n" for char in shown)
    if text.startswith("["):
        assert text in shown
    (sent,) = desk.sent()
    assert len(sent.alarm) <= 64
    assert len(sent.who) <= 40
    assert sent.who.isprintable()


@pytest.mark.asyncio
async def test_a_very_wide_screen_has_the_alarms_beside_the_events() -> None:
    """From 180 columns on; what has no room is counted; none is said, unknown is not none."""
    desk = Desk()
    async with desk.app.run_test(size=(200, 50)) as pilot:
        await desk.presses(pilot)
        assert "Alarms ? unknown" in desk.shown()
        await desk.says(hello(), frame("No action.", rows(0.0, 18.0), 1800))
        await desk.presses(pilot)
        assert "Alarms none stand" in desk.shown()
        many = [alarm(finding.name) for finding in FINDINGS[:16]]
        await desk.says(alarmed(*many))
        await desk.presses(pilot)
        assert "▼  no command where boost calls for it  unacknowledged" in desk.shown()
        assert "and 5 more" in desk.shown()
        await pilot.resize_terminal(140, 40)
        await desk.presses(pilot)
        assert "and 5 more" not in desk.shown()
        assert "16 alarms" in desk.shown()


def test_counts_say_what_is_silent() -> None:
    """Nothing where nothing is."""
    assert count_in_words([]) == ""
    assert count_in_words([alarm(state="acknowledged")]) == "1 alarm"
    assert count_in_words(EVERY_STATE) == ("4 alarms, 2 unacknowledged, 3 silenced")


def test_states_have_the_names_of_the_standard() -> None:
    """ANSI/ISA-18.2-2016 and IEC 62682 name them so (from memory); latched adds its two."""
    assert [state.value for state in AlarmState] == [
        "normal",
        "unacknowledged",
        "acknowledged",
        "returned unacknowledged",
        "latched unacknowledged",
        "latched acknowledged",
        "shelved",
        "suppressed by design",
        "out of service",
    ]


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.0, "0 s"), (59.6, "1 min"), (290.0, "4 min 50 s"), (900.0, "15 min"), (-1.0, "unknown")],
)
def test_time_left_in_words(seconds: float, words: str) -> None:
    """Minutes and seconds, rounded together; what is no time is unknown."""
    assert time_left(seconds) == words
    assert time_left(float("nan")) == "unknown"


@pytest.mark.parametrize("finding", FINDINGS, ids=lambda finding: finding.name)
def test_an_alarm_can_be_named_as_it_is_listed(finding: Any) -> None:
    """By name, by label, in any case; what is neither stays as it was typed."""
    for typed in (finding.name, finding.label, finding.label.upper(), f" {finding.name} "):
        assert name_of(typed) == finding.name
    assert name_of("nonsense") == "nonsense"


def test_the_script_is_a_frame() -> None:
    """The scripted causes are those a frame carries."""
    assert isinstance(alarmed(), Frame)
    assert [cause.likelihood for cause in CAUSES] == [0.61, 0.22, 0.09]
