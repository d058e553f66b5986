"""Other limits: the same cars, each guard acting by its own."""

import pytest

from simulator.proof import limits
from simulator.proof.limits import RUNS, TIMES, at_limits, with_limit
from simulator.proof.outcomes import CHUNK, Cars, Outcome, measure
from simulator.proof.requirements import Requirement
from simulator.proof.results import RowResult, Verdict
from tests.kit.proofs import QUICK, brindle, ran, requirements


def cars() -> Cars:
    """Return the cars of a rig that ships."""
    rig = brindle().rig
    return Cars(rig, rig, requirements().population)


def test_a_calmer_guard_is_later() -> None:
    """The rig's own limit changes nothing; a higher one is reached later, by the very same car."""
    clog = QUICK.replace('kind = "pump_stop"', 'kind = "clogged_nozzle", magnitude = "25 %"')
    (row, _) = requirements(clog).requirements
    as_it_is = measure(cars(), row, 3)
    assert measure(with_limit(cars(), 1.0), row, 3) == as_it_is
    sooner, later = (measure(with_limit(cars(), times), row, 3) for times in (0.01, 100.0))
    assert sooner.onset_s == as_it_is.onset_s == later.onset_s
    assert sooner.pull_s < as_it_is.pull_s < later.pull_s


def test_each_limit_drives_the_same_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows that ask for no action, or never began, have none."""

    def made_up(cars: Cars, row: Requirement, chunk: int) -> list[Outcome]:
        pull_s = cars.guard.debt.false_pull_every_h
        return [ran(chunk * CHUNK + i, pull_s) for i in range(CHUNK - 1)] + [Outcome(chunk)]

    monkeypatch.setattr(limits, "run_chunk", made_up)
    asking, calm = requirements().requirements
    rows = [
        RowResult(calm, Verdict.PASS, (ran(),)),
        RowResult(asking, Verdict.PASS, (ran(),)),
        RowResult(asking, Verdict.UNDECIDED, (Outcome(0),)),
    ]
    told: list[tuple[int, int]] = []
    none, found, nowhere = at_limits(cars(), rows, progress=lambda *done: told.append(done))
    assert (none, nowhere) == ((), ())
    own_h = brindle().rig.debt.false_pull_every_h
    assert [limit.every_h for limit in found] == [times * own_h for times in TIMES]
    assert [limit.own for limit in found] == [times == 1.0 for times in TIMES]
    for limit in found:
        assert len(limit.outcomes) == RUNS - RUNS // CHUNK
        assert {outcome.pull_s for outcome in limit.outcomes} == {limit.every_h}
        assert len({outcome.number for outcome in limit.outcomes}) == len(limit.outcomes)
    assert told[-1] == (len(TIMES) * RUNS // CHUNK,) * 2
