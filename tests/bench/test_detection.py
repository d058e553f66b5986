"""A small detection bench: its structure and what must hold of it whatever the figures."""

from dataclasses import replace
from functools import cache
from math import inf, log

import numpy as np
import pytest

from tests.bench.detection import debts, generic, kernels, optimum, suite
from tests.bench.detection.contenders import Result, contest, families
from tests.bench.detection.pulls import (
    EVALUATION,
    FAULTS,
    N_SAMPLES,
    TUNING,
    Fault,
    bench_rig,
    draw_cars,
    make_pulls,
    streams,
    working_share,
)
from tests.bench.detection.signals import (
    delays_ms,
    first_above,
    guard_trips,
    see,
    threshold_for,
    with_debt,
)
from tests.bench.detection.twin import Terms, accounts
from tests.bench.detection.world import Half, build
from tests.bench.statistics import miss_count, quantile

SEED = 7
RATE = 0.02
RIG_TERMS = {"share": 0.12, "floor_ml_min": 20.0, "delay_tolerance_s": 0.06}


@cache
def small(half: int) -> Half:
    """Return a small half of the bench, made once."""
    return build(SEED, half, healthy=150, faulty=40, identified=False)


def test_tuning_and_evaluation_share_no_seed() -> None:
    """The halves' generators have spawn keys that differ in their first number, so never meet."""
    keys = {}
    for half in (TUNING, EVALUATION):
        found = [rng.bit_generator.seed_seq for rng in streams(SEED, half, 21)]
        keys[half] = {seq.spawn_key for seq in found if isinstance(seq, np.random.SeedSequence)}
        assert len(keys[half]) == 21
        assert {key[0] for key in keys[half]} == {half}
    assert not keys[TUNING] & keys[EVALUATION]
    assert not np.any(
        np.isin(
            small(TUNING).pulls[Fault.NONE].cars.gain, small(EVALUATION).pulls[Fault.NONE].cars.gain
        )
    )


def test_same_seed_same_pulls() -> None:
    """The bench follows from its seed bit for bit, and another seed gives other pulls."""
    again = build(SEED, EVALUATION, healthy=150, faulty=40, identified=False)
    other = build(SEED + 1, EVALUATION, healthy=150, faulty=40, identified=False)
    for fault in Fault:
        mine = small(EVALUATION).pulls[fault]
        assert np.array_equal(mine.delivered_ml_min, again.pulls[fault].delivered_ml_min)
        assert np.array_equal(mine.boost_kpa, again.pulls[fault].boost_kpa)
        assert np.array_equal(mine.onset, again.pulls[fault].onset)
        assert not np.array_equal(mine.delivered_ml_min, other.pulls[fault].delivered_ml_min)


def test_pulls_are_like_pulls() -> None:
    """Boost, flow and cars stay in the ranges the tables claim, with gear shifts in them."""
    pulls = small(EVALUATION).pulls[Fault.NONE]
    seen = small(EVALUATION).seen[Fault.NONE]
    assert pulls.boost_kpa.shape == (150, N_SAMPLES)
    assert pulls.boost_kpa.min() > -60.0
    assert 140.0 < pulls.boost_kpa.max() < 190.0
    assert np.all((pulls.cars.delay_s >= 0.04) & (pulls.cars.delay_s <= 0.12))
    assert np.all((pulls.cars.lag_s >= 0.06) & (pulls.cars.lag_s <= 0.14))
    assert 0.3 < pulls.spraying < 0.9
    # After the first spray every pull lets go of it at least once: a shift.
    on = seen.commanded > 100.0
    first = on.argmax(axis=1)
    assert np.mean([not row[at:].all() for row, at in zip(on, first, strict=True)]) > 0.95
    steady = seen.expected > 300.0
    ratio = seen.delivered[steady] / seen.expected[steady]
    assert 0.95 < np.median(ratio) < 1.03


@pytest.mark.parametrize("fault", FAULTS)
def test_faults_start_while_spraying(fault: Fault) -> None:
    """Nothing is missing before the onset, and the flow commanded there is worth missing."""
    pulls = small(EVALUATION).pulls[fault]
    seen = small(EVALUATION).seen[fault]
    share = working_share(fault, pulls.onset)
    at = np.arange(len(pulls))
    assert np.all(share[np.arange(N_SAMPLES)[None, :] < pulls.onset[:, None]] == 1.0)
    assert np.mean(share[at, np.minimum(pulls.onset + 300, N_SAMPLES - 1)] < 1.0) > 0.3
    assert np.all(seen.commanded[at, pulls.onset] > 150.0)
    assert np.all(pulls.onset <= N_SAMPLES - 250)


