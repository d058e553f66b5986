"""Counts of false pulls, and what they say of a hundred hours."""

from dataclasses import replace

import pytest

from monitor.commission.buys import FalsePulls, drives_of
from tests.kit.rigs import rig


def test_counts_add_up_to_a_rate() -> None:
    """None in a quarter and three quarters of an hour bound 369 in a hundred."""
    both = FalsePulls(0, 900.0) + FalsePulls(0, 2700.0)
    assert both == FalsePulls(0, 3600.0)
    assert both.at_most_per_100_h == pytest.approx(368.9, abs=0.1)


def test_drives_are_the_cars_own() -> None:
    """As many as wanted, each of its own seed, in gears that the car has, at its rows' rate."""
    gears = (3.0, 1.5)
    car = replace(rig(), vehicle=replace(rig().vehicle, gears=gears))
    drives, _ = drives_of(car, 0.02, 3)
    assert [drive.seed for drive in drives] == [1, 2, 3]
    assert max(step.gear for step in drives[0].drive) == len(gears)
    assert {drive.rate_hz for drive in drives} == {50.0}
    assert drives_of(car, 0.5, 1)[0][0].rate_hz == 5.0
