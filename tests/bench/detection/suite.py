"""Run the whole detection bench and print its tables: ``python -m tests.bench detection``.

Everything follows from one seed; tuning and evaluation share none.
"""

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import Any, Final

import numpy as np

from simulator.proof.proportions import miss_count, quantile
from tests.bench.detection import false_pulls, generic, plant_check, shipped
from tests.bench.detection.contenders import Result, contest, families
from tests.bench.detection.drives import EVALUATION, FAULTS, TUNING, World, shipped_rig
from tests.bench.detection.optimum import Theory
from tests.bench.detection.shipped import ms, percent
from tests.bench.detection.signals import (
    NO_FAULT,
    PULL_S,
    Signals,
    delays_ms,
    first_above,
    see,
    threshold_for,
)
from tests.bench.table import note, show

SEED: Final = 20260
RATE: Final = 1.0 / 200.0
CONTEST_ON: Final = "brindle"
START_NATS: Final = 10.5  # from where the contest's limits are tuned
RIVALS: Final = ("raw", "ratio", "ewma", "ewma residual", "accounts", "page-hinkley", "adwin")
EVIDENCE: Final = {
    "evidence": "evidence, as it ships",
    "evidence_fitted": "evidence, after a fit",
}
ELSEWHERE: Final = (
    World("jabs at the pedal", jabs=1.0),
    World("shifts three times as often", shifts=3.0),
    World("noise 8 %, stated", noise=0.08),
    World("noise lasts 200 ms, stated", noise_lasts_s=0.2),
    World("flow held for 200 ms, stated", refresh_s=0.2),
    World("boost of 8 bits", boost_step_kpa=false_pulls.BIT_KPA),
    World("all at the edge", at_edge=True),
)
Half = Mapping[str, Signals]


@dataclass(frozen=True, slots=True)
class Size:
    """How much is driven.

    Attributes:
        cars: By the thresholds that ship, of each rig.
        tuning_healthy: Pulls of the contest that thresholds are tuned on: 20 of 4000 may trip.
        tuning_faulty: Pulls on which a rival's setting is chosen for a fault.
        healthy: Healthy pulls of its evaluation.
        faulty: Pulls of each fault.
        elsewhere: Healthy pulls in each other world.
        nominal_h: Hours of healthy spraying in the nominal world.
        other_h: The same in each of the others.
    """

    cars: int = 600
    tuning_healthy: int = 4000
    tuning_faulty: int = 200
    healthy: int = 2000
    faulty: int = 600
    elsewhere: int = 300
    nominal_h: float = 100.0
    other_h: float = 12.0


FULL: Final = Size()


def drive_half(
    seed: int, half: int, healthy: int, faulty: int, limits: tuple[float, float]
) -> dict[str, Signals]:
    """Return one half's pulls: healthy ones of some cars, every fault of the first of them."""
    seen = see(CONTEST_ON, tuple(FAULTS), range(faulty), seed, half, limits)
    return seen | see(CONTEST_ON, (NO_FAULT,), range(healthy), seed, half, limits)


def tuned_limits(healthy: Signals, rate: float) -> tuple[float, float]:
    """Return the limits of evidence that so many healthy pulls pass: as shipped, and fitted."""
    return (
        threshold_for(healthy.evidence, rate),
        threshold_for(healthy.evidence_fitted, rate),
    )


def of_evidence(key: str, limit: float, evaluation: Half) -> Result:
    """Return the row of the guard's evidence at its tuned limit."""

    def trips(seen: Signals) -> Any:
        return first_above(getattr(seen, key), limit)

    found = {f: delays_ms(trips(evaluation[f]), evaluation[f].onset) for f in FAULTS}
    return Result(
        EVIDENCE[key],
        key,
        dict.fromkeys(FAULTS, f"limit {limit:.1f} nats"),
        found,
        found["25 % missing"],
        int(np.count_nonzero(trips(evaluation[NO_FAULT]) >= 0)),
        len(evaluation[NO_FAULT]),
        trips,
    )


