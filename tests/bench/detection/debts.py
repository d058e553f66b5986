"""The debt's rows: the real guard trips, at thresholds tuned on other pulls than those judged."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from rules.facts import Rig
from tests.bench.detection.contenders import Result
from tests.bench.detection.pulls import FAULTS, Fault, bench_rig
from tests.bench.detection.signals import (
    delays_ms,
    guard_trips,
    see,
    threshold_for,
    with_debt,
)
from tests.bench.detection.world import Half

RIG_TERMS = {"share": 0.12, "floor_ml_min": 20.0, "delay_tolerance_s": 0.06, "lead": 0.0}
IDENTIFIED_TERMS = {"share": 0.10, "floor_ml_min": 20.0, "delay_tolerance_s": 0.03, "lead": 0.0}
SHARE_ONLY = {"share": 0.12, "floor_ml_min": 0.0, "delay_tolerance_s": 0.0, "lead": 0.0}
BOTH = {
    **{"share": 0.16, "floor_ml_min": 10.0, "delay_tolerance_s": 0.06, "lead": 0.3},
    "arrears_share": 0.12,
}
BOTH_IDENTIFIED = {
    **{"share": 0.12, "floor_ml_min": 20.0, "delay_tolerance_s": 0.03, "lead": 0.2},
    "arrears_share": 0.08,
}
QUICK_PART = 0.6  # of the false trips go to the debt, the rest to the arrears


def _result(name: str, key: str, words: str, trips: Mapping[Fault, Any], half: Half) -> Result:
    delays: dict[Fault, Any] = {
        fault: delays_ms(trips[fault], half.pulls[fault].onset) for fault in FAULTS
    }
    return Result(
        name,
        key,
        dict.fromkeys(FAULTS, words),
        delays,
        delays[Fault.SHORT_25],
        int(np.count_nonzero(trips[Fault.NONE] >= 0)),
        len(half.pulls[Fault.NONE]),
    )


def _with_terms(rig: Rig, terms: Mapping[str, float]) -> Rig:
    return replace(rig, debt=replace(rig.debt, **terms))


def _rigs(half: Half, fault: Fault, identified: bool) -> Callable[[int], Rig]:
    shared = bench_rig()
    own = half.rigs[fault] if identified else []
    return lambda at: own[at] if identified else shared


def through_the_guard(
    name: str,
    key: str,
    terms: Mapping[str, float],
    tuning: Half,
    evaluation: Half,
    rate: float,
    identified: bool = False,
) -> Result:
    """Tune the pull threshold, then let the real guard judge every evaluation pull."""
    healthy = _rigs(tuning, Fault.NONE, identified)
    peaks = see(tuning.pulls[Fault.NONE], lambda at: _with_terms(healthy(at), terms))[1]
    pull_ml = float(np.nextafter(threshold_for(peaks, rate), np.inf))
    return at_threshold(name, key, terms, pull_ml, evaluation, identified)


def at_threshold(
    name: str,
    key: str,
    terms: Mapping[str, float],
    pull_ml: float,
    evaluation: Half,
    identified: bool = False,
) -> Result:
    """Let the real guard judge every evaluation pull at a given pull threshold, mL."""
    trips = {}
    for fault in Fault:
        rigs = _rigs(evaluation, fault, identified)
        own = [with_debt(rigs(at), pull_ml, **terms) for at in range(len(evaluation.pulls[fault]))]
        trips[fault] = guard_trips(evaluation.pulls[fault], own.__getitem__)
    words = (
        f"{terms['share']:g}, {terms['floor_ml_min']:g} mL/min, "
        f"{1000 * terms['delay_tolerance_s']:g} ms; pull at {pull_ml:.3f} mL"
    )
    return _result(name, key, words, trips, evaluation)


def _peaks(half: Half, terms: Mapping[str, float], identified: bool) -> tuple[Any, Any]:
    """Return debt and arrears over the healthy pulls of a half, (pulls, samples)."""
    rigs = _rigs(half, Fault.NONE, identified)
    return see(half.pulls[Fault.NONE], lambda at: _with_terms(rigs(at), terms))[1:]


def both_accounts(
    name: str,
    key: str,
    terms: Mapping[str, float],
    tuning: Half,
    evaluation: Half,
    rate: float,
    identified: bool = False,
) -> Result:
    """Tune the pull threshold and the arrears' limit together, then let the real guard judge."""
    debt, arrears = _peaks(tuning, terms, identified)
    debt_ml = threshold_for(debt, QUICK_PART * rate)
    arrears_ml = threshold_for(arrears, (1.0 - QUICK_PART) * rate)
    # Pulls that trip both accounts count once, so both may come down a little together.
    scale = threshold_for(np.maximum(debt / debt_ml, arrears / arrears_ml), rate)
    limits = {**terms, "arrears_ml": float(np.nextafter(scale * arrears_ml, np.inf))}
    pull_ml = float(np.nextafter(scale * debt_ml, np.inf))
    row = at_threshold(name, key, limits, pull_ml, evaluation, identified)
    words = (
        f"{row.settings[FAULTS[0]]}, lead "
        f"{terms['lead']:g}; arrears {terms['arrears_share']:g}, {scale * arrears_ml:.2f} mL"
    )
    return replace(row, settings=dict.fromkeys(FAULTS, words))
