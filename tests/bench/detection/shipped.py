"""The rigs as they ship, and after a fit: how soon the real guard pulls timing, and what it misses.

A minute of healthy driving, in which the guard learns its car; then a fault while spraying.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from rules import channels as ch
from rules.facts import Action, Rig
from rules.guard import Guard
from rules.step.state import UNDER_DELIVERY, Decision
from simulator.proof.proportions import miss_count, quantile, wilson
from tests.bench.detection.drives import (
    EVALUATION,
    FAULTS,
    Drive,
    World,
    delivered,
    drive,
    fitted,
    onset_row,
    shipped_rig,
    stream,
)
from tests.bench.table import show

RIGS: Final = ("brindle", "tarnwick")
HEALTHY_S: Final = 60.0
ONSET_WITHIN_S: Final = 5.5
FOUND_WITHIN_S: Final = 6.0
DRIVE_S: Final = HEALTHY_S + ONSET_WITHIN_S + FOUND_WITHIN_S + 0.5


@dataclass(frozen=True, slots=True)
class Found:
    """What became of the faults of one kind of rig.

    Attributes:
        name: The rig's name, and how well it knows its car.
        delays: For each fault, ms from its onset to timing pulled; infinite: not within 6 s.
        too_early: Drives in which timing had been pulled though nothing was wrong: not judged.
        spraying_h: Healthy spraying before the faults.
        limit_nats: Evidence at which timing is pulled.
    """

    name: str
    delays: Mapping[str, Any]
    too_early: int
    spraying_h: float
    limit_nats: float


def pulled(decisions: Any) -> Any:
    """Return for each decision whether missing spray has pulled timing."""
    return Decision.named(decisions)["level"][:, UNDER_DELIVERY] >= Action.PULL_TIMING


def delays_of(made: Drive, facts: Rig, onset: int) -> list[float] | None:
    """Return ms from the onset until the guard pulls timing, by fault; None: it had before."""
    guard = Guard(facts)
    _, decisions, _ = guard.run_changes(made.rows[:onset])
    if pulled(decisions).any():
        return None
    state = guard.state()
    time_s = made.rows[:, ch.TIME]
    until = int(np.searchsorted(time_s, time_s[onset] + FOUND_WITHIN_S))
    found = []
    for missing in FAULTS.values():
        rows = made.rows[onset:until].copy()
        rows[:, ch.DELIVERED] = delivered(made, missing, onset)[onset:until]
        guard.restore(state)
        where, decisions, _ = guard.run_changes(rows)
        acted = where[pulled(decisions)]
        found.append(1000.0 * (rows[acted[0], ch.TIME] - time_s[onset]) if len(acted) else np.inf)
    return found


def measure(name: str, cars: int, seed: int) -> tuple[Found, Found]:
    """Judge so many cars of a shipped rig, by the rig as it ships and after a fit."""
    facts = shipped_rig(name)
    found: tuple[list[list[float]], list[list[float]]] = ([], [])
    spraying = 0
    for number in range(cars):
        rng = stream(seed, EVALUATION, RIGS.index(name), number)
        made = drive(rng, facts, World(), DRIVE_S)
        onset = onset_row(rng, made, HEALTHY_S, HEALTHY_S + ONSET_WITHIN_S)
        spraying += int(made.spraying()[:onset].sum())
        for judged, own in zip(found, (made.rig, fitted(rng, made.rig, made.car)), strict=True):
            delays = delays_of(made, own, onset)
            if delays is not None:
                judged.append(delays)
    limit_nats = Guard(facts).constants.limit_nats

    def result(words: str, judged: Sequence[Sequence[float]]) -> Found:
        by_fault = np.array(judged).reshape(-1, len(FAULTS)).T
        delays = dict(zip(FAULTS, by_fault, strict=True))
        spraying_h = spraying / World().rate_hz / 3600.0
        return Found(f"{name}, {words}", delays, cars - len(judged), spraying_h, limit_nats)

    return result("as it ships", found[0]), result("after a fit", found[1])


def ms(value: float) -> str:
    """Return a delay in words."""
    return "never" if value == np.inf else f"{value:.0f}"


def percent(k: int, n: int) -> str:
    """Return a share of a count in percent, with its 95 % interval."""
    low, high = wilson(k, n)
    return f"{100.0 * k / n:.1f} ({100.0 * low:.1f}-{100.0 * high:.1f})"


def table(rows: Sequence[Found]) -> None:
    """Print delays and misses."""
    show(
        "Delay from a fault to timing pulled, ms, median / 95th percentile; % not found in 6 s",
        ("rig", "pulls at", *FAULTS, "pulled before, in h of spraying"),
        [
            (
                row.name,
                f"{row.limit_nats:.1f} nats",
                *(
                    f"{ms(quantile(d, 0.5))} / {ms(quantile(d, 0.95))}; "
                    f"{100.0 * miss_count(d) / len(d):.1f}"
                    for d in row.delays.values()
                ),
                f"{row.too_early} in {row.spraying_h:.1f}",
            )
            for row in rows
        ],
    )


# Fault, then the most that may be: median and 95th percentile, ms; share missed, %.
BARS: Final = {
    "as it ships": (
        ("pump stop", 130.0, 200.0, None),
        ("40 % missing", 260.0, None, None),
        ("25 % missing", 450.0, None, 2.0),
        ("15 % missing", None, None, 10.0),
    ),
    "after a fit": (
        ("pump stop", 112.0, 130.0, None),
        ("40 % missing", 200.0, None, None),
        ("25 % missing", 350.0, None, None),
        ("15 % missing", None, None, 5.0),
    ),
}


def bars(rows: Sequence[Found]) -> list[tuple[str, str, str, str]]:
    """Return each bar: what, measured, bar, pass or FAIL."""
    out = []
    for row in rows:
        for fault, median, late, missed in BARS[row.name.partition(", ")[2]]:
            found = row.delays[fault]
            share = 100.0 * miss_count(found) / len(found)
            for words, measured, most in (
                ("median, ms", quantile(found, 0.5), median),
                ("95th percentile, ms", quantile(found, 0.95), late),
                ("missed, %", share, missed),
            ):
                if most is not None:
                    held = "pass" if measured <= most else "FAIL"
                    what = f"{row.name}: {fault}, {words}"
                    out.append((what, f"{measured:.3g}", f"<= {most:g}", held))
    return out
