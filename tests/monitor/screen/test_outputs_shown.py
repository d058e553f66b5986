"""What people see of outputs: on the screen at any size, in lines, in JSON; never an old "held"."""

import json

import msgspec
import pytest

from monitor.attach.message_parts import OutputState
from monitor.attach.protocol import Frame, Message, Publishing, Recording, outputs_in_words
from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink
from monitor.words import status as looking
from monitor.words.lines import LineTalk, in_words
from tests.kit.screen_messages import output
from tests.kit.screen_script import Clock, frame, hello, rows, tell, text_of

STATUS = "No action: 500 of 500 mL/min arrive at 150 kPa boost."


def framed(*outputs: OutputState) -> Frame:
    """Return a healthy frame with outputs."""
    return msgspec.structs.replace(frame(STATUS, rows(0.0, 1.0), 20), outputs=list(outputs))


@pytest.mark.parametrize(
    ("outputs", "said"),
    [
        ([], ""),
        ([output()], "OUTPUT ARMED, held"),
        ([output(), output(held=False)], "OUTPUT ARMED, RELEASED"),
        ([output(), output(held=False, fault="x: gone")], "OUTPUT ARMED, FAULT"),
        ([output(armed=False)], "output dry run, would be held"),
        ([output(armed=False, held=False)], "output dry run, would be released"),
    ],
)
def test_the_worst_output_counts(outputs: list[OutputState], said: str) -> None:
    """One that is released, or can't be driven, is what one must know."""
    assert outputs_in_words(outputs) == said


@pytest.mark.asyncio
@pytest.mark.parametrize("size", [(80, 24), (140, 40), (30, 8)])
async def test_the_screen_says_it_at_any_size(size: tuple[int, int]) -> None:
    """Armed or dry, held or released: it stands on the screen; without any, that nothing is."""
    for outputs, said in (
        ([output(held=False)], "OUTPUT ARMED, RELEASED"),
        ([output(armed=False)], "output dry run"),
        ([], "no output is driven"),
    ):
        link, clock = FakeLink(), Clock()
        app = Dashboard(lambda link=link: link, owner=False, clock=clock)  # type: ignore[misc]
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            told: list[tuple[float, list[Message]]] = [(100.0, [hello(), framed(*outputs)])]
            await tell(app, link, clock, told, 100.1)
            await pilot.pause()
            assert said in " ".join(text_of(app).split())


@pytest.mark.asyncio
async def test_an_old_picture_never_says_held() -> None:
    """Where the guard is silent or gone, what its outputs do is not known here."""
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, owner=False, clock=clock)
    async with app.run_test(size=(140, 40)) as pilot:
        await pilot.pause()
        await tell(app, link, clock, [(100.0, [hello(), framed(output())])], 100.1)
        assert "OUTPUT ARMED, held" in text_of(app)
        clock.now_s = 110.0
        app.redraw()
        await pilot.pause()
        shown = text_of(app)
        assert "OUTPUT ARMED, UNKNOWN" in shown
        assert "held" not in shown


def test_lines_and_json_say_it() -> None:
    """The greeting names armed outputs, every status line says how they stand, JSON has it all."""
    greeting = hello(outputs=[output()])
    assert in_words(greeting).endswith("advises only, OUTPUT ARMED: RTS of /dev/x")
    assert in_words(hello(outputs=[output(armed=False)])).endswith("(dry run: RTS of /dev/x)")
    assert in_words(hello()).endswith("advises only, no output is driven")
    assert "OUTPUT ARMED, RELEASED" in in_words(framed(output(held=False)))
    lines: list[str] = []
    LineTalk(lines.append, as_json=True, now_s=lambda: 5.0).handle(framed(output()))
    assert json.loads(lines[0])["outputs"] == msgspec.to_builtins([output()])


LOST = Publishing("mqtt://box:1883/g", "nobody listens there")
WELL = Publishing("mqtt://box:1883/g")


@pytest.mark.asyncio
@pytest.mark.parametrize("size", [(80, 24), (140, 40)])
async def test_the_top_line_marks_what_cannot_be_relied_on(size: tuple[int, int]) -> None:
    """An armed output that is not held, or has a fault, and a broker that is lost: first of all."""
    fault = output(held=False, fault="x: gone")
    for outputs, publishing, said, never in (
        ([output()], [WELL], ["OUTPUT ARMED, held"], ["!"]),
        ([output(held=False)], [], ["! OUTPUT ARMED, RELEASED"], ["PUBLISHED"]),
        ([output(), fault], [LOST], ["! OUTPUT ARMED, FAULT", "! NOT PUBLISHED"], []),
        ([], [WELL, LOST], ["! NOT PUBLISHED"], ["OUTPUT"]),
        ([output(armed=False, held=False)], [WELL], [], ["!", "OUTPUT"]),
    ):
        link, clock = FakeLink(), Clock()
        app = Dashboard(lambda link=link: link, owner=False, clock=clock)  # type: ignore[misc]
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            framed_so = msgspec.structs.replace(framed(*outputs), publishing=publishing)
            told: list[tuple[float, list[Message]]] = [(100.0, [hello(), framed_so])]
            await tell(app, link, clock, told, 100.1)
            await pilot.pause()
            top = text_of(app).splitlines()[0]
            assert all(words in top for words in said), top
            assert not any(words in top for words in never), top
            assert "engine left alone" in top


@pytest.mark.asyncio
async def test_an_old_picture_says_nothing_of_the_broker() -> None:
    """Where the guard itself is silent, what its outputs do is marked as unknown; no more is."""
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, owner=False, clock=clock)
    async with app.run_test(size=(140, 40)) as pilot:
        await pilot.pause()
        lost = msgspec.structs.replace(framed(output()), publishing=[LOST])
        await tell(app, link, clock, [(100.0, [hello(), lost])], 110.0)
        await pilot.pause()
        top = text_of(app).splitlines()[0]
        assert "! OUTPUT ARMED, UNKNOWN" in top
        assert "PUBLISHED" not in top


def test_status_says_it_before_all_else() -> None:
    """``flowdebt status`` marks it right under what is being done; JSON has it as fields."""
    bad = msgspec.structs.replace(
        framed(output(held=False)), publishing=[LOST], recording=Recording("/logs/x", "disk full")
    )
    lines = list(looking.in_words(hello(), bad))
    assert lines[2:5] == [
        "! OUTPUT ARMED, RELEASED",
        "! NOT PUBLISHED to mqtt://box:1883/g: nobody listens there",
        "! NOT RECORDED: disk full",
    ]
    well = msgspec.structs.replace(framed(output()), publishing=[WELL])
    assert not any(line.startswith("! ") for line in looking.in_words(hello(), well))
    assert "  published to mqtt://box:1883/g" in list(looking.in_words(hello(), well))
    facts = json.loads(looking.as_json_line(hello(), bad))
    assert facts["publishing"] == [{"broker": LOST.broker, "fault": LOST.fault}]
    assert "NOT PUBLISHED to mqtt://box:1883/g: nobody listens there" in in_words(bad)
