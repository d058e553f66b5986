"""A proof under way: the same for any number of workers, in any order, broken off or not."""

import json
from dataclasses import replace
from math import inf, isfinite

import numpy as np

from simulator.proof.outcomes import CHUNK, Cars, Outcome, drawn_for, measure
from simulator.proof.proving import Came, Job, Proving, prove_here
from simulator.proof.results import Verdict
from tests.kit.proofs import brindle, ran, requirements

RIG = brindle().rig
ASKED = requirements()
CARS = Cars(RIG, RIG, ASKED.population)


def made_up(job: Job) -> list[Outcome]:
    """Return runs nobody drove: every seventh fails."""
    numbers = range(job.chunk * CHUNK, (job.chunk + 1) * CHUNK)
    return [ran(number, 0.2 if number % 7 else inf) for number in numbers]


def text_of(proving: Proving) -> str:
    """Return a proof's JSON."""
    return json.dumps(proving.proof({"rig": "x"}).as_json(), allow_nan=False)


def test_the_order_in_which_jobs_come_changes_nothing() -> None:
    """Handed out by three, taken in any order: as one by one."""
    texts = set()
    for at_once, seed in ((1, 0), (3, 1), (7, 2)):
        shuffled, proving = np.random.default_rng(seed).permutation, Proving(ASKED, CARS, 200)
        while not proving.done:
            jobs = [job for _ in range(at_once) if (job := proving.wanted()) is not None]
            for number in shuffled(len(jobs)):
                proving.take(jobs[number], made_up(jobs[number]))
        texts.add(text_of(proving))
    assert len(texts) == 1


def test_no_job_is_given_twice() -> None:
    """Each row gets its chunks in order, the row that has fewest first, and no more than it may."""
    proving = Proving(ASKED, CARS, 3 * CHUNK)
    given = []
    while (job := proving.wanted()) is not None:
        given.append(job)
    assert given == [Job(row, chunk) for chunk in range(3) for row in range(2)]


def test_any_number_of_processes_and_a_break_prove_the_same() -> None:
    """Real cars: two rows pass, alike to the byte; what was finished is not run again."""
    whole: dict[Job, Came] = {}
    proving = Proving(ASKED, CARS, 64)
    prove_here(proving, jobs=2, kept={}, keep=whole.__setitem__)
    assert [row.verdict for row in proving.proof({}).rows] == [Verdict.PASS] * 2
    assert whole[Job(0, 0)][3] == measure(CARS, ASKED.requirements[0], 3)

    for kept in ({}, {Job(0, 0): whole[Job(0, 0)]}):
        again: dict[Job, Came] = {}
        resumed = Proving(ASKED, CARS, 64)
        prove_here(resumed, jobs=1, kept=kept, keep=again.__setitem__)
        assert (Job(0, 0) in again) is not bool(kept)
        assert text_of(resumed) == text_of(proving)


def test_a_run_is_what_it_says() -> None:
    """The fault begins at the point, the car is the drawn one, its healthy twin loses no work."""
    stop, noise = ASKED.requirements
    one = measure(CARS, stop, 0)
    assert one.found_s <= one.warn_s <= one.pull_s <= one.cut_s < 1.0
    assert one.worst == 3
    assert one.work_lost_kj > 10.0
    calm = measure(CARS, noise, 0)
    assert calm.began
    assert not isfinite(calm.pull_s)
    assert abs(calm.work_lost_kj) < 1.0
    nowhere = replace(stop, command=(0.99, 0.991), point=noise.point)
    assert not measure(CARS, nowhere, 0).began


def test_the_car_may_not_be_as_the_guard_believes() -> None:
    """The guard's rig decides, the car's drives; channels the guard doesn't map aren't sent."""
    blind = replace(RIG, channels=tuple(t for t in RIG.channels if t.name != "line_kpa"))
    cars = Cars(blind, RIG, ASKED.population)
    assert {t.name for t in cars.driven.channels} == {t.name for t in blind.channels}
    stop = ASKED.requirements[0]
    assert measure(cars, stop, 0).pull_s > measure(CARS, stop, 0).pull_s
    assert drawn_for(cars, stop, 0) == drawn_for(CARS, stop, 0)
