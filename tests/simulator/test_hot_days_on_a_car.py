"""A hot day on a car with a spray switch: more air comes to the same spray, and is cooled less."""

from simulator.plant import Do, Scenario, Step
from simulator.proof.false_pulls import watch
from simulator.rig import find_rig, load_rig
from simulator.runs import Drive

FULL_OF_AIR = (Step(Do.IDLE, 4.0), Step(Do.CRUISE, 3.0, 3, 15.0), Step(Do.PULL, 6.0, 3, 60.0))


def test_an_engine_that_speeds_up_under_the_same_spray_pulls_nothing() -> None:
    """From 1500 to 5000 rpm its charge warms by 17 K, half of it cooling that more air takes."""
    car = load_rig(find_rig("ullesby")).rig
    scenario = Scenario("hot", "hot", car, FULL_OF_AIR, rate_hz=100.0, seed=1, ambient_c=38.0)
    drive = Drive(scenario, 1, guarded=False, compiled=False)
    watched = watch(car, [block.rows for block in drive])
    assert watched.sprayed_s > 4.0
    assert not watched.entries.any()
