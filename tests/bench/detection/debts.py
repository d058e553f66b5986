"""The debt's rows: the real guard trips, at thresholds tuned on other pulls than those judged."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from rules.facts import Rig
from tests.bench.detection.contenders import Result
from tests.bench.detection.proposal import Terms, accounts
from tests.bench.detection.pulls import FAULTS, Fault, bench_rig
from tests.bench.detection.signals import (
    Signals,
    delays_ms,
    first_above,
    guard_trips,
    see,
    threshold_for,
    with_debt,
)
from tests.bench.detection.world import Half

IDENTIFIED_TERMS = {"share": 0.10, "floor_ml_min": 20.0, "timing_s": 0.03}
SHARE_ONLY = {"share": 0.12, "floor_ml_min": 0.0, "timing_s": 0.0}
QUICK_PART = 0.6  # of the false trips go to the quick account


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
        f"{1000 * terms['timing_s']:g} ms; pull at {pull_ml:.3f} mL"
    )
    return _result(name, key, words, trips, evaluation)


def _accounts(half: Half, fault: Fault, terms: Terms, identified: bool) -> tuple[Any, Any]:
    rigs = _rigs(half, fault, identified)
    seen: Signals = see(half.pulls[fault], rigs)[0] if identified else half.seen[fault]
    lag_s = [rigs(at).spray.lag_s for at in range(len(seen))]
    return accounts(seen, lag_s, terms)


def proposed(
    name: str,
    key: str,
    terms: Terms,
    tuning: Half,
    evaluation: Half,
    rate: float,
    identified: bool = False,
) -> Result:
    """Tune and judge the proposed pair of accounts (see ``proposal``)."""
    quick, slow = _accounts(tuning, Fault.NONE, terms, identified)
    quick_ml = threshold_for(quick, QUICK_PART * rate)
    slow_ml = threshold_for(slow, (1.0 - QUICK_PART) * rate)
    # Pulls that trip both accounts count once, so both may come down a little together.
    scale = threshold_for(np.maximum(quick / quick_ml, slow / slow_ml), rate)
    trips = {}
    for fault in Fault:
        quick, slow = _accounts(evaluation, fault, terms, identified)
        trips[fault] = first_above(np.maximum(quick / quick_ml, slow / slow_ml), scale)
    words = (
        f"quick {terms.share:g}, {terms.floor_ml_min:g} mL/min, {1000 * terms.timing_s:g} ms, "
        f"lead {terms.lead:g}, {scale * quick_ml:.3f} mL; "
        f"slow {terms.slow_share:g}, {scale * slow_ml:.2f} mL"
    )
    return _result(name, key, words, trips, evaluation)