def test_intermittent_fault_keeps_its_times() -> None:
    """Off for 0.2 s, on for 0.3 s, again and again from the onset."""
    share = working_share(Fault.INTERMITTENT, np.array([100]))[0]
    assert np.all(share[100:120] == 0.0)
    assert np.all(share[120:150] == 1.0)
    assert np.all(share[150:170] == 0.0)


def test_null_rows() -> None:
    """Always-trip trips at once and in every healthy pull; never-trip misses everything."""
    always, never = suite.nulls(small(EVALUATION))
    for fault in FAULTS:
        assert np.all(always.delays[fault] == 0.0)
        assert miss_count(never.delays[fault]) == len(small(EVALUATION).pulls[fault])
        assert quantile(never.delays[fault], 0.01) == inf
    assert always.false_trips == always.healthy == 150
    assert never.false_trips == 0


def test_threshold_gives_its_rate() -> None:
    """A tuned threshold trips in exactly the share of tuning pulls it was asked for."""
    debt = small(TUNING).debt[Fault.NONE]
    for rate in (0.02, 0.1):
        tripped = np.count_nonzero(first_above(debt, threshold_for(debt, rate)) >= 0)
        assert tripped == round(150 * rate)


def test_delays_keep_misses_and_drop_early_trips() -> None:
    """A miss is infinite; a trip before the fault is neither a hit nor a miss."""
    found = delays_ms(np.array([120, -1, 50, 100]), np.array([100, 100, 100, 100]))
    assert found == pytest.approx([200.0, inf, 0.0])


def test_guard_and_grid_kernel_agree() -> None:
    """The debt by the real guard and by the grid's compiled twin differ by rounding at most."""
    for fault in (Fault.NONE, Fault.SHORT_40):
        seen = small(EVALUATION).seen[fault]
        twin = kernels.debt_of(seen.expected, seen.delivered, 0.12, 20.0, 0.06)
        assert twin == pytest.approx(small(EVALUATION).debt[fault], abs=1e-9)


def test_guard_trips_where_its_debt_says() -> None:
    """The real guard's first pull of timing is the first sample at which debt meets the term."""
    half = small(EVALUATION)
    rig = with_debt(bench_rig(), 0.05)
    trips = guard_trips(half.pulls[Fault.SHORT_25], lambda _: rig)
    assert np.array_equal(trips, first_above(half.debt[Fault.SHORT_25], np.nextafter(0.05, 0.0)))
    assert np.count_nonzero(trips >= 0) > 20


def test_the_rules_accounts_are_what_a_few_lines_make_of_them() -> None:
    """Debt and arrears through the real guard equal the twin's, with and without a lead."""
    pulls = small(EVALUATION).pulls[Fault.SHORT_40]
    for lead in (0.0, 0.4):
        terms = {"share": 0.12, "floor_ml_min": 20.0, "delay_tolerance_s": 0.06, "lead": lead}
        rig = replace(bench_rig(), debt=replace(bench_rig().debt, **terms, arrears_share=0.1))
        signals, debt, arrears = see(pulls, ([rig] * len(pulls)).__getitem__)
        quick, slow = accounts(signals, rig.flow_sensor.lag_s, Terms(0.12, 20.0, 0.06, lead, 0.1))
        assert quick == pytest.approx(debt, abs=2e-4)
        assert slow == pytest.approx(arrears, abs=1e-9)
        assert np.all(slow >= quick - 1e-9)


def test_both_accounts_miss_no_more_than_the_debt_alone() -> None:
    """The arrears find small shortfalls that the debt's allowances cover up."""
    tuning, evaluation = small(TUNING), small(EVALUATION)
    both = debts.both_accounts("both", "both", debts.BOTH, tuning, evaluation, RATE)
    untuned = debts.at_threshold("x", "x", debts.RIG_TERMS, 0.8, evaluation)
    short = Fault.SHORT_25
    assert miss_count(both.delays[short]) < miss_count(untuned.delays[short])
    assert quantile(both.delays[short], 0.5) < quantile(untuned.delays[short], 0.5)


def _rows() -> dict[str, Result]:
    tuning, evaluation = small(TUNING), small(EVALUATION)
    debt = debts.through_the_guard("debt", "debt", RIG_TERMS, tuning, evaluation, RATE)
    rows = {"debt": debt}
    for family in families(tuning.seen[Fault.NONE], RATE, 50)[:2]:
        rows[family.key] = contest(family, tuning.seen, evaluation.seen)
    return rows


