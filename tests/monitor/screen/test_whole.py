"""What is said on a screen is said whole, at the smallest size too; labels stand at their ticks."""

import re

import pytest

from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink
from tests.kit.paths import SCREENS
from tests.kit.screen_messages import frame, hello, rows
from tests.kit.screen_script import Clock, tell, text_of

KEPT = sorted(path.name for path in SCREENS.glob("*.txt") if re.search("80x24|140x40", path.name))
# A row of a list may give way within a label: what is chosen is told whole beside it.
IN_A_LIST = re.compile(r"^[> ] +(?:\S )?(?:high|medium|low|[0-9.]+ s) ")


@pytest.mark.parametrize("name", KEPT)
def test_no_sentence_loses_its_end(name: str) -> None:
    """On no kept screen does a sentence end in dots."""
    for line in (SCREENS / name).read_text(encoding="utf-8").splitlines():
        assert "…" not in line or IN_A_LIST.search(line), line


@pytest.mark.asyncio
@pytest.mark.parametrize("size", [(80, 24), (100, 30), (140, 40)])
@pytest.mark.parametrize(
    ("warn", "pull", "cut"),
    [(0.4, 0.8, 5.0), (0.4, 0.5, 5.0), (0.1, 4.5, 5.0), (4.8, 4.9, 5.0), (1.0, 1.0, 9.0)],
)
async def test_labels_of_the_debt_bar_stand_at_their_ticks(
    warn: float, pull: float, cut: float, size: tuple[int, int]
) -> None:
    """Under each tick is a corner with its name and value beside it, all three to be read."""
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, owner=False, clock=clock)
    greeting = hello(thresholds={"warn": warn, "pull": pull, "cut": cut})
    told = frame("No action: nothing.", rows(17.0, 18.0), 1800, debt_ml=0.0)
    async with app.run_test(size=size) as pilot:
        await tell(app, link, clock, [(100.0, [greeting, told])], 100.1)
        await pilot.pause()
        lines = text_of(app).splitlines()
    at = next(i for i, line in enumerate(lines) if " Debt " in line and "▕" in line)
    ticks = {i for i, char in enumerate(lines[at]) if char == "┊"}
    scale = lines[at + 1]
    corners = {i for i, char in enumerate(scale) if char in "└┘┴"}
    named = [f"warn {warn:g}", f"pull {pull:g}", f"cut {cut:g}"]
    begin = scale.index(named[0]) - 1
    assert all(name in scale for name in named)
    assert {i for i in corners if i >= begin} <= ticks
    together = f"{', '.join(named)}┘" in scale
    assert together or {i for i in corners if i >= begin} == ticks
