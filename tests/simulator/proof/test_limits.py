"""Other limits: the same cars, each guard acting by its own."""

import os
from collections.abc import Sequence
from math import exp

import numpy as np
import pytest

from rules.step.from_rig import limit_nats
from simulator.proof import calm, limits
from simulator.proof.false_pulls import Watched
from simulator.proof.limits import RUNS, TIMES, at_limits, with_limit
from simulator.proof.outcomes import CHUNK, Cars, Outcome, measure
from simulator.proof.requirements import Requirement
from simulator.proof.results import RowResult, Verdict
from simulator.strict import BadInput
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
    asking, nothing = requirements().requirements
    rows = [
        RowResult(nothing, Verdict.PASS, (ran(),)),
        RowResult(asking, Verdict.PASS, (ran(),)),
        RowResult(asking, Verdict.UNDECIDED, (Outcome(0),)),
    ]
    told: list[tuple[int, int]] = []
    none, found, nowhere = at_limits(cars(), rows, progress=lambda *done: told.append(done))
    assert {limit.false_pulls for limit in found} == {None}
    assert (none, nowhere) == ((), ())
    own_h = brindle().rig.debt.false_pull_every_h
    assert [limit.every_h for limit in found] == [times * own_h for times in TIMES]
    assert [limit.own for limit in found] == [times == 1.0 for times in TIMES]
    for limit in found:
        assert len(limit.outcomes) == RUNS - RUNS // CHUNK
        assert {outcome.pull_s for outcome in limit.outcomes} == {limit.every_h}
        assert len({outcome.number for outcome in limit.outcomes}) == len(limit.outcomes)
    assert told[-1] == (len(TIMES) * RUNS // CHUNK,) * 2


def test_false_pulls_are_told_from_healthy_drives(monkeypatch: pytest.MonkeyPatch) -> None:
    """A higher limit, fewer of them: by exp(-h), as the drives' peaks are."""
    monkeypatch.setattr(limits, "run_chunk", lambda *_: [ran(i) for i in range(CHUNK)])
    rows = [RowResult(requirements().requirements[0], Verdict.PASS, (ran(),))]
    rng = np.random.default_rng(5)
    none = np.zeros(0)

    def watched(guarded: Sequence[Cars], chunk: int) -> list[list[Watched]]:
        assert [other.guard.debt.false_pull_every_h for other in guarded] == sorted(
            times * cars().guard.debt.false_pull_every_h for times in TIMES
        )
        drives = [1.0 + rng.exponential(1.0, 30) for _ in range(CHUNK)]
        return [[Watched(400.0, 100.0, none, none, peaks) for _ in TIMES] for peaks in drives]

    monkeypatch.setattr(limits, "watch_chunk", watched)
    (found,) = at_limits(cars(), rows, healthy=True)
    rates = [limit.false_pulls for limit in found if limit.false_pulls is not None]
    assert len(rates) == len(TIMES)
    for likeliest, least, most in rates:
        assert least < likeliest < most
    assert rates == sorted(rates, reverse=True)
    expected = 100.0 * 30 * 36.0 * exp(1.0 - limit_nats(cars().guard))
    (_, least, most) = rates[TIMES.index(1.0)]
    assert least < expected < most


def test_each_guard_watches_the_same_drive(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the rig's own guard it is what a proof counts."""
    for module in (calm, limits):
        monkeypatch.setattr(module, "CHUNK", 2)
    guarded = [with_limit(cars(), times) for times in TIMES]
    drives = limits.watch_chunk(guarded, 0)
    own = calm.healthy_chunk(cars(), 0)
    assert [list(drive[TIMES.index(1.0)]) for drive in drives] == [list(one) for one in own]
    for drive in drives:
        assert len({one.sprayed_s for one in drive}) == 1


def killed(*_: object) -> None:
    """End a worker as the system does where memory runs out."""
    os._exit(9)


def test_a_killed_process_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """One line, no traceback."""
    monkeypatch.setattr(limits, "run_chunk", killed)
    rows = [RowResult(requirements().requirements[0], Verdict.PASS, (ran(),))]
    with pytest.raises(BadInput, match="found a process of the proof killed"):
        at_limits(cars(), rows, jobs=2)
