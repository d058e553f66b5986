"""What is learned of a car while it is healthy, and that no fault is ever learned as normal."""

from math import sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.channels import BOOST, COMMANDED, DELIVERED, NOT_SENT, OPERATOR, ROW_WIDTH, TIME
from rules.facts import Action
from rules.guard import Guard
from rules.handling import least_found_share
from rules.step.evidence import CALM_NATS, judge_entry
from rules.step.learning import LONGEST_CORRELATION_S, learn, note_hold
from rules.step.state import N_DECISION, UNDER_DELIVERY, Decision, State
from tests.kit.entries import EXPECTED_ML_MIN, correlated, one_car
from tests.kit.rigs import Drive, healthy, rig

LEARNED = (
    *("gain", "doubt", "noise_sq", "noise_lasts_s", "covariance", "mean_residual"),
    *("entry_usual_s", "learned_s"),
)
FIELD = {name: i for i, name in enumerate(Decision.names())}


def learned(gain: float, noise: float, lasts_s: float, dt_s: float, for_s: float = 120.0) -> State:
    """Return what is known after so long in a car with this gain and this noise."""
    k, s = one_car((0.05, 0.2, 0.8), 0.04, learns=True)
    s.noise_lasts_s = k.correlation_s
    kept = lasts_s / (lasts_s + dt_s)
    for draw in correlated(round(for_s / dt_s), kept, 5).tolist():
        judge_entry(k, s, EXPECTED_ML_MIN * gain * (1.0 + noise * draw), dt_s)
    return s


@pytest.mark.parametrize("dt_s", [0.01, 0.05])
@pytest.mark.parametrize(
    ("gain", "noise", "lasts_s"),
    [(1.0, 0.04, 0.05), (0.97, 0.04, 0.05), (1.05, 0.03, 0.1), (1.0, 0.08, 0.05), (1.0, 0.02, 0.0)],
)
def test_gain_noise_and_how_long_it_lasts_are_learned(
    gain: float, noise: float, lasts_s: float, dt_s: float
) -> None:
    """After two minutes: gain within 1 %, noise within a quarter, its duration within 40 ms."""
    s = learned(gain, noise, lasts_s, dt_s)
    assert s.gain == pytest.approx(gain, abs=0.01)
    assert sqrt(s.noise_sq) == pytest.approx(noise, rel=0.25)
    assert s.noise_lasts_s == pytest.approx(lasts_s, abs=0.04)
    assert s.learned_s > 60.0


@pytest.mark.parametrize("lasts_s", [0.03, 0.05, 0.1])
@pytest.mark.parametrize("floor", [0.0, 0.5, 1.0])
def test_how_much_noise_does_not_last_is_learned(floor: float, lasts_s: float) -> None:
    """A floor of noise that this sensor has not, or not all of: what lasts is known none the less.

    Noise of 4 % that lasts, and as much of a floor of 3 % as there is.
    """
    k, s = one_car((0.05, 0.2, 0.8), 0.04, learns=True)
    s.noise_lasts_s = k.correlation_s
    k.floor_sq = s.floor_sq = (0.03 * EXPECTED_ML_MIN) ** 2
    n = 12_000
    lasting = 0.04 * correlated(n, lasts_s / (lasts_s + 0.01), 5)
    fleeting = 0.03 * sqrt(floor) * correlated(n, 0.0, 6)
    for draw in (lasting + fleeting).tolist():
        judge_entry(k, s, EXPECTED_ML_MIN * (1.0 + draw), 0.01)
    assert s.floor_part == pytest.approx(floor, abs=0.25)
    assert s.noise_lasts_s == pytest.approx(lasts_s, rel=0.3)
    assert sqrt(s.noise_sq) == pytest.approx(0.04, rel=0.15)


