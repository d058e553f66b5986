"""Count what a healthy car is told: ``python -m tests.bench healthy``.

Hours of driving by every shipped rig at every rate, each session with a car and a logger of its
own. A bout lasts from the first action until there is none; it counts once, by its worst action.
"""

import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, Final, NamedTuple

import numpy as np

from rules.facts import Action, Rig
from rules.findings import label_of
from rules.guard import Guard
from rules.step.state import FINDING_NAMES, Decision
from simulator.proof.proportions import poisson
from simulator.rig import find_rig, load_rig
from tests.bench.healthy.car import Spread, rows_for
from tests.bench.healthy.drive import make_drive
from tests.bench.table import note, show

SEED: Final = 51
HOURS: Final = 60.0
SESSION_S: Final = 600.0
RIGS: Final = ("brindle", "orrinby", "tarnwick", "ullesby", "wexmoor", "quarrick")
RATES_HZ: Final = (10.0, 20.0, 50.0, 100.0)
ACTION: Final = Decision.names().index("action")
FINDING: Final = Decision.names().index("finding")
EXPECTED: Final = Decision.names().index("expected_ml_min")


def _nominal(rng: Any, rate_hz: float) -> Spread:
    """A car near what the rig says."""
    return Spread(
        rate_hz,
        jitter=0.1,
        gain=float(rng.uniform(0.98, 1.02)),
        delay_s=float(rng.uniform(-0.01, 0.01)),
        lag=float(rng.uniform(0.9, 1.1)),
    )


def _jittered(rng: Any, rate_hz: float) -> Spread:
    return replace(_nominal(rng, rate_hz), jitter=0.6)


def _gain(rng: Any, rate_hz: float) -> Spread:
    return replace(_nominal(rng, rate_hz), gain=float(rng.choice([0.94, 0.96, 1.04, 1.06])))


def _delay(rng: Any, rate_hz: float) -> Spread:
    return replace(_nominal(rng, rate_hz), delay_s=float(rng.choice([-0.04, -0.02, 0.02, 0.04])))


def _lag(rng: Any, rate_hz: float) -> Spread:
    return replace(_nominal(rng, rate_hz), lag=float(rng.choice([0.6, 0.8, 1.25, 1.4])))


def _noisy(rng: Any, rate_hz: float) -> Spread:
    return replace(_nominal(rng, rate_hz), noise=0.04)


def _gated(rng: Any, rate_hz: float) -> Spread:
    return replace(_nominal(rng, rate_hz), refresh_s=float(rng.choice([0.1, 0.2])))


def _line_off(rng: Any, rate_hz: float) -> Spread:
    """A line nearly as far off as rigs allow, read to 8 bits over 2000 kPa."""
    return replace(
        _nominal(rng, rate_hz),
        line_gain=float(rng.choice([0.92, 0.95, 1.05, 1.08])),
        line_step_kpa=2000.0 / 256.0,
    )


def _coarse(rng: Any, rate_hz: float) -> Spread:
    """Boost in 8 bits over 450 kPa, flow in 32 steps of its span."""
    return replace(_nominal(rng, rate_hz), boost_step_kpa=450.0 / 256.0, flow_step_ml_min=30.0)


CARS: Final = {
    "near the rig": _nominal,
    "jitter +-30 %": _jittered,
    "gain +-4 to 6 %": _gain,
    "delay +-20 to 40 ms": _delay,
    "lag x 0.6 to 1.4": _lag,
    "noise 4 %": _noisy,
    "flow refreshed 5 or 10 a second": _gated,
    "boost in 8 bits, flow in 30s": _coarse,
    "line pressure +-5 to 8 %, in 8 bits": _line_off,
}


class Case(NamedTuple):
    """One session: which rig, rate and kind of car, and the seed of all that is drawn."""

    rig: str
    rate_hz: float
    car: str
    seed: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Seen:
    """What came of a session.

    Attributes:
        case: The session.
        driven_h: Hours driven.
        spraying_h: Hours of them with spray expected.
        bouts: For each bout its worst action and the finding behind it.
    """

    case: Case
    driven_h: float
    spraying_h: float
    bouts: tuple[tuple[Action, str], ...]


