"""Evidence and debt on the screen: quiet while healthy, plain once they are not."""

from typing import Any

import pytest

from monitor.attach.message_parts import Thresholds
from monitor.attach.protocol import Message
from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink
from monitor.screen.panes.evidence_and_debt import BLOCK
from rules.step.evidence import CALM_NATS
from tests.kit.screen_messages import frame, hello, rows
from tests.kit.screen_script import Clock, tell, text_of

WARN, PULL, CUT = 13.7, 16.0, 0.4  # as the invented guard says
SIZES = ((80, 24), (120, 36), (140, 40), (200, 50))


async def _shown(
    size: tuple[int, int],
    evidence: float,
    debt_s: float,
    *,
    share: float = 1.0,
    at: tuple[float, float, float] = (WARN, PULL, CUT),
    **facts: Any,
) -> list[str]:
    """Return the screen's lines where this is the newest decision, after calm ones."""
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, owner=False, clock=clock)
    newest = rows(18.0, 18.2, share=share, evidence=evidence, debt_s=debt_s)
    told: list[Message] = [
        hello(thresholds=Thresholds(*at)),
        frame("No action: nothing.", [*rows(0.0, 18.0), *newest], 1800, **facts),
    ]
    async with app.run_test(size=size) as pilot:
        await tell(app, link, clock, [(100.0, told)], 100.1)
        await pilot.pause()
        return text_of(app).splitlines()


def _bars(lines: list[str]) -> tuple[str, str]:
    """Return both bars, from their names on."""
    evidence = next(i for i, line in enumerate(lines) if " Evidence " in line and "▕" in line)
    begin = lines[evidence].index(" Evidence ")
    return lines[evidence][begin:], lines[evidence + 1][begin:]


@pytest.mark.asyncio
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("at", [(WARN, PULL, CUT), (2.0, 3.0, 9.0), (1.0, 99.0, 0.01)])
async def test_both_limits_stand_below_each_other(
    at: tuple[float, float, float], size: tuple[int, int]
) -> None:
    """Whatever the limits are, one look along one column tells how far both are."""
    evidence, debt = _bars(await _shown(size, 0.0, 0.0, at=at))
    ticks = [[i for i, sign in enumerate(bar) if sign == "┊"] for bar in (evidence, debt)]
    assert 1 <= len(ticks[0]) <= 2
    assert ticks[0][-1] == ticks[1][0]
    assert len(ticks[1]) == 1
    assert f"pull {at[1]:.0f}" in evidence
    assert f"cut {at[2]:.2f} s" in debt
    assert (f"warn {at[0]:.0f}" in evidence) is (size[0] == 80 or size[0] == 200)


@pytest.mark.asyncio
@pytest.mark.parametrize("size", SIZES)
async def test_healthy_noise_moves_nothing(size: tuple[int, int]) -> None:
    """Evidence that the rules call calm, and the debt beside it, change no bar and no figure."""
    still = _bars(await _shown(size, 0.0, 0.0))
    assert "low" in still[0]
    assert "none" in still[1]
    assert BLOCK not in "".join(still)
    assert _bars(await _shown(size, 0.99 * CALM_NATS, 0.05)) == still
    moved = _bars(await _shown(size, 1.01 * CALM_NATS, 0.05))
    assert BLOCK in moved[0]
    assert "0.05 s" in moved[1]


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("evidence", "debt_s", "said", "never"),
    [
        (WARN - 0.1, 0.1, (), ("past",)),
        (WARN, 0.1, ("! past warn",), ("past pull", "past cut")),
        (PULL, 0.1, ("▼ past pull", "0.10 s"), ("past warn", "past cut")),
        (2.0 * PULL, CUT, ("▼ past pull", "▬ past cut", "0.40 s"), ("past warn",)),
        # A slow fade owes much before it is sure: until then boost is not cut for it.
        (WARN, 2.0 * CUT, ("! past warn", "0.80 s"), ("past cut",)),
    ],
)
@pytest.mark.parametrize("size", SIZES)
async def test_what_is_passed_is_said(
    size: tuple[int, int],
    evidence: float,
    debt_s: float,
    said: tuple[str, ...],
    never: tuple[str, ...],
) -> None:
    """The hardest limit that is passed, with its sign, and only where it has its consequence."""
    shown = "\n".join(_bars(await _shown(size, evidence, debt_s, share=0.6)))
    assert all(words in shown for words in said)
    assert not any(words in shown for words in never)


@pytest.mark.asyncio
async def test_line_pressure_alone_never_cuts_boost() -> None:
    """So no debt is past its limit until the flow speaks for it too."""
    for by_line, cut in ((PULL, False), (0.1 * PULL, True)):
        shown = await _shown((80, 24), 2.0 * PULL - 3.0, 2.0 * CUT, line_evidence=by_line)
        assert "▼ past pull" in _bars(shown)[0]
        assert ("▬ past cut" in _bars(shown)[1]) is cut


@pytest.mark.asyncio
@pytest.mark.parametrize("size", SIZES)
async def test_what_is_not_judged_is_never_low(size: tuple[int, int]) -> None:
    """With an essential reading lost, calm evidence is unknown; what had risen stays to be seen."""
    for evidence, figure in ((0.0, "--"), (10.0, "10")):
        bars = _bars(await _shown(size, evidence, 0.1, all_healthy=0.0))
        for bar in bars:
            assert "? not judged" in bar
            assert "low" not in bar
            assert "none" not in bar
        assert figure in bars[0]


@pytest.mark.asyncio
@pytest.mark.parametrize("size", SIZES)
async def test_short_is_said_once_there_is_evidence(size: tuple[int, int]) -> None:
    """Noise takes a healthy reading below the plausible band now and then: no word of it."""
    for evidence, said in ((0.9 * WARN, False), (WARN, True)):
        shown = "\n".join(await _shown(size, evidence, 0.1, share=0.6))
        assert ("! short by 200" in shown) is said
    within = "\n".join(await _shown(size, 2.0 * PULL, 1.0, share=0.95))
    assert "! short" not in within
