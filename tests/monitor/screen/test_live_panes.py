"""The panes of the live screen: nothing misleads, loses its end, or leaves a key unanswered."""

import re

import pytest
from msgspec import structs

from monitor.attach.protocol import Bye, Command, Ending, Frame, Message, Notice
from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink
from monitor.screen.panes.spray_path import PARTS
from monitor.screen.trace import Trace
from monitor.words.look import Look, UnitsName
from tests.kit.paths import SCREENS
from tests.kit.screen_messages import (
    alarm,
    cause,
    event,
    event_turn,
    frame,
    hello,
    rows,
    statistics,
)
from tests.kit.screen_script import Clock, stories, tell, text_of

LONG = "text where a number belongs, read as not a number; flowdebt review names the lines"


def _app(look: Look = Look()) -> tuple[Dashboard, FakeLink, Clock]:  # noqa: B008
    link, clock = FakeLink(), Clock()
    return Dashboard(lambda: link, owner=False, look=look, clock=clock), link, clock


def _holed() -> list[list[float | None]]:
    """Return rows whose middle third is what a guard decides on silence."""
    made = rows(0.0, 18.0)
    for row in made:
        if 6.0 <= (row[0] or 0.0) < 12.0:
            row[9] = row[10] = None  # delivered flow, boost
    return made


@pytest.mark.asyncio
async def test_a_gap_in_the_plot_is_a_gap() -> None:
    """Command and expectation, held through a silence, are not drawn; "?" stands where it began."""
    app, link, clock = _app()
    told: list[tuple[float, list[Message]]] = [
        (100.0, [hello(), frame("No action: nothing.", _holed(), 1800)])
    ]
    async with app.run_test(size=(80, 24)) as pilot:
        await tell(app, link, clock, told, 100.1)
        await pilot.pause()
        lines = text_of(app).splitlines()
    base = next(line for line in lines if line.startswith("     0┤"))
    # 20 s on 73 cells end at 18 s: silence is from cell 7 + 29 to 7 + 51.
    assert base[37:57].strip() == ""
    assert "⣀" in base[:36]
    axis = next(line for line in lines if line.startswith("      └"))
    assert "?" in axis[35:38]
    assert axis.count("?") == 1


@pytest.mark.asyncio
async def test_a_notice_before_any_event_is_whole() -> None:
    """At 80 cells the heading had no room for it; the place of the first event has."""
    app, link, clock = _app()
    said = Notice("unusable", LONG)
    told: list[tuple[float, list[Message]]] = [(100.0, [hello(), said])]
    async with app.run_test(size=(80, 24)) as pilot:
        await tell(app, link, clock, told, 100.1)
        await pilot.pause()
        assert f"unusable: {LONG}" in " ".join(text_of(app).split())
        turn = event_turn("raised", event())
        await tell(app, link, clock, [(100.1, [turn])], 100.2)
        await pilot.pause()
        assert "unusable: text where" in text_of(app)
        assert "names the lines" not in text_of(app)
        await tell(app, link, clock, [], 161.0)  # and an old one is none
        await pilot.pause()
        assert "unusable" not in text_of(app)


@pytest.mark.asyncio
async def test_without_a_guard_no_key_is_silent_and_none_is_offered_in_vain() -> None:
    """The footer keeps to what still does something; "a" says why it doesn't."""
    app, link, clock = _app()
    told: list[tuple[float, list[Message]]] = [
        (100.0, [hello(), frame("No action: nothing.", rows(0.0, 18.0), 1800)])
    ]
    async with app.run_test(size=(200, 50)) as pilot:
        await tell(app, link, clock, told, 100.1)
        await pilot.pause()
        offered = text_of(app).splitlines()[-1]
        for word in ("d detach", "a acknowledge", "f freeze", "b bell"):
            assert word in offered
        await tell(
            app,
            link,
            clock,
            [(100.2, [Bye(Ending.STOPPED, "stopped by a viewer", statistics())])],
            100.3,
        )
        await pilot.pause()
        offered = text_of(app).splitlines()[-1]
        for word in ("detach", "acknowledge", "freeze", "bell"):
            assert word not in offered
        await pilot.press("a")
        await pilot.pause()
        assert "nothing done: no guard" in text_of(app)
    assert Command("acknowledge") not in link.sent


