"""Why a row fails, by trial; and how what was found goes with what ``flowdebt check`` reckons.

The runs that fail are driven again, the same cars, by a guard whose rig differs in one thing: a
delay, a tolerance, a threshold. Whichever sets most of them right is named.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any, Final

from rules.channels import LINE
from rules.facts import Action, Rig
from rules.handling import handled, least_due_ml_min
from rules.step.from_rig import constants_of, witness_column
from simulator.plant import FaultKind, Spread
from simulator.proof.driving import outing
from simulator.proof.false_pulls import watch_outing
from simulator.proof.outcomes import Cars, staged, watched
from simulator.proof.population import Range, draw
from simulator.proof.proportions import quantile
from simulator.proof.results import CalmResult, Failing, Proof, RowResult, Verdict, failings
from simulator.rig.keys import RIG
from simulator.rig.tables import FactTable

TRIED: Final = 8  # failing runs
_MOST_KEYS: Final = 12  # that differ between two rigs, for each to be tried by itself
_NAMED: Final = 0.5  # of them that have to pass
_CALMEST_H, _QUICKEST_H = 1e5, 1.0
_EXACT_S: Final = 1e-3
_LATE: Final = (Failing.NOTHING_DONE, Failing.LATE)
_CHECKED: Final = 0.95  # of faults are handled as soon as ``check`` reckons
_FULL_BOOST: Final = ("low", "high")
_SAME: Final = 1e-9
_WITHIN: Final = "no car goes beyond its tolerances"
_TIMES: Final = ("transport delay", "lag")
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
    """Return a proof that says what its rows hang on.

    Its failing rows say, where it can be found, what in the rig fails them; the rows that
    ``flowdebt check`` reckons with say how the two agree.
    """
    beyond = beyond_tolerance(cars)
    rows = [replace(_explained(row, cars), reckoned=_reckoned(row, cars)) for row in proof.rows]
    calms = [_calm_explained(calm, cars) for calm in proof.calms]
    return replace(proof, rows=tuple(rows), calms=tuple(calms), beyond=beyond)


def beyond_tolerance(cars: Cars) -> tuple[str, ...]:
    """Return in what the drawn cars go beyond what the guard's rig allows for, in clauses."""
    sensor, drawn = cars.guard.flow_sensor, cars.population
    delay, lag = sensor.delay_within_s, sensor.lag_within_s
    line = cars.guard.line_sensor.gain_within
    allowed = (
        ("transport delay", drawn.delay_s, Range(sensor.delay_s - delay, sensor.delay_s + delay)),
        ("lag", drawn.lag_s, Range(sensor.lag_s - lag, sensor.lag_s + lag)),
        ("gain", drawn.gain, Range(-sensor.gain_within, sensor.gain_within)),
        ("noise", drawn.noise, Range(0.0, sensor.noise)),
        ("line gain", drawn.line_gain, Range(-line, line)),
    )
    found = []
    for name, of, within in allowed:
        if of and not within.least - _SAME < of.least <= of.most < within.most + _SAME:
            times, unit = (1e3, "ms") if name in _TIMES else (1e2, "%")
            ends = [f"{times * x:z.3g} to {times * y:z.3g}" for x, y in (of.ends, within.ends)]
            found.append(f"{name} {ends[0]} {unit}, where the rig allows {ends[1]}")
    return tuple(found)


def _reckoned(result: RowResult, cars: Cars) -> str:
    """Return how soon 19 of 20 are handled, and what ``check`` makes of it; "" where it doesn't."""
    row, rate = result.requirement, cars.population.rate_hz
    delays = result.delays_s
    (*_, fault) = row.faults
    whole = len(row.faults) == 1 and fault.kind is FaultKind.PUMP_STOP and not fault.ramp_s
    asked = row.at_least is not Action.NO_ACTION and row.point.key in _FULL_BOOST
    if not (delays and whole and asked and rate):
        return ""
    guard, kpa = cars.guard, cars.guard.paid.boost_kpa[-1]
    found = handled(guard, kpa, least_due_ml_min(guard, kpa), 1.0, 1.0 / rate.least)
    reckons_s = (found.warn_s, found.pull_s, found.cut_s)[row.at_least - 1]
    took_s = quantile(delays, _CHECKED) + guard.fault_intervals.reaction_s
    text = (
        f"19 of 20 within {_ms(took_s)}, the controller's reaction included; flowdebt check "
        f"reckons {_ms(reckons_s)}"
    )
    if took_s <= reckons_s:
        return text
    beyond = "; ".join(beyond_tolerance(cars))
    return f"{text}: " + (f"the cars go beyond it: {beyond}" if beyond else _WITHIN)


