"""A small detection bench: its structure and what must hold of it whatever the figures."""

from collections.abc import Mapping
from functools import cache
from itertools import islice
from math import exp, inf, sqrt

import numpy as np
import pytest

from rules import channels as ch
from rules.guard import Guard
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min
from rules.step.state import Decision, State
from simulator.proof.proportions import miss_count, quantile
from tests.bench.detection import false_pulls, generic, kernels, shipped, suite
from tests.bench.detection.contenders import Accounts, contest, families
from tests.bench.detection.drives import (
    EVALUATION,
    FAULTS,
    FINE_S,
    HEALTHY,
    PLENTY,
    TUNING,
    Car,
    Drive,
    World,
    delivered,
    draw_car,
    drive,
    fitted,
    flow_past,
    onset_row,
    shipped_rig,
    stream,
)
from tests.bench.detection.kernels import Terms
from tests.bench.detection.optimum import Theory
from tests.bench.detection.signals import (
    N_SAMPLES,
    NO_FAULT,
    Signals,
    delays_ms,
    first_above,
    threshold_for,
    with_limit,
)

SEED = 7
NOMINAL = World()
RATE = 0.02
LIMITS = (9.0, 9.0)
BIG = ("pump stop", "60 % missing", "40 % missing")


@cache
def small(half: int) -> Mapping[str, Signals]:
    """Return a small half of the contest, made once."""
    return suite.drive_half(SEED, half, healthy=100, faulty=25, limits=LIMITS)


@cache
def one(world: World = NOMINAL, for_s: float = 30.0, number: int = 0) -> Drive:
    """Return a drive of brindle, made once."""
    return drive(stream(SEED, HEALTHY, 0, number), shipped_rig("brindle"), world, for_s)


def test_halves_and_drives_share_no_seed() -> None:
    """Whatever half, rig or number differs, the drawn numbers do; the same again are the same."""
    keys = [(half, rig, n) for half in (TUNING, EVALUATION) for rig in (0, 1) for n in range(3)]
    drawn = [tuple(stream(SEED, *key).uniform(size=4)) for key in keys]
    assert len(set(drawn)) == len(keys)
    assert drawn == [tuple(stream(SEED, *key).uniform(size=4)) for key in keys]
    assert drawn[0] != tuple(stream(SEED + 1, *keys[0]).uniform(size=4))


def test_same_seed_same_drive() -> None:
    """A drive follows from its generator bit for bit."""
    again = drive(stream(SEED, HEALTHY, 0, 0), shipped_rig("brindle"), World(), 30.0)
    assert np.array_equal(one().rows, again.rows)
    assert one().car == again.car


@pytest.mark.parametrize("name", shipped.RIGS)
def test_drives_are_like_drives(name: str) -> None:
    """Boost, flow and cars stay in the ranges that the rig allows for, with gear shifts in them."""
    facts = shipped_rig(name)
    made = drive(stream(SEED, HEALTHY, 1, 1), facts, World(), 60.0)
    boost = made.rows[:, ch.BOOST]
    assert boost.min() > -40.0
    assert 0.6 * max(facts.paid.boost_kpa) < boost.max() < facts.limits.boost_kpa.above
    assert np.diff(made.rows[:, ch.TIME]) == pytest.approx(0.01, abs=1e-9)
    spraying = made.spraying()
    assert 0.3 < spraying.mean() < 0.95
    assert np.count_nonzero(np.diff(spraying.astype(int)) == -1) > 5
    decisions = Decision.named(Guard(made.rig).run_rows(made.rows))
    steady = decisions["least_ml_min"] > 0.9 * 0.92 * decisions["commanded_ml_min"].max() * PLENTY
    ratio = made.rows[steady, ch.DELIVERED] / decisions["expected_ml_min"][steady]
    assert np.median(ratio) == pytest.approx(made.car.gain, abs=0.03)


def test_cars_lie_within_what_the_rig_states() -> None:
    """Delay, lag and gain are within tolerance, all over it or at both ends of it."""
    sensor = shipped_rig("tarnwick").flow_sensor
    rng = np.random.default_rng(3)
    for at_edge in (False, True):
        cars = [draw_car(rng, sensor, at_edge) for _ in range(200)]
        for values, middle, within in (
            ([car.delay_s for car in cars], sensor.delay_s, sensor.delay_within_s),
            ([car.lag_s for car in cars], sensor.lag_s, sensor.lag_within_s),
            ([car.gain for car in cars], 1.0, sensor.gain_within),
        ):
            off = (np.array(values) - middle) / within
            assert np.all(np.abs(off) <= 1.0 + 1e-9)
            assert off.min() < -0.9
            assert off.max() > 0.9
            if at_edge:
                assert np.abs(off) == pytest.approx(1.0)