@pytest.mark.asyncio
@pytest.mark.parametrize("units", ["metric", "us"])
async def test_trends_begin_in_one_column_in_either_units(units: str) -> None:
    """A tank in "fl oz" pushed its own trend aside."""
    app, link, clock = _app(Look(units=units))  # type: ignore[arg-type]
    told: list[tuple[float, list[Message]]] = [
        (100.0, [hello(), frame("No action: nothing.", rows(0.0, 18.0), 1800)])
    ]
    async with app.run_test(size=(140, 40)) as pilot:
        await tell(app, link, clock, told, 100.1)
        await pilot.pause()
        lines = text_of(app).splitlines()[4:]  # below the top line's "engine left alone"
    begins = set()
    for label in ("intake", "knock", "taken back", "tank", "engine"):
        line = next(line for line in lines if f" {label} " in line and "controller" not in line)
        begins.add(next(i for i, c in enumerate(line) if i > 90 and "⠀" <= c <= "⣿"))
    assert len(begins) == 1


@pytest.mark.asyncio
async def test_channels_go_by_the_names_the_sentences_use() -> None:
    """A column's name in the log is the logger's affair."""
    ill = {"commanded_ml_min": "stale", "line_kpa": "not a number"}
    app, link, clock = _app()
    said: Frame = frame("No action: nothing.", rows(0.0, 18.0), 1800, ill=ill)
    async with app.run_test(size=(140, 40)) as pilot:
        await tell(app, link, clock, [(100.0, [hello(), said])], 100.1)
        await pilot.pause()
        shown = text_of(app)
    assert "? commanded flow stale; line pressure not a number" in shown
    assert "_ml_min" not in shown


@pytest.mark.asyncio
async def test_evidence_takes_the_room_there_is() -> None:
    """No reason for a cause is cut while rows are empty below."""
    reasons = [
        f"reason number {i} told at some length, as a guard does that has much to go by"
        for i in range(3)
    ]
    causes = [cause("pump", "pump stopped", 0.7, *reasons)]
    stands = alarm(priority="high", since_s=18.1)
    told = structs.replace(
        frame("No action: nothing.", rows(0.0, 18.2), 1800, causes=causes), alarms=[stands]
    )
    for size in ((140, 40), (80, 24)):
        app, link, clock = _app()
        async with app.run_test(size=size) as pilot:
            turn = event_turn("raised", event())
            await tell(app, link, clock, [(100.0, [hello(), turn, told])], 100.1)
            await pilot.press("l")
            await pilot.pause()
            shown = " ".join(text_of(app).split())
        assert "70 % pump stopped: reason number 0" in shown
        assert all(reason in shown for reason in reasons)
        assert "Check first tank level" in shown


@pytest.mark.asyncio
@pytest.mark.parametrize("width", [120, 130, 200])
@pytest.mark.parametrize("units", ["metric", "us"])
async def test_no_part_of_the_way_is_left_out(width: int, units: UnitsName) -> None:
    """Readings give way where there is little room; a part, and what is suspected of it, never."""
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, owner=False, clock=clock, look=Look(units))
    clogged = frame("No action: all arrives.", rows(17.0, 18.0), 1800)
    clogged.causes = [cause("clog", "clogged nozzle", 0.83)]
    async with app.run_test(size=(width, 40)) as pilot:
        await tell(app, link, clock, [(100.0, [hello(), clogged])], 100.1)
        await pilot.pause()
        lines = text_of(app).splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith(" controller"))
    for part in PARTS:
        assert part.word in lines[at]
    assert lines[at].index("nozzles") == lines[at + 1].index("? 83 %")


CALM = "No action: 500 of 500 mL/min arrive at 150 kPa boost."


