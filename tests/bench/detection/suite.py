"""Run the whole detection bench and print its tables: ``python -m tests.bench detection``.

Everything follows from one seed; tuning and evaluation share none. Every rule is tuned to trip in
the same share of healthy tuning pulls and then left alone.
"""

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import Any, Final

import numpy as np

from tests.bench.detection import debts, generic, optimum, plant_check
from tests.bench.detection.contenders import Result, contest, families
from tests.bench.detection.pulls import EVALUATION, FAULTS, PULL_S, TUNING, Fault
from tests.bench.detection.signals import first_above, threshold_for
from tests.bench.detection.world import Half, build
from tests.bench.statistics import miss_count, quantile, wilson
from tests.bench.table import note, show

SEED: Final = 20260
RATE: Final = 1.0 / 200.0
BIG: Final = (Fault.PUMP_STOP, Fault.SHORT_60, Fault.SHORT_40)
KNOWN_SHIFT: Final = {
    Fault.PUMP_STOP: 1.0,
    Fault.SHORT_60: 0.6,
    Fault.SHORT_40: 0.4,
    Fault.SHORT_25: 0.25,
}
RIVALS: Final = ("raw", "lag", "ewma", "ewma residual", "page-hinkley", "adwin")


@dataclass(frozen=True, slots=True)
class Size:
    """How many pulls: healthy and for each fault, in the tuning and the evaluation half.

    A threshold is as good as the count of tuning pulls beyond it: 50 of 10,000.
    """

    tuning_healthy: int = 10000
    tuning_faulty: int = 400
    healthy: int = 4000
    faulty: int = 1000
    generic_healthy: int = 2000


FULL: Final = Size()


def nulls(evaluation: Half) -> list[Result]:
    """Return the always-trip and the never-trip row."""
    healthy = len(evaluation.pulls[Fault.NONE])
    always: dict[Fault, Any] = {fault: np.zeros(len(evaluation.pulls[fault])) for fault in FAULTS}
    never: dict[Fault, Any] = {
        fault: np.full(len(evaluation.pulls[fault]), inf) for fault in FAULTS
    }
    words: dict[Fault, str] = dict.fromkeys(FAULTS, "")
    return [
        Result("always trip", "always", words, always, always[Fault.SHORT_25], healthy, healthy),
        Result("never trip", "never", words, never, never[Fault.SHORT_25], 0, healthy),
    ]


def offline_bound(tuning: Half, evaluation: Half, some: int) -> Result:
    """Return the offline row: where hindsight places the change, at the same false-trip rate."""
    part = tuning.seen[Fault.NONE].first(some)
    threshold = threshold_for(generic.offline(part)[1][:, None], RATE)
    delays: dict[Fault, Any] = {}
    for fault in FAULTS:
        places, sizes = generic.offline(evaluation.seen[fault])
        late = 1000.0 * 0.01 * (places - evaluation.seen[fault].onset)
        delays[fault] = np.where(sizes > threshold, late, inf)
    healthy = generic.offline(evaluation.seen[Fault.NONE])[1]
    return Result(
        "OFFLINE: place of the change, ruptures L2",
        "offline",
        dict.fromkeys(FAULTS, f"size {threshold:.2f}"),
        delays,
        delays[Fault.SHORT_25],
        int(np.count_nonzero(first_above(healthy[:, None], threshold) >= 0)),
        len(healthy),
    )


def measure(seed: int = SEED, size: Size = FULL) -> tuple[list[Result], Half]:
    """Tune and judge every row; return the rows and the evaluation half."""
    tuning = build(seed, TUNING, size.tuning_healthy, size.tuning_faulty)
    evaluation = build(seed, EVALUATION, size.healthy, size.faulty)
    rig_terms = debts.RIG_TERMS
    guard, both = debts.through_the_guard, debts.both_accounts
    rows = [
        guard("debt, rig's terms", "debt", rig_terms, tuning, evaluation, RATE),
        guard("debt, share only", "share only", debts.SHARE_ONLY, tuning, evaluation, RATE),
        guard(
            "debt, car identified",
            "identified",
            debts.IDENTIFIED_TERMS,
            tuning,
            evaluation,
            RATE,
            identified=True,
        ),
        debts.at_threshold(
            "debt, rig's terms and untuned 0.8 mL", "untuned", rig_terms, 0.8, evaluation
        ),
        both("debt and arrears", "both", debts.BOTH, tuning, evaluation, RATE),
        both(
            "debt and arrears, car identified",
            "both identified",
            debts.BOTH_IDENTIFIED,
            tuning,
            evaluation,
            RATE,
            identified=True,
        ),
    ]
    rows += [
        contest(family, tuning.seen, evaluation.seen)
        for family in families(tuning.seen[Fault.NONE], RATE, size.generic_healthy)
    ]
    if generic.HAVE_RUPTURES:
        rows.append(offline_bound(tuning, evaluation, size.generic_healthy))
    return rows + nulls(evaluation), evaluation


def _ms(value: float) -> str:
    return "never" if value == inf else f"{value:.0f}"


def _range(k: int, n: int, scale: float) -> str:
    low, high = wilson(k, n)
    return f"{scale * k / n:.2f} ({scale * low:.2f}-{scale * high:.2f})"