def bouts_of(decisions: Any) -> Iterator[tuple[Action, str]]:
    """Yield each bout's worst action, and the finding that first asked for it."""
    worst, by = Action.NO_ACTION, ""
    for action, finding in decisions[:, (ACTION, FINDING)]:
        if action == 0.0:
            if worst:
                yield worst, by
            worst, by = Action.NO_ACTION, ""
        elif action > worst:
            worst, by = Action(int(action)), FINDING_NAMES[int(finding)]
    if worst:
        yield worst, by


def stated(rig: Rig, spread: Spread) -> Rig:
    """Return the rig of someone who knows this flow sensor: its noise, how coarse, how often.

    Its noise is a share of full flow here and of the reading there: of half of full flow.
    """
    sensor = rig.flow_sensor
    sensor = replace(
        sensor,
        refresh_s=spread.refresh_s,
        noise=max(sensor.noise, 2.0 * spread.noise),
        floor_ml_min=max(sensor.floor_ml_min, spread.flow_step_ml_min),
    )
    return replace(rig, flow_sensor=sensor)


def session(case: Case) -> tuple[Rig, Any]:
    """Return one session's rig and rows."""
    rng = np.random.default_rng(case.seed)
    rig = load_rig(find_rig(case.rig)).rig
    drive = make_drive(rng, rig, SESSION_S)
    spread = CARS[case.car](rng, case.rate_hz)
    return stated(rig, spread), rows_for(rng, rig, drive, spread)


def run(case: Case) -> Seen:
    """Drive one session and judge it."""
    rig, rows = session(case)
    decisions = Guard(rig).run_rows(rows)
    spraying = float(np.mean(decisions[:, EXPECTED] > 4.0 * rig.flow_sensor.floor_ml_min))
    driven_h = SESSION_S / 3600.0
    return Seen(case, driven_h, spraying * driven_h, tuple(bouts_of(decisions)))


def cases(hours: float, seed: int) -> list[Case]:
    """Return sessions that add up to ``hours`` (at least one of each kind)."""
    kinds = [(r, hz, car) for r in RIGS for hz in RATES_HZ for car in CARS]
    rounds = max(round(hours * 3600.0 / SESSION_S / len(kinds)), 1)
    return [
        Case(rig, rate_hz, car, (seed, turn, at))
        for turn in range(rounds)
        for at, (rig, rate_hz, car) in enumerate(kinds)
    ]


def _per_100_h(seen: Sequence[Seen], action: Action) -> str:
    count = sum(worst == action for one in seen for worst, _ in one.bouts)
    hours = sum(one.driven_h for one in seen)
    low, high = poisson(count)
    return f"{100.0 * count / hours:.0f} ({100.0 * low / hours:.0f}-{100.0 * high / hours:.0f})"


_HEAD: Final = ("h driven", "h spraying", "warnings", "pulls", "cuts")


def _row(seen: Sequence[Seen]) -> tuple[str, ...]:
    return (
        f"{sum(one.driven_h for one in seen):.1f}",
        f"{sum(one.spraying_h for one in seen):.1f}",
        *(
            _per_100_h(seen, action)
            for action in (Action.WARN, Action.PULL_TIMING, Action.CUT_BOOST)
        ),
    )


def main(hours: float = HOURS, seed: int = SEED) -> None:
    """Drive, and print what was falsely said, per 100 h of driving."""
    start_s = time.perf_counter()
    with ProcessPoolExecutor() as workers:
        seen = list(workers.map(run, cases(hours, seed), chunksize=4))
    note(f"\n## Healthy driving, seed {seed}: per 100 h driven, 95 % Poisson interval")
    show("All", _HEAD, [_row(seen)])
    show(
        "By rig and rate",
        ("rig", "rows/s", *_HEAD),
        [
            (
                rig,
                f"{hz:.0f}",
                *_row([s for s in seen if s.case[:2] == (rig, hz)]),
            )
            for rig in RIGS
            for hz in RATES_HZ
        ],
    )
    show(
        "By kind of car and logger",
        ("car", *_HEAD),
        [(car, *_row([s for s in seen if s.case.car == car])) for car in CARS],
    )
    count = Counter((bout, s.case.rig) for s in seen for bout in s.bouts)
    show(
        "What was said falsely, times",
        ("action", "finding", *RIGS),
        [
            (action.word, label_of(name), *(count[(action, name), rig] for rig in RIGS))
            for action, name in sorted({bout for bout, _ in count}, reverse=True)
        ],
    )
    note(f"\n{time.perf_counter() - start_s:.0f} s")