@pytest.mark.asyncio
async def test_a_frozen_plot_stays_while_all_else_goes_on() -> None:
    """Plot, debt history and trends keep their picture; banner, figures and events do not."""
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, owner=False, clock=clock)
    cut = next(story for story in stories() if story.name == "cut_boost")
    async with app.run_test(size=(140, 40)) as pilot:
        await tell(app, link, clock, cut.told[:1], 100.1)
        await tell(app, link, clock, [(100.5, [frame(CALM, rows(0.0, 18.0), 1800)])], 100.5)
        await pilot.press("f")
        await pilot.pause()
        before = text_of(app).splitlines()
        assert "frozen 0.0 s ago" in before[3]
        clock.now_s = 112.5
        await tell(app, link, clock, [(112.5, cut.told[-1][1])], 112.5)
        await pilot.pause()
        after = text_of(app).splitlines()
        assert "frozen 12 s ago" in after[3]
        assert "Over 20 s, frozen" in after[5]
        assert [line[:82] for line in after[4:24]] == [line[:82] for line in before[4:24]]
        assert [line[89:] for line in after[6:9]] == [line[89:] for line in before[6:9]]
        shown = "\n".join(after)
        assert "▬ CUT BOOST" in after[0]
        assert "120 kPa" in shown
        assert "▬ past cut" in shown
        assert "under-delivery" in shown
        assert "f go on" in shown
        await pilot.press("f")
        await pilot.pause()
        assert "frozen" not in text_of(app)
        assert "! short by 500" in text_of(app)


def test_a_copied_trace_is_its_own() -> None:
    """What is added to the one never shows in the other, and only the asked span is copied."""
    trace = Trace(["time_s", "x"])
    trace.add([[float(i), 2.0 * i] for i in range(100)])
    twin = trace.copy(90.0)
    trace.add([[200.0, 1.0]])
    assert twin.column("time_s").tolist() == [float(i) for i in range(89, 100)]
    assert twin.newest("x") == 198.0
    twin.add([[300.0, 3.0]])
    assert trace.newest("time_s") == 200.0
    assert len(Trace(["time_s"]).copy(0.0)) == 0


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("tank_s", "ill", "words", "never"),
    [
        (95.0, {}, "empty in 95 s", "at full"),
        (None, {}, "7 min at full", "empty in"),
        (95.0, {"tank_ml": "stale"}, "? stale", "empty in"),
    ],
)
async def test_the_tank_says_how_long_it_lasts(
    tank_s: float | None, ill: dict[str, str], words: str, never: str
) -> None:
    """At the present use where there is one, at full flow else, and nothing on a stale level."""
    for size in ((80, 24), (120, 36), (200, 50)):
        link, clock = FakeLink(), Clock()
        app = Dashboard(lambda link=link: link, owner=False, clock=clock)  # type: ignore[misc]
        told: list[Message] = [hello(), frame(CALM, rows(17.0, 18.0), 9, ill=ill, tank_s=tank_s)]
        async with app.run_test(size=size) as pilot:
            await tell(app, link, clock, [(100.0, told)], 100.1)
            await pilot.pause()
            line = next(line for line in text_of(app).splitlines() if " tank  " in line)
            assert words in line
            assert never not in line


KEPT = sorted(path.name for path in SCREENS.glob("*.txt") if re.search("80x24|140x40", path.name))

# A row of a list may give way within a label: what is chosen is told whole beside it.
IN_A_LIST = re.compile(r"^[> ] +(?:\S )?(?:high|medium|low|[0-9.]+ s) ")


@pytest.mark.parametrize("name", KEPT)
def test_no_sentence_loses_its_end(name: str) -> None:
    """On no kept screen does a sentence end in dots."""
    for line in (SCREENS / name).read_text(encoding="utf-8").splitlines():
        assert "…" not in line or IN_A_LIST.search(line), line


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("onset_kpa", "boost_kpa", "labels", "row"),
    [(-25.0, -62.0, ["0", "-80"], 6), (60.0, 150.0, ["150", "0", "-75"], 0)],
)
async def test_the_axis_of_boost_fits_what_the_engine_has(
    onset_kpa: float, boost_kpa: float, labels: list[str], row: int
) -> None:
    """Where spray begins below the air outside, the axis is all vacuum, down to what is read."""
    app, link, clock = _app()
    calm = frame("No action: nothing.", rows(0.0, 18.0, boost_kpa=boost_kpa), 1800)
    told: list[tuple[float, list[Message]]] = [
        (100.0, [hello(onset_kpa=onset_kpa, limits={}), calm])
    ]
    async with app.run_test(size=(200, 60)) as pilot:
        await tell(app, link, clock, told, 100.1)
        await pilot.pause()
        lines = text_of(app).splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith(" Boost, kPa"))
    plot = lines[at + 1 : at + 10]
    assert [line[:6].strip() for line in plot if line[6] == "┤"] == labels
    # The pull, once it is up, stands at its height.
    assert all("⠀" < cell <= "⣿" for cell in plot[row][80:96])
