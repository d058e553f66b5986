"""What a person does at the screen, by keyboard from end to end, and by mouse where they like."""

import pytest
from textual.pilot import Pilot

from monitor.attach.protocol import Command
from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink
from monitor.screen.finder import Finder
from monitor.words.look import Look, ThemeName
from monitor.words.palette import CONTRAST, LIGHT
from monitor.words.units import US
from tests.kit.screen_messages import event_turn
from tests.kit.screen_script import (
    THEMES,
    Clock,
    event,
    hello,
    picture_file,
    picture_of,
    stories,
    tell,
    text_of,
)

STORIES = {story.name: story for story in stories()}


def _app(look: Look = Look(), *, owner: bool = False) -> tuple[Dashboard, FakeLink, Clock]:  # noqa: B008
    link, clock = FakeLink(), Clock()
    return Dashboard(lambda: link, owner, look=look, clock=clock), link, clock


async def _listed(pilot: Pilot[str | None]) -> str:
    """Wait until the finder has looked, and return the screen."""
    await pilot.pause()
    while any(one.is_running for one in pilot.app.workers if one.node is pilot.app.screen):
        await pilot.pause()
    await pilot.pause()
    return text_of(pilot.app)  # type: ignore[arg-type]


@pytest.mark.asyncio
async def test_a_trip_is_watched_frozen_and_looked_at_in_other_units_and_themes() -> None:
    """Watch, freeze, change units and theme, choose an older event, go on, acknowledge, leave."""
    app, link, clock = _app()
    story = STORIES["cut_boost"]
    async with app.run_test(size=(140, 40)) as pilot:
        await tell(app, link, clock, story.told[:-1], 101.45)
        await pilot.pause()
        assert "▼ PULL TIMING" in text_of(app)
        await pilot.press("f")
        await tell(app, link, clock, story.told[-1:], story.seen_at_s)
        await pilot.press("u", "t", "t")
        await pilot.pause()
        shown = text_of(app)
        assert "▬ CUT BOOST   to 14.5 psi" in shown
        assert "frozen 0.6 s ago" in shown
        assert "Likely pump stopped 71 %" in shown
        assert (app.units, app.palette) == (US, CONTRAST)
        await pilot.press("down")
        await pilot.pause()
        lines = text_of(app).splitlines()
        assert any(line.startswith(">   12.30 s  knock") for line in lines)
        await pilot.press("f", "a", "up")
        await pilot.pause()
        assert "frozen" not in text_of(app)
        assert link.sent == [Command("acknowledge")]
        await pilot.press("q")
    assert app.return_value == "Detached; the guard goes on (process 4711)."


@pytest.mark.asyncio
@pytest.mark.parametrize("size", [(80, 24), (140, 40)], ids=str)
async def test_the_finder_lists_finds_and_does(size: tuple[int, int]) -> None:
    """Ctrl+p lists every control; letters are letters there; enter does it; the top line lives."""
    app, link, clock = _app(owner=True)
    story = STORIES["pull_timing"]
    async with app.run_test(size=size) as pilot:
        await tell(app, link, clock, story.told[:-1], 101.05)
        await pilot.press("ctrl+p")
        shown = await _listed(pilot)
        for found in app.found():
            assert f"({found.shown})" in shown, found
        await tell(app, link, clock, story.told[-1:], story.seen_at_s)
        await pilot.pause()
        assert "▼ PULL TIMING   5.5 deg taken back" in text_of(app)  # drawn while it is open
        await pilot.press(*"q_t")  # neither leaves nor switches the theme
        assert isinstance(app.screen, Finder)
        assert link.sent == []
        await pilot.press(*["backspace"] * 3, *"us units")
        shown = await _listed(pilot)
        assert "metric and US units" in shown
        assert "(d)" not in shown
        await pilot.press("enter")
        await pilot.pause()
        await pilot.pause()
        assert app.screen is app.front
        assert app.units is US
        await pilot.press("ctrl+p")
        await _listed(pilot)
        await pilot.press("escape")
        await pilot.pause()
        assert app.screen is app.front
        await pilot.press("ctrl+p")
        await _listed(pilot)
        await pilot.press("ctrl+c")  # leaving works from everywhere
        await pilot.pause()
    assert link.sent == [Command("stop")]


@pytest.mark.asyncio
async def test_a_letter_is_a_letter_where_something_is_typed() -> None:
    """In the line at the foot, q and its like are text; ctrl+c still leaves."""
    app, _, _ = _app()
    async with app.run_test(size=(80, 24)) as pilot:
        asked = app.run_worker(app.ask("Note", kept="b"))
        await pilot.pause()
        await pilot.press(*"quit", "question_mark", "enter")
        await pilot.app.workers.wait_for_complete([asked])
        assert asked.result == "bquit?"
        assert app.return_value is None
        app.run_worker(app.ask("Note"))
        await pilot.pause()
        await pilot.press("ctrl+c")
    assert app.return_value is not None


@pytest.mark.asyncio
@pytest.mark.parametrize("theme", ["dark", "mono"])
async def test_a_click_chooses_an_event_or_does_a_word(theme: ThemeName) -> None:
    """On its row, on its word; a click beside either does nothing."""
    app, link, clock = _app(Look(theme=theme))
    old = event(time_s=5.0, finding="knock", explanation="Older.", until_s=6.5)
    async with app.run_test(size=(80, 24)) as pilot:
        await tell(app, link, clock, [(100.0, [hello(events=[old])])], 100.0)
        turn = event_turn("raised", event(explanation="Newest."))
        await tell(app, link, clock, [(100.0, [turn])], 100.0)
        await pilot.pause()
        assert "Newest." in text_of(app)
        await pilot.click("#events", offset=(20, 2))
        await pilot.pause()
        assert "Older." in text_of(app)
        await pilot.click("#events", offset=(20, 1))
        await pilot.pause()
        assert "Newest." in text_of(app)
        await pilot.click("#events", offset=(20, 0))
        keys = text_of(app).splitlines()[-1]
        await pilot.click("#keys", offset=(keys.index("acknowledge"), 0))
        await pilot.pause()
        assert link.sent == [Command("acknowledge")]
        await pilot.click("#keys", offset=(79, 0))
        await pilot.click("#keys", offset=(keys.index("help"), 0))
        await pilot.pause()
        await pilot.pause()
        assert "Whoever drives must not read this screen" in text_of(app)
    assert link.sent == [Command("acknowledge")]


# --- pictures of the themes ---------------------------------------------------------------------


@pytest.mark.asyncio
@pytest.mark.parametrize("theme", THEMES)
async def test_each_theme_has_its_picture(theme: ThemeName) -> None:
    """Colours and weights of every cell are as when last looked at."""
    assert picture_file(theme).read_text(encoding="utf-8") == await picture_of(theme)


@pytest.mark.asyncio
async def test_the_light_theme_is_asked_for_by_its_word() -> None:
    """The command line's word reaches the screen."""
    app, _, _ = _app(Look(theme="light"))
    async with app.run_test():
        assert app.palette is LIGHT
        assert app.current_theme.background == LIGHT.ground