def nulls(evaluation: Half) -> list[Result]:
    """Return the always-trip and the never-trip row."""
    healthy = len(evaluation[NO_FAULT])
    words = dict.fromkeys(FAULTS, "")
    always: dict[str, Any] = {fault: np.zeros(len(evaluation[fault])) for fault in FAULTS}
    never: dict[str, Any] = {fault: np.full(len(evaluation[fault]), inf) for fault in FAULTS}
    return [
        Result("always trip", "always", words, always, always["25 % missing"], healthy, healthy),
        Result("never trip", "never", words, never, never["25 % missing"], 0, healthy),
    ]


def offline_bound(healthy: Signals, evaluation: Half, rate: float) -> Result:
    """Return the offline row: where hindsight places the change, at the same false-trip rate."""
    threshold = threshold_for(generic.offline(healthy)[1][:, None], rate)
    delays: dict[str, Any] = {}
    for fault in FAULTS:
        places, sizes = generic.offline(evaluation[fault])
        delays[fault] = np.where(sizes > threshold, 10.0 * (places - evaluation[fault].onset), inf)
    sizes = generic.offline(evaluation[NO_FAULT])[1]
    return Result(
        "OFFLINE: place of the change, ruptures L2",
        "offline",
        dict.fromkeys(FAULTS, f"size {threshold:.2f}"),
        delays,
        delays["25 % missing"],
        int(np.count_nonzero(sizes > threshold)),
        len(sizes),
    )


def hold_contest(
    seed: int, size: Size, rate: float = RATE
) -> tuple[list[Result], float, tuple[float, float]]:
    """Tune and judge every rule at one rate of false trips.

    Returns:
        A row for each, the seconds of spraying between two false trips, and the limits of evidence.
    """
    limits = (START_NATS, START_NATS)
    few = range(size.tuning_healthy)
    first = see(CONTEST_ON, (NO_FAULT,), few, seed, TUNING, limits)[NO_FAULT]
    limits = tuned_limits(first, rate)  # the most that one reading may add goes with the limit
    tuning = drive_half(seed, TUNING, size.tuning_healthy, size.tuning_faulty, limits)
    limits = tuned_limits(tuning[NO_FAULT], rate)
    evaluation = drive_half(seed, EVALUATION, size.healthy, size.faulty, limits)
    rows = [
        of_evidence(key, limit, evaluation) for key, limit in zip(EVIDENCE, limits, strict=True)
    ]
    lag_s = shipped_rig(CONTEST_ON).flow_sensor.lag_s
    rows += [
        contest(family, tuning, evaluation) for family in families(tuning[NO_FAULT], rate, lag_s)
    ]
    if generic.HAVE_RUPTURES:
        rows.append(offline_bound(tuning[NO_FAULT], evaluation, rate))
    return rows + nulls(evaluation), tuning[NO_FAULT].spraying_s / rate, limits


def elsewhere_table(
    rows: Sequence[Result], seed: int, pulls: int, limits: tuple[float, float]
) -> None:
    """Print what each rule, as it is tuned, trips falsely where it was not tuned."""
    body: list[list[object]] = [[row.name] for row in rows if row.trips is not None]
    for number, world in enumerate(ELSEWHERE, 1):
        few = range(number * 100_000, number * 100_000 + pulls)
        seen = see(CONTEST_ON, (NO_FAULT,), few, seed, EVALUATION, limits, world)[NO_FAULT]
        found = [np.mean(row.trips(seen) >= 0) for row in rows if row.trips is not None]
        for line, share in zip(body, found, strict=True):
            line.append(f"{100.0 * share:.1f}")
    show(
        f"The same rules, tuned as above, in other worlds: % of {pulls} healthy pulls tripped",
        ("rule", *(world.name for world in ELSEWHERE)),
        [tuple(line) for line in body],
    )


def theory_rows(words: str, false_every_s: float, name: str) -> list[tuple[object, ...]]:
    """Return what theory says of a rig's faults, at a time between false trips."""
    sensor = shipped_rig(name).flow_sensor
    of = [Theory(missing, sensor) for missing in FAULTS.values()]
    exact = (
        f"{t.delay_ms(false_every_s, 0.5):.0f} / {t.delay_ms(false_every_s, 0.95):.0f}" for t in of
    )
    first = (f"{t.first_order_ms(false_every_s):.0f} mean" for t in of)
    return [
        (f"{name}, {words}: Brownian, finite time, through the lag", *exact),
        (f"{name}, {words}: first order, no lag", *first),
    ]