def delay_table(rows: Sequence[Result], evaluation: Half) -> None:
    """Print median and 90th percentile delays, with the theoretical optimum."""
    body: list[tuple[object, ...]] = [
        (
            row.name,
            *(
                f"{_ms(quantile(row.delays[f], 0.5))} / {_ms(quantile(row.delays[f], 0.9))}"
                for f in FAULTS
            ),
        )
        for row in rows
    ]
    spraying_s = evaluation.pulls[Fault.NONE].spraying * PULL_S
    nats = optimum.log_arl0(1.0 / RATE, spraying_s)
    for words, bound in (
        ("theory (Lorden, Moustakides), step, independent samples", optimum.step_bound_ms),
        ("theory, through the sensor's lag, noise whitened", optimum.lagged_bound_ms),
    ):
        known = (KNOWN_SHIFT.get(fault) for fault in FAULTS)
        body.append((words, *("-" if x is None else f"{bound(x, nats):.0f} mean" for x in known)))
    show(
        "Delay from fault to trip, ms, median / 90th percentile (a miss counts as never)",
        ("rule", *(fault.value for fault in FAULTS)),
        body,
    )


def miss_table(rows: Sequence[Result]) -> None:
    """Print the share of faults missed by the end of the pull, %, with Wilson intervals."""
    show(
        "Missed by the end of the pull, % (95 % Wilson)",
        ("rule", *(fault.value for fault in FAULTS), "25 % short, setting with fewest misses"),
        [
            (
                row.name,
                *(_range(miss_count(row.delays[f]), len(row.delays[f]), 100.0) for f in FAULTS),
                _range(miss_count(row.fewest), len(row.fewest), 100.0),
            )
            for row in rows
        ],
    )


def false_trip_table(rows: Sequence[Result]) -> None:
    """Print false trips per hour of pulls, and the settings in use."""
    per_hour = 3600.0 / PULL_S
    show(
        "False trips on healthy evaluation pulls (8 s each), and settings (for 40 % short)",
        ("rule", "tripped", "per hour of pulls (95 % Wilson)", "setting"),
        [
            (
                row.name,
                f"{row.false_trips} of {row.healthy}",
                _range(row.false_trips, row.healthy, per_hour),
                row.settings[Fault.SHORT_40],
            )
            for row in rows
        ],
    )


def setting_table(rows: Sequence[Result]) -> None:
    """Print the setting each rival got for each fault."""
    show(
        "Rivals' best setting for each fault (least median on tuning pulls)",
        ("rule", *(fault.value for fault in FAULTS)),
        [(row.name, *(row.settings[f] for f in FAULTS)) for row in rows if row.key in RIVALS],
    )


def bars(rows: Sequence[Result]) -> list[tuple[str, str, str, str]]:
    """Return each bar: what, measured, bar, pass or FAIL."""
    by_key: Mapping[str, Result] = {row.key: row for row in rows}
    out = []

    def median(key: str, fault: Fault) -> float:
        return quantile(by_key[key].delays[fault], 0.5)

    def ratio_bar(key: str, rival: str, fault: Fault, most: float) -> None:
        ratio = median(key, fault) / median(rival, fault)
        out.append(
            (
                f"{key}: median / best {rival} ratio rule, {fault.value}",
                f"{ratio:.2f}",
                f"<= {most:g}",
                "pass" if ratio <= most else "FAIL",
            )
        )

    for key in ("debt", "both"):
        for fault in BIG:
            ratio_bar(key, "raw", fault, 0.3)
            ratio_bar(key, "lag", fault, 0.5)
    for key in ("identified", "both identified"):
        for fault in BIG:
            ratio_bar(key, "lag", fault, 0.4)
    rivals = [by_key[key] for key in RIVALS if key in by_key]
    best = min(rivals, key=lambda row: miss_count(row.fewest))
    for key in ("debt", "both", "identified", "both identified"):
        own = miss_count(by_key[key].delays[Fault.SHORT_25])
        held = own <= miss_count(best.fewest)
        out.append(
            (
                f"{key}: misses at 25 % short / fewest of any rival ({best.key})",
                f"{own} / {miss_count(best.fewest)}",
                "no more",
                "pass" if held else "FAIL",
            )
        )
    return out


def main(seed: int = SEED, size: Size = FULL) -> None:
    """Run the bench and print everything."""
    start_s = time.perf_counter()
    rows, evaluation = measure(seed, size)
    note(
        f"\n## Detection, seed {seed}: tuned on {size.tuning_healthy} healthy and "
        f"{size.tuning_faulty} pulls a fault, judged on {size.healthy} healthy and {size.faulty} "
        f"a fault; every rule set to 1 false trip in {1.0 / RATE:.0f} healthy pulls"
    )
    if not (generic.HAVE_RIVER and generic.HAVE_RUPTURES):
        note("river or ruptures is not installed (extra `bench`): their rows are left out")
    delay_table(rows, evaluation)
    miss_table(rows)
    false_trip_table(rows)
    setting_table(rows)
    show("Bars", ("what", "measured", "bar", "result"), bars(rows))
    plant_check.main()
    note(f"\n{time.perf_counter() - start_s:.0f} s")
