"""What is decided on every shipped scenario: ``python -m tests.kit.drives`` writes it down anew.

Read the difference: what changed there, changed for whoever drives so.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cache
from textwrap import wrap
from typing import Any, Final, overload

import numpy as np

from rules.channels import Sample
from rules.facts import Action, Rig
from rules.guard import Guard
from rules.step.state import ABSENT, HEALTH_WORDS, Decision
from simulator.plant import run
from simulator.rig import find_rig, load_rig
from simulator.scenario import load_scenario, shipped_scenarios
from tests.kit.batch import run_whole
from tests.kit.paths import ROOT

KEPT: Final = ROOT / "tests" / "decided.txt"
SEED: Final = 2
# A car without a flow sensor has no drives of its own.
ON_ORRINBY: Final = ("pump_stop", "pump_fade", "clogged_nozzle", "healthy_pulls", "low_tank")
_LEVEL_WORDS: Final = tuple(action.name.lower().replace("_", " ") for action in Action)
_NAMES: Final = Decision.names()
# Times, and what the findings tell.
_LEFT_OUT: Final = frozenset(("time_s", "clock_s", "action", "finding", "boost_ceiling_kpa"))
_FIGURES: Final = tuple(
    name for name in _NAMES[: _NAMES.index("level_under_delivery")] if name not in _LEFT_OUT
)


class Driven(Sequence[Sample]):
    """The samples of a shipped scenario's car that nobody guards.

    It is driven when the first is asked for, so that tests are collected without; and once, whoever
    asks.
    """

    def __init__(self, scenario: str, seed: int) -> None:
        self._asked = scenario, seed

    @overload
    def __getitem__(self, at: int) -> Sample: ...
    @overload
    def __getitem__(self, at: slice) -> list[Sample]: ...
    def __getitem__(self, at: int | slice) -> Sample | list[Sample]:
        return _samples(*self._asked)[at]

    def __len__(self) -> int:
        return len(_samples(*self._asked))


@cache
def _samples(scenario: str, seed: int) -> list[Sample]:
    return list(run(load_scenario(scenario), seed))


def drives() -> tuple[str, ...]:
    """Return every drive: a scenario on its car, or on a car without a flow sensor."""
    return (*sorted(shipped_scenarios()), *(f"{name} on orrinby" for name in ON_ORRINBY))


@cache
def driven(drive: str) -> tuple[Rig, Any]:
    """Return a drive's rig, and the rows (n, ROW_WIDTH) of its car with a guard that acts."""
    name, _, other = drive.partition(" on ")
    scenario = load_scenario(name)
    if other:
        scenario = replace(scenario, rig=load_rig(find_rig(other)).rig)
    return scenario.rig, run_whole(scenario, SEED).rows


def decided(drive: str) -> str:
    """Return what is decided on a drive: since when what was found, and figures (mean/most)."""
    rig, rows = driven(drive)
    guard = Guard(rig)
    out = guard.run_rows(rows)
    figures = wrap(" ".join(_figures(out)), 98, break_on_hyphens=False)
    learned = f"line_gain={guard.learned().line_gain:.5g}"
    told = [f"{drive} ({rig.name}, {len(rows)} rows)", *_found(out), *figures, learned]
    return "\n  ".join(told) + "\n"


def _found(out: Any) -> Iterator[str]:
    for name in _NAMES:
        block, _, of = name.partition("_")
        if block in ("level", "health") and of:
            held = out[:, _NAMES.index(name)]
            usual = {0.0, ABSENT} if block == "health" else {0.0}
            for one in sorted({*held.tolist()} - usual):
                words = HEALTH_WORDS if block == "health" else _LEVEL_WORDS
                rows = np.flatnonzero(held == one)
                yield f"{of}: {words[int(one)]} from {out[rows[0], 0]:.2f} s, {len(rows)} rows"


def _figures(out: Any) -> Iterator[str]:
    for name in _FIGURES:
        figures = out[:, _NAMES.index(name)]
        figures = figures[np.isfinite(figures)]
        if figures.any():
            yield f"{name}={figures.mean():.4g}/{figures.max():.4g}"


if __name__ == "__main__":
    KEPT.write_text("\n".join(decided(drive) for drive in drives()), encoding="utf-8")
