"""Why a row fails, by trial: what in the rig, were it another, would let its failing runs pass.

These runs are driven again, the same cars, by a guard whose rig differs in one thing: a delay, a
tolerance, a threshold. Whichever sets most of them right is named.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

from rules.facts import Rig
from simulator.plant import Spread
from simulator.proof.outcomes import Cars, staged, watched
from simulator.proof.results import Failing, Proof, RowResult, Verdict, failings
from simulator.rig.keys import RIG
from simulator.rig.tables import FactTable

TRIED: Final = 8  # failing runs
_MOST_KEYS: Final = 12  # that differ between two rigs, for each to be tried by itself
_NAMED: Final = 0.5  # of them that have to pass
_CALMEST_H, _QUICKEST_H = 1e5, 1.0
_EXACT_S: Final = 1e-3
_LATE: Final = (Failing.NOTHING_DONE, Failing.LATE)
_OF_THE_CAR: Final = ("engine", "vehicle", "injectors", "channels")  # more of a car than of a guard


@dataclass(frozen=True, slots=True)
class _Change:
    """One thing of a rig that is another.

    Attributes:
        says: What, as a clause.
        of: The rig that has it, for a car.
    """

    says: str
    of: Callable[[Rig, Spread], Rig]


def explained(proof: Proof, cars: Cars) -> Proof:
    """Return a proof whose failing rows say, where it can be found, what in the rig fails them."""
    return replace(proof, rows=tuple(_explained(row, cars) for row in proof.rows))


def _explained(result: RowResult, cars: Cars) -> RowResult:
    if result.verdict is not Verdict.FAIL:
        return result
    row = result.requirement
    failed = [outcome for outcome in result.begun if failings(row, outcome)][:TRIED]
    late = any(failing in _LATE for outcome in failed for failing in failings(row, outcome))
    runs = [staged(cars, row, outcome.number) for outcome in failed]
    best, most = "", 0
    for change in _changes(cars, late=late):
        passed = 0
        for scenario, drawn, twin_kj in runs:
            guard = change.of(cars.guard, drawn.spread)
            passed += not failings(row, watched(scenario, drawn, twin_kj, guard))
        if passed > most:
            best, most = change.says, passed
        if most == len(runs):
            break
    if most < _NAMED * len(runs):
        return result
    told = f"{most} of {len(runs)} failing runs pass {best}"
    return replace(result, reason=f"{result.reason}; tried again, {told}")


def _changes(cars: Cars, *, late: bool) -> Iterator[_Change]:
    """Yield what may be wrong: what the cars contradict first, then thresholds and tolerances."""
    if cars.car is not cars.guard:
        yield from _unlike(cars.guard, cars.car)
    yield _sensor("with the transport_delay a car has", lambda car: {"delay_s": car.delay_s})
    yield _sensor("with the lag a car has", lambda car: {"lag_s": car.lag_s})
    sensor, debt = cars.guard.flow_sensor, cars.guard.debt
    hours = _QUICKEST_H if late else _CALMEST_H
    yield _Change(
        f"with [debt] false_pull_every = {hours:zg} h, not {debt.false_pull_every_h:zg} h",
        lambda rig, _: replace(rig, debt=replace(debt, false_pull_every_h=hours)),
    )
    gain = f"gain_within = {100.0 * sensor.gain_within:zg} %"
    within = f"transport_delay_within = {1e3 * sensor.delay_within_s:zg} ms"
    if late:
        third = {"gain_within": sensor.gain_within / 3.0}
        yield _sensor(f"with a third of [flow_sensor] {gain}", lambda _: third)
        yield _sensor(
            f"with the delay known, without [flow_sensor] {within}",
            lambda car: {"delay_s": car.delay_s, "delay_within_s": _EXACT_S},
        )
        half = {"cut_s": 0.5 * debt.cut_s, "cut_ml": 0.5 * debt.cut_ml}
        yield _Change(
            "with half of [debt] cut",
            lambda rig, _: replace(rig, debt=replace(debt, **half)),
        )
        return
    twice = {"gain_within": 2.0 * sensor.gain_within}
    yield _sensor(f"with twice [flow_sensor] {gain}", lambda _: twice)
    wider = {"delay_within_s": min(2.0 * sensor.delay_within_s, 0.99 * sensor.delay_s)}
    yield _sensor(f"with twice [flow_sensor] {within}", lambda _: wider)


def _sensor(says: str, values: Callable[[Spread], dict[str, float]]) -> _Change:
    """Return a change of the flow sensor's terms."""

    def of(rig: Rig, car: Spread) -> Rig:
        return replace(rig, flow_sensor=replace(rig.flow_sensor, **values(car)))

    return _Change(says, of)


def _unlike(guard: Rig, car: Rig) -> Iterator[_Change]:
    """Yield what the guard's rig has otherwise than the cars': key by key, then whole tables."""
    keys, tables = [], []
    for key in RIG.KEYS:
        name = key.field or key.name
        if key.field is None or name in _OF_THE_CAR or name not in Rig.__slots__:
            continue
        mine, theirs = getattr(guard, name), getattr(car, name)
        if mine == theirs or isinstance(mine, str):
            continue
        tables.append(_taken((name,), theirs, f"[{key.name}]"))
        inner = key.wants.KEYS if _is_table(key.wants) else ()
        for one in inner:
            field = one.field or one.name
            if one.field is not None and getattr(mine, field) != getattr(theirs, field):
                told = f"[{key.name}] {one.name}"
                keys.append(_taken((name, field), getattr(theirs, field), told))
    yield from keys if len(keys) <= _MOST_KEYS else ()
    yield from tables


def _taken(path: tuple[str, ...], value: Any, told: str) -> _Change:
    def of(rig: Rig, _: Spread) -> Rig:
        if len(path) == 1:
            return replace(rig, **{path[0]: value})
        table = replace(getattr(rig, path[0]), **{path[1]: value})
        return replace(rig, **{path[0]: table})

    return _Change(f"with {told} as in the cars' own rig", of)


def _is_table(wants: Any) -> bool:
    return isinstance(wants, type) and issubclass(wants, FactTable)
