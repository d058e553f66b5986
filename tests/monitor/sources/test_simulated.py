"""The simulated car as a source: a closed loop."""

from math import inf

import pytest

from monitor.sources.base import Arrival
from monitor.sources.simulated import SimulatedSource
from rules.guard import Guard
from simulator.scenario import scenario_from_text
from tests.kit.decisions import altered
from tests.kit.source_cases import RIG


@pytest.mark.asyncio
async def test_the_simulated_car_hears_what_is_decided() -> None:
    """A ceiling decided on changes the car: it is a closed loop."""
    drive = scenario_from_text(
        'name = "pull"\nteaches = "Nothing."\nrig = "brindle"\n'
        '[[drive]]\ndo = "pull"\nfor = "4 s"\ngear = 4\n',
        "pull.toml",
    )
    cut = altered(Guard(RIG.rig).decision(), boost_ceiling_kpa=30.0, retard_deg=5.0)
    peaks = []
    for reacts in (False, True):
        source = SimulatedSource(drive, seed=1, speed=inf)
        peak_kpa = 0.0
        async with source:
            async for item in source:
                if reacts:
                    source.react(cut)
                if isinstance(item, Arrival):
                    peak_kpa = max(peak_kpa, item.sample.boost_kpa)
        peaks.append(peak_kpa)
    assert peaks[0] > 120.0
    assert peaks[1] < 60.0


@pytest.mark.asyncio
async def test_a_simulated_line_that_falls_silent_is_acted_on() -> None:
    """Nothing comes any more at full boost: the guard hears time pass, and cuts as the rig says."""
    drive = scenario_from_text(
        'name = "gone"\nteaches = "Nothing."\nrig = "brindle"\n'
        '[[drive]]\ndo = "pull"\nfor = "6 s"\ngear = 4\n'
        '[[faults]]\nkind = "unplugged"\nat = "4 s"\n',
        "gone.toml",
    )
    guard = Guard(drive.rig)
    acted_s = []
    async with SimulatedSource(drive, seed=1, speed=inf) as source:
        async for item in source:
            if isinstance(item, Arrival):
                decision = guard.step(item.sample)
                source.react(decision)
                if decision.action >= 3.0:
                    acted_s.append(decision.time_s)
    assert 4.3 < acted_s[0] < 4.9