def test_a_fitted_rig_allows_for_its_car() -> None:
    """A fit is off by no more than it says, and its hydraulics give the car's gain."""
    facts = shipped_rig("brindle")
    rng = np.random.default_rng(4)
    for _ in range(50):
        car = draw_car(rng, facts.flow_sensor)
        own = fitted(rng, facts, car)
        sensor = own.flow_sensor
        assert abs(car.delay_s - sensor.delay_s) <= sensor.delay_within_s + 1e-12
        assert abs(car.lag_s - sensor.lag_s) <= sensor.lag_within_s + 1e-12
        full = full_flow_ml_min(constants_of(facts), 120.0)
        own_full = full_flow_ml_min(constants_of(own), 120.0)
        assert car.gain * full / own_full == pytest.approx(1.0, abs=sensor.gain_within + 1e-9)
        assert constants_of(own).n_cars < constants_of(facts).n_cars


@pytest.mark.parametrize("fault", FAULTS)
def test_faults_start_while_spraying(fault: str) -> None:
    """Nothing is missing before the onset, and later as much as the fault says."""
    made = one()
    onset = onset_row(np.random.default_rng(1), made, 5.0, 20.0)
    assert made.spraying(PLENTY)[onset]
    assert 5.0 <= made.rows[onset, ch.TIME] < 20.0
    whole, short = delivered(made), delivered(made, FAULTS[fault], onset)
    assert np.array_equal(whole[: onset + 1], short[: onset + 1])
    later = np.arange(len(whole)) > onset + 150
    plenty = later & (whole > 100.0)
    assert short[plenty] / whole[plenty] == pytest.approx(1.0 - FAULTS[fault], abs=0.06)


def test_true_flow_follows_its_own_delay_and_lag() -> None:
    """A pump stop reaches the sensor after the car's delay, then falls with the car's lag."""
    steady = np.full(400, 200.0)
    for delay_s, lag_s in ((0.04, 0.05), (0.08, 0.1), (0.12, 0.15)):
        flow = flow_past(steady, 300, 0.25, delay_s, lag_s)
        after_s = np.arange(1, 101) * FINE_S - delay_s
        left = 0.25 + 0.75 * np.exp(-np.maximum(after_s, 0.0) / lag_s)
        begun = 1.0 - exp(-300 * FINE_S / lag_s)
        assert flow[300:] / (200.0 * begun) == pytest.approx(left, abs=1e-3)
        assert np.all(np.diff(flow[: 300 + int(delay_s / FINE_S)]) >= 0.0)


def test_worlds_are_logged_as_they_say() -> None:
    """Rate, jitter, held values and steps are in the rows, and stated in the rig."""
    slow = one(World("slow", rate_hz=20.0, jitter=0.5))
    apart = np.diff(slow.rows[:, ch.TIME])
    assert apart.mean() == pytest.approx(0.05, rel=0.02)
    assert apart.min() < 0.03 < 0.07 < apart.max()
    held = one(World("held", refresh_s=0.2))
    assert held.rig.flow_sensor.refresh_s == 0.2
    flow = held.rows[held.spraying(PLENTY), ch.DELIVERED]
    assert np.mean(np.diff(flow) == 0.0) > 0.85
    coarse = one(World("coarse", boost_step_kpa=2.0, flow_step_ml_min=20.0, noise=0.08))
    assert np.all(coarse.rows[:, ch.BOOST] % 2.0 == 0.0)
    assert np.all(coarse.rows[:, ch.DELIVERED] % 20.0 == 0.0)
    assert coarse.rig.flow_sensor.floor_ml_min == 20.0
    assert coarse.rig.flow_sensor.noise == 0.08


def test_noise_is_as_stated() -> None:
    """The drawn noise has the rig's standard deviation, and lasts as long as it says."""
    world = World("noisy", noise=0.06, noise_lasts_s=0.1)
    noise = one(world, 300.0).noise
    assert noise.std() == pytest.approx(0.06, rel=0.1)
    later = np.mean(noise[20:] * noise[:-20]) / noise.var()  # 0.1 s apart
    assert later == pytest.approx(exp(-1.0), abs=0.1)


