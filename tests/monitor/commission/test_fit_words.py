"""What a fit buys, in words."""

from dataclasses import replace

import pytest

from monitor.commission.buys import NONE, Buys, FalsePulls
from monitor.commission.fit_words import buys_in_words
from monitor.commission.fitting import Fitted
from monitor.commission.thresholds import pump_stop
from simulator.identify import Identified
from simulator.rig import find_rig, load_rig

RIG_FILE = load_rig(find_rig("brindle"))


@pytest.mark.parametrize(("count", "told"), [(0, False), (1, True), (20, True)])
def test_false_pulls_of_the_simulated_car_are_marked(count: int, told: bool) -> None:
    """Ten times as many as the rig wants, and more, are no chance: a line with a mark says so."""
    found = Identified((), (), {}, (), None)
    fitted = Fitted(RIG_FILE, (), found, (), RIG_FILE, "")
    soon = pump_stop(RIG_FILE.rig, 0.02)
    said = buys_in_words(fitted, Buys(soon, soon, NONE, NONE, FalsePulls(count, 900.0)))
    assert any(line.startswith("! that is far more than wanted") for line in said) is told
    calm = replace(RIG_FILE.rig.debt, false_pull_every_h=0.1)
    easy = replace(fitted, new=replace(RIG_FILE, rig=replace(RIG_FILE.rig, debt=calm)))
    said = buys_in_words(easy, Buys(soon, soon, NONE, NONE, FalsePulls(count, 900.0)))
    assert not any(line.startswith("! ") for line in said)