def _ms(seconds: float) -> str:
    return f"{1e3 * seconds:z.0f} ms" if isfinite(seconds) else "no time"


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
            guard = _possible(change, cars.guard, drawn.spread)
            passed += guard is not None and not failings(
                row, watched(scenario, drawn, twin_kj, guard)
            )
        if passed > most:
            best, most = change.says, passed
        if most == len(runs):
            break
    if most < _NAMED * len(runs):
        return result
    told = f"{most} of {len(runs)} failing runs pass {best}"
    return replace(result, reason=f"{result.reason}; tried again, {told}")


def _calm_explained(result: CalmResult, cars: Cars) -> CalmResult:
    """Have guards of all those rigs watch the drives in which it came, each driven once."""
    if result.verdict is not Verdict.FAIL:
        return result
    changes = list(_changes(cars, late=False))
    passed = [0] * len(changes)
    for number in result.hit:
        drawn = draw(cars.population, number, cars.seed_set)
        rigs = {
            i: rig
            for i, change in enumerate(changes)
            if (rig := _possible(change, cars.guard, drawn.spread)) is not None
        }
        drives = watch_outing(outing(cars.driven, drawn), list(rigs.values()))
        for i, drive in zip(rigs, drives, strict=True):
            passed[i] += not drive.count(result.calm.action)
    most = max(passed, default=0)
    if most < max(_NAMED * len(result.hit), 1):
        return result
    told = f"{most} of {len(result.hit)} such drives pass {changes[passed.index(most)].says}"
    return replace(result, reason=f"{result.reason}; tried again, {told}")


def _possible(change: _Change, guard: Rig, car: Spread) -> Rig | None:
    """Return the changed rig; None where its terms contradict each other."""
    rig = change.of(guard, car)
    try:
        constants_of(rig)
    except ValueError:
        return None
    return rig


def _changes(cars: Cars, *, late: bool) -> Iterator[_Change]:
    """Yield what may be wrong: what the cars contradict first, then thresholds and tolerances."""
    if cars.car is not cars.guard:
        yield from _unlike(cars.guard, cars.car)
    yield _sensor("with the transport_delay a car has", lambda car: {"delay_s": car.delay_s})
    yield _sensor("with the lag a car has", lambda car: {"lag_s": car.lag_s})
    sensor, debt = cars.guard.flow_sensor, cars.guard.debt
    if witness_column(cars.guard) == LINE:
        yield _line(cars.guard, *(("a third of", 1.0 / 3.0) if late else ("twice", 2.0)))
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
        yield _cut("a quarter of", 0.25)
        return
    twice = {"gain_within": 2.0 * sensor.gain_within}
    yield _sensor(f"with twice [flow_sensor] {gain}", lambda _: twice)
    wider = {"delay_within_s": min(2.0 * sensor.delay_within_s, 0.99 * sensor.delay_s)}
    yield _sensor(f"with twice [flow_sensor] {within}", lambda _: wider)
    yield _cut("four times", 4.0)


def _cut(says: str, times: float) -> _Change:
    """Return a change of the debt that cuts boost."""

    def of(rig: Rig, _: Spread) -> Rig:
        changed = {"cut_s": times * rig.debt.cut_s, "cut_ml": times * rig.debt.cut_ml}
        return replace(rig, debt=replace(rig.debt, **changed))

    return _Change(f"with {says} [debt] cut", of)


def _sensor(says: str, values: Callable[[Spread], dict[str, float]]) -> _Change:
    """Return a change of the flow sensor's terms."""

    def of(rig: Rig, car: Spread) -> Rig:
        return replace(rig, flow_sensor=replace(rig.flow_sensor, **values(car)))

    return _Change(says, of)


def _line(guard: Rig, told: str, times: float) -> _Change:
    """Return a change of how far a healthy line may be off."""
    within = guard.line_sensor.gain_within

    def of(rig: Rig, _: Spread) -> Rig:
        return replace(rig, line_sensor=replace(rig.line_sensor, gain_within=times * within))

    return _Change(f"with {told} [line_sensor] gain_within = {100.0 * within:zg} %", of)


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
