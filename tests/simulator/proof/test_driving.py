"""Healthy driving: varied, the same for the same number, and never beyond what the car can."""

from dataclasses import replace

import numpy as np
import pytest

from rules.channels import COLUMN_OF, NOT_SENT, ROW_WIDTH
from rules.facts import Rig
from simulator.plant import Do
from simulator.proof.driving import Outing, outing
from simulator.proof.population import Population, Range, draw, filled
from simulator.rig import find_rig, load_rig, shipped_rigs
from tests.kit.proofs import brindle
from tests.kit.rigs import rig

BRINDLE = brindle().rig
WIDE = replace(
    filled(Population(), BRINDLE, 0.01), rate_hz=Range(10.0, 200.0), ambient_c=Range(-10.0, 40.0)
)


def of(car: Rig, number: int) -> Outing:
    """Return one of a car's outings."""
    return outing(car, draw(WIDE, number))


def test_a_number_names_its_drive() -> None:
    """The same drive again, another for another number, of the very car that was drawn."""
    assert of(BRINDLE, 7) == of(BRINDLE, 7)
    assert len({of(BRINDLE, i).scenario.drive for i in range(20)}) == 20
    drawn, drive = draw(WIDE, 7), of(BRINDLE, 7).scenario
    made = (drive.seed, drive.spread, drive.rate_hz, drive.ambient_c)
    assert made == (drawn.seed, drawn.spread, drawn.rate_hz, drawn.ambient_c)


def test_driving_is_varied() -> None:
    """Fine and coarse loggers, all a driver does, jabs and long pulls, full and part throttle."""
    outings = [of(BRINDLE, i) for i in range(60)]
    assert 5 < sum(one.coarse for one in outings) < 30
    steps = [step for one in outings for step in one.scenario.drive]
    assert {step.do for step in steps} == set(Do)
    pulls = [step for step in steps if step.do is Do.PULL]
    assert min(step.for_s for step in pulls) < 0.3
    assert max(step.for_s for step in pulls) > 9.0
    assert {step.gear for step in pulls} == set(range(2, 7))
    part = [step.throttle_pct for step in pulls if step.throttle_pct < 100.0]
    assert len(part) > 0.3 * len(pulls)


@pytest.mark.parametrize("name", shipped_rigs())
def test_the_car_can_drive_it(name: str) -> None:
    """No gear it lacks, no step of no time, and seven minutes, more or less, if its tank allows."""
    car = load_rig(find_rig(name)).rig
    for i in range(10):
        drive = of(car, i).scenario
        assert max(step.gear for step in drive.drive) <= len(car.vehicle.gears)
        assert min(step.for_s for step in drive.drive) > 0.0
        assert 200.0 < drive.duration_s < 460.0


def test_a_few_gears_and_a_small_tank() -> None:
    """A car of two gears stays in them, and one with a small tank comes home early."""
    small = replace(
        BRINDLE,
        vehicle=replace(BRINDLE.vehicle, gears=(3.0, 1.5)),
        spray=replace(BRINDLE.spray, tank_ml=900.0),
    )
    drives = [of(small, i).scenario for i in range(10)]
    assert max(step.gear for drive in drives for step in drive.drive) == 2
    assert max(drive.duration_s for drive in drives) < 200.0


def test_a_coarse_logger_writes_in_eight_bits() -> None:
    """Boost, flow and line in 255 steps over what is plausible, the rest as it was."""
    car = next(one for i in range(60) if (one := of(BRINDLE, i)).coarse)
    fine = next(one for i in range(60) if not (one := of(BRINDLE, i)).coarse)
    rows = np.full((4, ROW_WIDTH), 33.337)
    boost, flow = COLUMN_OF["boost_kpa"], COLUMN_OF["delivered_ml_min"]
    rows[2, flow] = NOT_SENT
    written = car.logged(rows)
    assert fine.logged(rows) is rows
    assert (rows[0] == 33.337).all()
    step = 350.0 / 255.0
    assert written[0, boost] == pytest.approx(step * round(33.337 / step))
    assert written[2, flow] == NOT_SENT
    assert written[3, flow] == pytest.approx(600.0 / 255.0 * 14)
    same = np.delete(written, [boost, flow, COLUMN_OF["line_kpa"]], axis=1)
    assert (same == 33.337).all()
    boundless = replace(car, scenario=replace(car.scenario, rig=rig()))
    assert np.isfinite(boundless.logged(rows)[:, boost]).all()