def test_null_rows() -> None:
    """Always-trip trips at once and in every healthy pull; never-trip misses everything."""
    always, never = suite.nulls(small(EVALUATION))
    for fault in FAULTS:
        assert np.all(always.delays[fault] == 0.0)
        assert miss_count(never.delays[fault]) == len(small(EVALUATION)[fault])
        assert quantile(never.delays[fault], 0.01) == inf
    assert always.false_trips == always.healthy == 100
    assert never.false_trips == 0


def test_threshold_gives_its_rate() -> None:
    """A tuned threshold trips in exactly the share of tuning pulls it was asked for."""
    shortest = -small(TUNING)[NO_FAULT].delivered
    for rate in (0.02, 0.1):
        tripped = np.count_nonzero(first_above(shortest, threshold_for(shortest, rate)) >= 0)
        assert tripped <= round(100 * rate)
    ranks = np.random.default_rng(0).permutation(np.arange(100.0))[:, None]
    assert np.count_nonzero(ranks > threshold_for(ranks, 0.02)) == 2


def test_delays_keep_misses_and_drop_early_trips() -> None:
    """A miss is infinite; a trip before the fault is neither a hit nor a miss."""
    found = delays_ms(np.array([120, -1, 50, 100]), np.array([100, 100, 100, 100]))
    assert found == pytest.approx([200.0, inf, 0.0])


def test_limit_is_set_by_hours() -> None:
    """The hours put into the rig make the limit that was asked for."""
    for nats in (7.0, 10.5, 16.0):
        limited = with_limit(shipped_rig("tarnwick"), nats)
        assert constants_of(limited).limit_nats == pytest.approx(nats)


def test_the_envelope_is_the_bank_s() -> None:
    """The rivals' lower envelope is never above what the true car should read on average."""
    seen = small(EVALUATION)[NO_FAULT]
    plenty = seen.least > kernels.LEAST
    ratio = seen.delivered[plenty] / seen.least[plenty]
    assert np.mean(ratio > 0.9) > 0.97
    assert np.all(seen.least <= 1.2 * seen.commanded.max())


def test_guard_pulls_where_its_evidence_passes() -> None:
    """What the contest reads off the evidence is what the real guard does at that limit."""
    facts = shipped_rig("brindle")
    made = one(number=2)
    onset = onset_row(np.random.default_rng(2), made, 10.0, 20.0)
    delays = shipped.delays_of(made, facts, onset)
    assert delays is not None
    rows = made.rows.copy()
    rows[:, ch.DELIVERED] = delivered(made, 1.0, onset)
    guard = Guard(facts)
    evidence = Decision.named(guard.run_rows(rows))["evidence"]
    passed = int(first_above(evidence[None], np.nextafter(guard.constants.limit_nats, 0.0))[0])
    assert delays[0] == pytest.approx(10.0 * (passed - onset))


def test_shipped_rigs_find_more_the_more_is_missing() -> None:
    """On a few cars a larger shortfall is found no later, and a fit makes it no worse."""
    as_shipped, after_fit = shipped.measure("brindle", 12, SEED)
    medians = [quantile(found, 0.5) for found in as_shipped.delays.values()]
    assert medians == sorted(medians)
    assert as_shipped.too_early == after_fit.too_early == 0
    for fault in BIG:
        assert miss_count(as_shipped.delays[fault]) == 0
        ours, fits = as_shipped.delays[fault], after_fit.delays[fault]
        assert quantile(fits, 0.5) <= quantile(ours, 0.5)
    told = {row[0]: row[1:] for row in shipped.bars([as_shipped, after_fit])}
    assert len(told) == 11
    assert all(result in ("pass", "FAIL") for _, _, result in told.values())


def test_rises_count_episodes() -> None:
    """An episode begins at the limit and ends below half of it."""
    assert false_pulls.rises(np.array([0.0, 10.0, 6.0, 11.0, 4.0, 10.0]), 10.0) == 2
    assert false_pulls.rises(np.array([12.0, 4.0, 9.0]), 10.0) == 1
    assert false_pulls.rises(np.array([0.0, 9.9]), 10.0) == 0


def test_no_false_pull_in_a_short_healthy_drive() -> None:
    """On a rig that states its car, ten minutes pull nothing; counts and shares are told."""
    found = false_pulls.count("brindle", World(), 0.05, SEED, 0)
    assert (found.pulls, found.rig) == (0, "brindle")
    assert found.spraying_h >= 0.05
    assert 0.0 < found.share < 1.0