@pytest.mark.parametrize("seed", range(4))
def test_a_reading_that_now_and_then_seems_coarse_makes_no_noise_last_for_ever(seed: int) -> None:
    """Spells at full flow and at a fifth of it; in every other the steps of the reading count.

    What counts as rounding is added to the noise that was learned, never taken out of it.
    """
    k, s = one_car((0.2,), 0.03, learns=True)
    s.noise_lasts_s = k.correlation_s
    draws = np.random.default_rng([seed, 11])
    flows = np.repeat(draws.choice([0.2, 1.0], 80), 150)
    for i, lasts in enumerate((0.03 * correlated(12_000, 0.05 / 0.06, seed)).tolist()):
        s.rounding_ml_min = 3.0 * (i // 150 % 2)
        learn(k, s, lasts, float((0.01 / flows[i]) ** 2), 0.01)
        s.residual_1, s.residual_2 = lasts, s.residual_1
        if s.learned_s > 15.0:
            assert s.noise_lasts_s < 0.1
            assert 0.8 < sqrt(s.noise_sq) / 0.03 < 1.3


@pytest.mark.parametrize("rows", [2, 5, 20])
@pytest.mark.parametrize("dt_s", [0.01, 0.02])
def test_how_long_a_sensor_holds_its_readings_is_learned(rows: int, dt_s: float) -> None:
    """One that gives a new reading every so many rows is known by its third; one in each row never.

    Nor is one that moves by a coarse step only: it stands still for other reasons.
    """
    held, living, coarse = State(), State(), State()
    draws = np.random.default_rng(3).normal(500.0, 20.0, 10)
    for i in range(10 * rows):
        note_hold(held, draws[i // rows], dt_s)
        note_hold(living, 500.0 + 0.1 * i, dt_s)
        note_hold(coarse, 500.0 + 4.0 * (i // rows % 2), dt_s)
    assert held.holds_s == pytest.approx(min(rows * dt_s, 0.5), rel=0.06)
    assert living.holds_s == 0.0
    assert coarse.holds_s == 0.0
    assert coarse.flow_step_ml_min == pytest.approx(4.0, rel=0.5)


def test_what_is_learned_stays_within_what_the_rig_allows() -> None:
    """Neither a gain outside of its tolerance, nor too little or too much noise, nor for too long.

    Noise of a tenth of the rig's counts as half of it, of ten times as four times; a sensor 15 %
    too high as one 8 % too high; what lasts for two seconds as what lasts for a quarter of one.
    """
    assert sqrt(learned(1.0, 0.004, 0.05, 0.01).noise_sq) == pytest.approx(0.02)
    assert sqrt(learned(1.0, 0.4, 0.0, 0.05).noise_sq) == pytest.approx(0.16)
    assert learned(1.15, 0.02, 0.05, 0.01).gain == 1.08
    assert learned(1.0, 0.03, 2.0, 0.01).noise_lasts_s <= LONGEST_CORRELATION_S


def test_doubt_of_the_gain_falls_with_healthy_time_and_never_to_nothing() -> None:
    """8 % at first; ten seconds take half of what may go; 30 % of it stay for good."""
    k, s = one_car((0.2,), 0.04, learns=True)
    assert s.doubt == k.gain_within == 0.08
    assert k.least_doubt == pytest.approx(0.3 * 0.08)
    assert learned(1.0, 0.02, 0.0, 0.01, 10.0).doubt == pytest.approx(0.052, abs=1e-3)
    assert 0.024 < learned(1.0, 0.02, 0.0, 0.05, 600.0).doubt < 0.026


@settings(max_examples=60)
@given(
    reads=st.lists(st.floats(0.0, 3.0), min_size=20, max_size=200),
    dt_s=st.sampled_from([0.01, 0.05, 0.2]),
    gain_within=st.sampled_from([0.0, 0.02, 0.08, 0.2]),
)
def test_whatever_is_read_what_is_learned_keeps_its_bounds(
    reads: list[float], dt_s: float, gain_within: float
) -> None:
    """Any readings at all: each learned value is finite and within its bounds after each."""
    drive = Drive(rig(flow_sensor={"gain_within": gain_within}), dt_s=dt_s)
    drive.run(2.0)
    k = drive.guard.constants
    for share in reads:
        drive.run(dt_s, share=share)
        s = State.of_flat(drive.guard.state())
        assert k.lowest_gain <= s.gain <= k.highest_gain
        assert k.least_doubt <= s.doubt <= k.gain_within
        assert k.least_noise_sq <= s.noise_sq <= k.most_noise_sq
        assert 0.0 <= s.noise_lasts_s <= LONGEST_CORRELATION_S
        assert abs(s.covariance) <= 9.0 * k.most_noise_sq


@pytest.mark.parametrize("gone", [0.2, 0.5, 1.0])
def test_nothing_is_learned_while_evidence_is_not_calm(gone: float) -> None:
    """From the first entry that leaves it above four nats on nothing learned moves, to the bit."""
    drive = healthy(rig(ladder={"shortfall_outlasts_s": 1e9}))
    known, stood = "", 0
    for _ in range(300):
        drive.run(0.01, share=1.0 - gone)
        s = State.of_flat(drive.guard.state())
        now = repr([getattr(s, name) for name in LEARNED])
        if s.evidence > CALM_NATS and known:
            assert now == known
            stood += 1
        known = now
    assert stood > 250


def test_nothing_is_learned_where_cars_disagree_or_little_is_due() -> None:
    """In a rise of the command, and from a trickle, gain and noise stay what they are."""
    drive = healthy(rig())
    before = State.of_flat(drive.guard.state())
    for command in (100.0, 500.0) * 10:  # a tenth of a second each: no two cars agree
        drive.run(0.1, commanded_ml_min=command)
    moving = State.of_flat(drive.guard.state())
    drive.run(3.0, commanded_ml_min=60.0)
    k = drive.guard.constants
    assert k.least_scale_ml_min > 60.0
    trickle = State.of_flat(drive.guard.state())
    assert moving.learned_s - before.learned_s < 0.4
    assert trickle.learned_s - moving.learned_s < 0.4


def test_a_guard_that_starts_knows_what_its_rig_says() -> None:
    """Gain 1, all of the doubt, the rig's noise and its duration."""
    s = State.of_flat(Guard(rig()).state())
    assert (s.gain, s.doubt, s.learned_s) == (1.0, 0.08, 0.0)
    assert sqrt(s.noise_sq) == pytest.approx(0.04)
    assert s.noise_lasts_s == 0.05


FADE_S = 900.0
FADED = 0.3


@pytest.mark.parametrize("hz", [20, 100])
@pytest.mark.parametrize("gain", [0.96, 1.0, 1.04])
def test_a_slow_fade_is_never_learned_as_normal(gain: float, hz: int) -> None:
    """Spray that fades by 30 % over 15 minutes: the gain keeps its bounds, and timing is pulled.

    Whatever the car read when it was healthy, by the time that the reading is a hundredth beyond
    the least share that is found: 12.5 % below the rig's figures, of which 8 % are the gain's.
    """
    n = round(FADE_S * hz)
    time_s = np.arange(n) / hz
    left = gain * (1.0 - FADED * np.clip((time_s - 60.0) / FADE_S, 0.0, 1.0))
    noise = 1.0 + 0.04 * correlated(n, 0.05 / (0.05 + 1.0 / hz), 9)
    rows = np.full((n, ROW_WIDTH), NOT_SENT)
    rows[:, [TIME, BOOST, COMMANDED, OPERATOR]] = 0.0, 150.0, 500.0, 0.0
    rows[:, TIME] = time_s
    rows[:, DELIVERED] = np.maximum(500.0 * left * noise, 0.0)
    guard = Guard(rig())
    out = np.empty((0, N_DECISION))
    for block in np.array_split(rows, 60):
        out = np.vstack([out, guard.run_rows(block)])
        s = State.of_flat(guard.state())
        assert 0.92 <= s.gain <= 1.08
    pulled = out[:, FIELD["level_under_delivery"]] >= Action.PULL_TIMING
    first = int(np.argmax(pulled))
    assert pulled[first]
    assert out[first, FIELD["finding"]] == UNDER_DELIVERY
    found = least_found_share(guard.constants)
    assert 0.08 < found < 0.12
    assert 0.08 < 1.0 - left[first] < found + 0.01