def contest_tables(rows: Sequence[Result], false_every_s: float) -> None:
    """Print delays with theory beside them, misses, false trips and settings."""
    body: list[tuple[object, ...]] = [
        (
            row.name,
            *(
                f"{ms(quantile(row.delays[f], 0.5))} / {ms(quantile(row.delays[f], 0.95))}"
                for f in FAULTS
            ),
        )
        for row in rows
    ]
    body += theory_rows("car known", false_every_s, CONTEST_ON)
    show(
        f"Delay from fault to trip, ms, median / 95th percentile (a miss counts as never), on "
        f"{CONTEST_ON}: every rule at 1 false trip in {1.0 / RATE:.0f} healthy pulls, "
        f"{false_every_s / 60.0:.0f} min of spraying",
        ("rule", *FAULTS),
        body,
    )
    show(
        "Missed by the end of the pull, % (95 % Wilson)",
        ("rule", *FAULTS, "25 % missing, setting with fewest misses"),
        [
            (
                row.name,
                *(percent(miss_count(row.delays[f]), len(row.delays[f])) for f in FAULTS),
                percent(miss_count(row.fewest), len(row.fewest)),
            )
            for row in rows
        ],
    )
    show(
        f"False trips on healthy evaluation pulls ({PULL_S:g} s each), % (95 % Wilson)",
        ("rule", "tripped", "%", "setting for 40 % missing"),
        [
            (
                row.name,
                f"{row.false_trips} of {row.healthy}",
                percent(row.false_trips, row.healthy),
                row.settings["40 % missing"],
            )
            for row in rows
        ],
    )
    show(
        "Rivals' best setting for each fault (least median on tuning pulls)",
        ("rule", *FAULTS),
        [(row.name, *(row.settings[f] for f in FAULTS)) for row in rows if row.key in RIVALS],
    )


def contest_bars(rows: Sequence[Result]) -> list[tuple[str, str, str, str]]:
    """Return for each fault: evidence against the best rival's median, and fewest misses."""
    by_key = {row.key: row for row in rows}
    rivals = [by_key[key] for key in RIVALS if key in by_key]
    out = []
    for fault in FAULTS:
        best = min(rivals, key=lambda row: quantile(row.delays[fault], 0.5))
        own, other = (quantile(row.delays[fault], 0.5) for row in (by_key["evidence"], best))
        what = f"median / the best rival's ({best.key}), {fault}"
        held = "pass" if own <= other else "FAIL"
        out.append((what, f"{ms(own)} / {ms(other)}", "no later", held))
    best = min(rivals, key=lambda row: miss_count(row.fewest))
    own_misses, others = (miss_count(row.fewest) for row in (by_key["evidence"], best))
    held = "pass" if own_misses <= others else "FAIL"
    what = f"misses at 25 % missing / fewest of any rival ({best.key})"
    out.append((what, f"{own_misses} / {others}", "no more", held))
    return out


def main(seed: int = SEED, size: Size = FULL) -> None:
    """Run the bench and print everything."""
    start_s = time.perf_counter()
    note(f"\n## Detection, seed {seed}: {size.cars} cars of each rig, {size.tuning_healthy} tuning")
    found = [one for name in shipped.RIGS for one in shipped.measure(name, size.cars, seed)]
    shipped.table(found)
    every_s = 3600.0 * shipped_rig(CONTEST_ON).debt.false_pull_every_h
    show(
        "Theory at that rate, the car known: ms, median / 95th percentile",
        ("theory", *FAULTS),
        [row for name in shipped.RIGS for row in theory_rows("car known", every_s, name)],
    )
    false_pulls.table(false_pulls.measure(size.nominal_h, size.other_h, seed))
    if not (generic.HAVE_RIVER and generic.HAVE_RUPTURES):
        note("river or ruptures is not installed (extra `bench`): their rows are left out")
    rows, false_every_s, limits = hold_contest(seed, size)
    contest_tables(rows, false_every_s)
    elsewhere_table(rows, seed, size.elsewhere, limits)
    show("Bars", ("what", "measured", "bar", "result"), shipped.bars(found) + contest_bars(rows))
    plant_check.main()
    note(f"\n{time.perf_counter() - start_s:.0f} s")