def test_what_a_rig_states_outlasts_an_odd_first_second() -> None:
    """Noise that is quiet, or seems to last for no time, when first seen, isn't believed at once.

    Both drives were once pulled within seconds of a guard's start, by noise alone.
    """
    world = World("at the edge", at_edge=True)
    cars = (
        drive(stream(5, HEALTHY, 1, 16, 4), shipped_rig("tarnwick"), world, 600.0),
        drive(stream(1, EVALUATION, 1, 75), shipped_rig("tarnwick"), World(), shipped.DRIVE_S),
    )
    for made in cars:
        first_s = made.rows[made.rows[:, ch.TIME] < 20.0]
        guard = Guard(made.rig)
        evidence = Decision.named(guard.run_rows(first_s))["evidence"]
        assert evidence.max() < 0.6 * guard.constants.limit_nats
    guard = Guard(cars[0].rig)
    guard.run_rows(cars[0].rows[:500])
    state = State.of_flat(guard.state())
    assert 0.0 < state.learned_s < 1.0
    assert state.noise_lasts_s == pytest.approx(cars[0].rig.flow_sensor.noise_lasts_s, rel=0.4)
    assert sqrt(state.noise_sq) == pytest.approx(cars[0].rig.flow_sensor.noise, rel=0.2)


def test_a_car_outside_its_rig_is_pulled() -> None:
    """The count does find false pulls where the rig misstates its car."""
    made = one(for_s=60.0)
    larger = Car(made.car.delay_s, made.car.lag_s, 1.15 * made.car.gain)  # than it is, by its rig
    guard = Guard(fitted(np.random.default_rng(6), shipped_rig("brindle"), larger))
    evidence = Decision.named(guard.run_rows(made.rows))["evidence"]
    assert false_pulls.rises(evidence, guard.constants.limit_nats) > 0


def test_evidence_beats_ratio_rules_on_a_small_sample() -> None:
    """At 40 % missing evidence is found sooner than by the best ratio rule, with no more misses."""
    tuning, evaluation = small(TUNING), small(EVALUATION)
    own = suite.of_evidence("evidence", suite.tuned_limits(tuning[NO_FAULT], RATE)[0], evaluation)
    fault = "40 % missing"
    lag_s = shipped_rig("brindle").flow_sensor.lag_s
    rivals = [
        contest(one, tuning, evaluation)
        for one in islice(families(tuning[NO_FAULT], RATE, lag_s), 5)
    ]
    assert [row.key for row in rivals] == list(suite.RIVALS[:5])
    raw, ratio = rivals[0], rivals[1]
    assert quantile(own.delays[fault], 0.5) < 0.7 * quantile(raw.delays[fault], 0.5)
    assert quantile(own.delays[fault], 0.5) <= quantile(ratio.delays[fault], 0.5)
    assert miss_count(own.delays[fault]) <= miss_count(raw.delays[fault])
    assert ratio.settings[fault].startswith("X ")
    assert len(suite.contest_bars([own, *rivals])) == len(FAULTS) + 1


def test_ratio_rule_counts_time_below() -> None:
    """The timer runs only below X and above the least flow, and starts anew."""
    reference = np.array([[0.5] * 6 + [0.05] + [0.5]])
    flow = np.array([[0.5, 0.3, 0.3, 0.3, 0.5, 0.3, 0.0, 0.3]])
    below_s = kernels.ratio_below_s(reference, flow, 0.7)[0]
    assert below_s == pytest.approx([0.0, 0.01, 0.02, 0.03, 0.0, 0.01, 0.0, 0.01])


def test_the_old_rule_s_accounts() -> None:
    """Steady full flow, half of it missing: both accounts grow by what their allowances leave."""
    steady = np.ones((1, 101))
    terms = Terms(share=0.1, floor=0.03, timing_s=0.06, lead=0.3, slow_share=0.06)
    quick, slow = kernels.accounts(steady, steady, 0.5 * steady, 0.1, tuple(terms))
    assert quick[0, -1] == pytest.approx(1.01 * (0.5 - 0.1 - 0.03))
    assert slow[0, -1] == pytest.approx(1.01 * (0.5 - 0.06))
    # A step of the command: expected comes later, and how fast it does is allowed for.
    risen = np.clip(np.arange(101.0)[None] - 50.0, 0.0, 10.0) / 10.0
    quick, slow = kernels.accounts(steady, risen, 0.9 * risen, 0.1, tuple(terms))
    assert quick[0].max() == 0.0
    assert slow[0, -1] == pytest.approx(0.01 * 0.04 * risen.sum())
    both = Accounts(terms, 0.1, 0.5, 0.25)
    nothing = np.zeros((1, 101))
    seen = Signals(1.0, steady, steady, steady, nothing, nothing, nothing, np.array([-1]))
    assert both(seen)[0, -1] == pytest.approx(1.01 * 0.94 / 0.25)


