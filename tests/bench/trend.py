"""A year of weekly sessions: what is found of a slow fault, when, and how often of none.

Driven years are the plant's, each week another drive in other weather and with other noise, read by
``flowdebt trend``'s own reader. What a season's scatter is there is measured on the healthy ones;
200 healthy years, and as many with a clog, are then made of numbers that scatter like that, and
with 2 % more of the flow from day to day (common practice, no source), which no plant has.
"""

import os
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np

from monitor.trend.reading import Reader, Reading
from simulator.plant import FaultKind
from simulator.rig import find_rig, load_rig
from simulator.trend.season import DELAY, FLOW, LAG, LINE, SUPPLY, Season, numbers_of, season_of
from simulator.trend.sessions import band_edges_kpa
from tests.bench.table import note, show
from tests.kit.seasons import drive_week, slow

WEEKS: Final = 52
BEGINS: Final = 20
YEARS: Final = 200  # made
DAYS: Final = 7.0 * np.arange(WEEKS)
DRIFT: Final = 0.02  # of flow and pressure from one day to the next; common practice, no source
KEPT: Final = (0.0, 0.3, 0.5, 0.6)  # of a day's drift that the next has too
SEED: Final = 1


class Year(NamedTuple):
    """A year to drive: of which rig, with which fault growing by how much a week, and its seed."""

    rig: str
    kind: FaultKind | None
    a_week: float
    seed: int


HEALTHY: Final = (
    Year("brindle", None, 0.0, SEED),
    Year("brindle", None, 0.0, SEED + 1),
    Year("tarnwick", None, 0.0, SEED),
)
FAULTY: Final = (
    Year("brindle", FaultKind.CLOGGED_NOZZLE, 0.01, SEED),
    Year("brindle", FaultKind.CLOGGED_NOZZLE, 0.003, SEED),
    Year("tarnwick", FaultKind.PUMP_FADE, 0.01, SEED),
    Year("orrinby", FaultKind.PUMP_FADE, 0.01, SEED),
)


def drive(job: tuple[Year, int]) -> Reading:
    """Drive a week of a year and read its log."""
    year, week = job
    rig_file = load_rig(find_rig(year.rig))
    faults = () if year.kind is None else slow(year.kind, BEGINS, year.a_week, WEEKS)[week]
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "week.parquet"
        drive_week(rig_file.rig, week, faults, log, year.seed)
        return Reader(rig_file, band_edges_kpa(rig_file.rig)).read(log)


def years_driven(years: Sequence[Year]) -> list[list[Reading]]:
    """Drive years on all cores."""
    jobs = [(year, week) for year in years for week in range(WEEKS)]
    drive(jobs[0])  # compiled once, here
    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as workers:
        read = list(workers.map(drive, jobs, chunksize=13))
    return [read[i * WEEKS : (i + 1) * WEEKS] for i in range(len(years))]


def season_in(read: Sequence[Reading]) -> Season:
    """Return what a year comes to."""
    return season_of(numbers_of([one.session for one in read if one.session is not None]), DAYS)


def made(rng: Any, usual: dict[str, tuple[float, float]], drift: float, kept: float = 0.0) -> Any:
    """Return a year's numbers that scatter as usual, and from day to day by so much more."""
    days = rng.normal(size=WEEKS)
    for i in range(1, WEEKS):
        days[i] = kept * days[i - 1] + (1.0 - kept * kept) ** 0.5 * days[i]
    numbers = {name: rng.normal(mean, sd, WEEKS) for name, (mean, sd) in usual.items()}
    numbers[FLOW] += drift * days
    return numbers


def false_years(usual: dict[str, tuple[float, float]], drift: float, kept: float) -> list[str]:
    """Return of the healthy years that were made which number was told of in each false one."""
    rng = np.random.default_rng([SEED, 7])
    spans = [season_of(made(rng, usual, drift, kept), DAYS).spans[0] for _ in range(YEARS)]
    return [span.main for span in spans if span.found]


def found_of(
    usual: dict[str, tuple[float, float]], drift: float, a_week: float
) -> tuple[Any, Any, Any]:
    """Return weeks to finding in each year that was made, and whether intervals hold the truth.

    Weeks are infinite where it was not found, and nought or less where it came before.
    """
    rng = np.random.default_rng([SEED, 8])
    weeks, began, pace = np.full(YEARS, np.inf), np.zeros(YEARS), np.zeros(YEARS)
    for year in range(YEARS):
        numbers = made(rng, usual, drift)
        numbers[FLOW] -= a_week * np.maximum(np.arange(WEEKS) - BEGINS, 0)
        found = season_of(numbers, DAYS).spans[0].found.get(FLOW)
        if found is None:
            continue
        change = found.change
        weeks[year] = found.at - BEGINS
        began[year] = change.since.low <= DAYS[BEGINS] <= change.since.high
        pace[year] = change.per_day.low <= -a_week / 7.0 <= change.per_day.high
    return weeks, began, pace