def test_debt_beats_the_raw_ratio_on_a_small_sample() -> None:
    """At 40 % short, debt's median delay is under half the best raw ratio rule's, and no miss."""
    rows = _rows()
    debt, raw = rows["debt"].delays[Fault.SHORT_40], rows["raw"].delays[Fault.SHORT_40]
    assert quantile(debt, 0.5) < 0.5 * quantile(raw, 0.5)
    assert miss_count(debt) <= miss_count(raw)
    assert quantile(debt, 0.5) < quantile(rows["lag"].delays[Fault.SHORT_40], 0.5)
    assert rows["debt"].healthy == 150
    assert rows["raw"].settings[Fault.SHORT_40].startswith("X ")


def test_ratio_rule_counts_time_below() -> None:
    """The timer runs only below X and above the least flow, and starts anew."""
    reference = np.array([[500.0] * 6 + [50.0] + [500.0]])
    delivered = np.array([[500.0, 300.0, 300.0, 300.0, 500.0, 300.0, 0.0, 300.0]])
    below_s = kernels.ratio_below_s(reference, delivered, 0.7)[0]
    assert below_s == pytest.approx([0.0, 0.01, 0.02, 0.03, 0.0, 0.01, 0.0, 0.01])


@pytest.mark.skipif(not generic.HAVE_RIVER, reason="needs the extra bench")
def test_page_hinkley_twin_agrees_with_the_library() -> None:
    """The compiled statistic crosses a threshold at the very sample the library's detector does."""
    seen = small(EVALUATION).seen[Fault.SHORT_60].first(15)
    statistic = kernels.page_hinkley(
        seen.expected, seen.delivered, 0.05, generic.FORGETTING, generic.MIN_INSTANCES
    )
    trips = generic.page_hinkley_trips(seen, 0.05, 5.0)
    assert np.array_equal(trips, first_above(statistic, 5.0))
    assert np.any(trips >= 0)


@pytest.mark.skipif(not generic.HAVE_RIVER, reason="needs the extra bench")
def test_adwin_trips_more_with_a_larger_delta() -> None:
    """A larger delta never finds fewer pulls with a fall."""
    seen = small(EVALUATION).seen[Fault.PUMP_STOP].first(15)
    found = [np.count_nonzero(generic.adwin_trips(seen, 5, d) >= 0) for d in (-60.0, -3.0)]
    assert found[0] <= found[1]
    assert found[1] > 0


@pytest.mark.skipif(not generic.HAVE_RUPTURES, reason="needs the extra bench")
def test_offline_finds_a_pump_stop_near_its_onset() -> None:
    """Hindsight places most pump stops within 0.3 s of the fault."""
    seen = small(EVALUATION).seen[Fault.PUMP_STOP]
    places, sizes = generic.offline(seen)
    assert np.median(np.abs(places - seen.onset)) < 30
    assert np.median(sizes) > 2.0


def test_optimum_falls_with_the_shift() -> None:
    """Theory: log(ARL0) / KL; a larger shift is found sooner, the lag only ever costs."""
    nats = optimum.log_arl0(200.0, 5.0)
    assert nats == pytest.approx(log(200.0 * 5.0 / 0.1))
    assert optimum.information(0.04) == pytest.approx(0.5)
    assert optimum.lorden_samples(nats, 0.5) == pytest.approx(2.0 * nats)
    assert optimum.step_bound_ms(0.1, nats) == pytest.approx(80.0 + 100.0 * nats / 3.125)
    for missing in (0.1, 0.25, 0.4, 0.6):
        assert optimum.lagged_bound_ms(missing, nats) >= optimum.step_bound_ms(missing, nats)
        assert optimum.lagged_bound_ms(missing, nats) > optimum.lagged_bound_ms(missing + 0.1, nats)


def test_true_flow_follows_its_own_delay_and_lag() -> None:
    """A pump stop reaches the sensor after the car's delay, then falls with the car's lag."""
    rng = np.random.default_rng(5)
    cars = draw_cars(rng, 60)
    pulls = make_pulls(rng, cars, Fault.PUMP_STOP)
    at = np.arange(60)
    before = pulls.delivered_ml_min[at, pulls.onset]
    for after_s in (0.4, 0.6):
        then = pulls.delivered_ml_min[at, pulls.onset + round(100 * after_s)]
        most = np.exp(-(after_s - cars.delay_s) / (1.3 * cars.lag_s))
        assert np.all(then <= before * (1.6 * most + 0.1) + 12.0)
    early = pulls.delivered_ml_min[at, pulls.onset + 3]
    assert np.all(early > 0.5 * before)