@pytest.mark.skipif(not generic.HAVE_RIVER, reason="needs the extra bench")
def test_page_hinkley_twin_agrees_with_the_library() -> None:
    """The compiled statistic crosses a threshold at the very sample the library's detector does."""
    seen = small(EVALUATION)["60 % missing"].first(15)
    statistic = kernels.page_hinkley(
        seen.least, seen.delivered, 0.05, generic.FORGETTING, generic.MIN_INSTANCES
    )
    trips = generic.page_hinkley_trips(seen, 0.05, 5.0)
    assert np.array_equal(trips, first_above(statistic, 5.0))
    assert np.any(trips >= 0)


@pytest.mark.skipif(not generic.HAVE_RIVER, reason="needs the extra bench")
def test_adwin_trips_more_with_a_larger_delta() -> None:
    """A larger delta never finds fewer pulls with a fall."""
    seen = small(EVALUATION)["pump stop"].first(15)
    found = [np.count_nonzero(generic.adwin_trips(seen, 5, d) >= 0) for d in (-60.0, -3.0)]
    assert found[0] <= found[1]
    assert found[1] > 0


@pytest.mark.skipif(not generic.HAVE_RUPTURES, reason="needs the extra bench")
def test_offline_finds_a_pump_stop_near_its_onset() -> None:
    """Hindsight places most pump stops within 0.4 s of the fault."""
    seen = small(EVALUATION)["pump stop"]
    places, sizes = generic.offline(seen)
    assert np.median(np.abs(places - seen.onset)) < 40
    assert np.median(sizes) > 2.0


def test_theory_is_what_a_simulated_sum_does() -> None:
    """Whitened log-likelihood ratios added up pass the limit when the inverse Gaussian says."""
    theory = Theory(0.4, shipped_rig("brindle").flow_sensor)
    every_s = 3600.0
    limit = theory.limit_nats(every_s)
    assert np.expm1(limit) - limit == pytest.approx(theory.settled_nats_s * every_s)
    rng = np.random.default_rng(11)
    step_s = 2e-4
    left = np.exp(-np.arange(0.0, 0.5, step_s) / theory.sensor.lag_s)
    whitened = 1.0 - (1.0 - theory.sensor.noise_lasts_s / theory.sensor.lag_s) * left
    nats = theory.settled_nats_s * whitened**2 * step_s
    sums = np.cumsum(nats + np.sqrt(2.0 * nats) * rng.normal(size=(2000, len(nats))), axis=1)
    passed = np.argmax(sums >= limit, axis=1) * step_s
    for share in (0.5, 0.95):
        found = 1000.0 * (theory.sensor.delay_s + np.quantile(passed, share))
        assert theory.delay_ms(every_s, share) == pytest.approx(found, abs=4.0)


def test_theory_falls_with_the_shortfall() -> None:
    """A larger shortfall is found sooner; the lag only ever costs; more calm costs time."""
    sensor = shipped_rig("tarnwick").flow_sensor
    before = inf
    for missing in sorted(FAULTS.values()):
        theory = Theory(missing, sensor)
        found = theory.delay_ms(3.6e5, 0.5)
        assert theory.first_order_ms(3.6e5) < found < before
        assert theory.delay_ms(3.6e3, 0.5) < found < theory.delay_ms(3.6e5, 0.95)
        before = found


def test_pulls_are_as_long_as_they_say() -> None:
    """A pull has its samples, faults begin in time, and healthy pulls have none."""
    half = small(EVALUATION)
    for case, seen in half.items():
        assert seen.delivered.shape[1] == N_SAMPLES
        if case == NO_FAULT:
            assert np.all(seen.onset == -1)
        else:
            assert np.all((seen.onset >= 100) & (seen.onset < N_SAMPLES - 250))