def _told(year: Year, read: Sequence[Reading]) -> tuple[object, ...]:
    season = season_in(read)
    (span,) = season.spans
    acted = [i for i, one in enumerate(read) if one.worst > 0]
    guard = f"week {acted[0]}" if acted else "never"
    kind = "healthy" if year.kind is None else year.kind.word.replace("_", " ")
    rate = f"{100.0 * year.a_week:g} % a week" if year.kind is not None else ""
    if not span.found:
        return year.rig, kind, rate, "nothing", "", "", guard
    found = span.found[span.main]
    since = (found.change.since.value, found.change.since.low, found.change.since.high)
    weeks = "{:.0f} ({:.0f} to {:.0f})".format(*(day / 7.0 for day in since))
    lost = 100.0 * (season.numbers[span.main][found.at] - found.change.before.value)
    return year.rig, kind, rate, f"week {found.at}", weeks, f"{span.main} {lost:+.1f} %", guard


def _usual(years: Sequence[Season]) -> dict[str, tuple[float, float]]:
    names = (FLOW, LINE, SUPPLY, DELAY, LAG)
    told = {n: [y.spans[0].usual[n] for y in years if n in y.spans[0].usual] for n in names}
    return {
        name: (float(np.mean([m for m, _ in of])), float(np.mean([s for _, s in of])))
        for name, of in told.items()
        if of
    }


def main() -> None:
    """Drive years; print what is found of them, how sessions scatter, and how 200 made ones do."""
    start_s = time.perf_counter()
    years = (*HEALTHY, *FAULTY)
    read = years_driven(years)
    show(
        f"Driven years of {WEEKS} weekly sessions of seven minutes, faults from week {BEGINS} on",
        ("rig", "fault", "grows", "told", "began, by the fit (90 %)", "by then", "guard acts"),
        [_told(year, one) for year, one in zip(years, read, strict=True)],
    )
    rigs = list(dict.fromkeys(year.rig for year in HEALTHY))
    scatter = {
        rig: _usual([season_in(one) for year, one in zip(years, read, strict=True)
                     if year.rig == rig and year.kind is None])
        for rig in rigs
    }  # fmt: skip
    show(
        "How sessions of a healthy car scatter on the plant (standard deviation)",
        ("rig", *scatter[rigs[0]]),
        [(rig, *(f"{sd:.2g}" for _, sd in scatter[rig].values())) for rig in rigs],
    )
    usual = scatter[rigs[0]]
    rows: list[tuple[object, ...]] = []
    for drift, kept in ((0.0, 0.0), *((DRIFT, kept) for kept in KEPT)):
        false = false_years(usual, drift, kept)
        rows.append((f"{100.0 * drift:.0f} %", kept, f"{len(false)} of {YEARS}", ", ".join(false)))
    show(
        f"Healthy years made with {rigs[0]}'s scatter, and so much drift of the flow from day to "
        "day, of which the next day keeps a share",
        ("drift", "kept", "years with a false alarm", "of"),
        rows,
    )
    rows = []
    for drift in (0.0, DRIFT):
        for a_week in (0.02, 0.01, 0.005):
            weeks, began, pace = found_of(usual, drift, a_week)
            middle, most = np.quantile(weeks, (0.5, 0.95), method="nearest")
            told = weeks > 0
            rows.append(
                (
                    f"{100.0 * drift:.0f} %",
                    f"{100.0 * a_week:g} % a week",
                    f"{int(np.isfinite(weeks).sum())} of {YEARS}",
                    f"{middle:.0f}",
                    f"{most:.0f}",
                    f"{100.0 * a_week * middle:.1f} %",
                    f"{100.0 * np.mean(began[told]):.0f} / {100.0 * np.mean(pace[told]):.0f} %",
                )
            )
    show(
        f"Years made in which the flow falls from week {BEGINS} on",
        (
            *("drift", "falls", "found", "weeks, half", "weeks, 95 %", "lost by then, half"),
            "90 % hold its beginning / pace",
        ),
        rows,
    )
    note(f"\n{time.perf_counter() - start_s:.0f} s")
