"""Evidence and debt, each part against a law from outside: see ``test_sums`` for published sums."""

from itertools import pairwise
from math import exp, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from rules.channels import NOT_SENT
from rules.facts import Action
from rules.step.constants import Constants
from rules.step.evidence import (
    CALM_NATS,
    MOST_EVIDENCE,
    MOST_RATIO,
    RESERVE,
    SURPLUS_KEPT,
    close_accounts,
    gather,
    judge_entry,
    note_due,
)
from rules.step.from_rig import constants_of
from rules.step.state import N_SIZES, RIG_DOUBTED, UNDER_DELIVERY, Decision, State
from rules.step.step import fresh_state
from tests.kit.entries import EXPECTED_ML_MIN, Floats, correlated, one_car, put_account
from tests.kit.rigs import ESSENTIAL, NAN, Drive, first, healthy, rig

shares = st.floats(0.0, 0.95)
MIDDLE = 500.0  # nats: far from the ends of a sum
NEWS = -0.07  # in the entry before


def ratio(k: Constants, s: State, size: float, reading: float, before: float, kept: float) -> float:
    """Return how much more likely a reading is with a shortfall than without, nats, by scipy.

    Written from the law alone: of readings whose noise keeps a share of itself the part that is new
    is normal; what an honest sensor may lack is lacking in either case. Where plenty is expected
    the sum of both noises is whitened as the ARMA(1, 1) that it is, its moving average the root
    inside the unit circle.
    """
    expected = s.gain * s.entry_ml_min[0]
    scale = max(expected, k.least_scale_ml_min)
    from_share = s.noise_sq * (1.0 - kept**2) * (expected / scale) ** 2
    from_floor = s.floor_sq / scale**2
    white = 0.0
    if expected >= k.least_scale_ml_min and kept > 1e-6:
        sides = from_share + from_floor * (1.0 + kept**2)
        white = float(np.min(np.roots([kept * from_floor, -sides, kept * from_floor]).real))
    fresh = (1.0 - kept) / (1.0 - white)
    new = (reading - expected) / scale - kept * before + white * NEWS
    lowest = max(s.gain * (1.0 - s.doubt), k.lowest_gain)
    honest = (lowest - s.gain) * s.entry_ml_min[0] / scale * fresh
    short = honest - size * expected / scale * fresh
    of_floor = from_floor * (1.0 + kept**2 - 2.0 * white * kept)
    sd = sqrt((from_share + of_floor) / (1.0 - white**2))
    return float(norm.logpdf(new, short, sd) - norm.logpdf(new, honest, sd))


@settings(max_examples=200)
@given(
    expected=st.floats(1.0, 2000.0),
    read=st.floats(0.0, 1.5),
    before=st.floats(-1.0, 0.1),
    gain=st.floats(0.92, 1.08),
    doubt=st.floats(0.0, 0.08),
    noise=st.floats(0.02, 0.2),
    floor_ml_min=st.floats(1.0, 20.0),
    kept=shares,
    entry_s=st.floats(0.005, 0.5),
)
def test_a_ratio_is_that_of_two_normal_densities(
    expected: float,
    read: float,
    before: float,
    gain: float,
    doubt: float,
    noise: float,
    floor_ml_min: float,
    kept: float,
    entry_s: float,
) -> None:
    """Each size's sum moves by the log-likelihood ratio that scipy.stats.norm gives."""
    k, s = one_car((0.05, 0.1, 0.2, 0.8), noise, kept, entry_s)
    s.floor_sq = floor_ml_min**2
    k.least_scale_ml_min = 110.0
    s.entry_ml_min[0], s.gain, s.doubt = expected, gain, doubt
    s.residual[0] = before
    s.innovation[0] = NEWS
    exact = [ratio(k, s, size, read * expected, before, kept) for size in k.size]
    put_account(s, MIDDLE)
    judge_entry(k, s, read * expected, entry_s)
    wanted = [max(MIDDLE + by, 0.0) for by in exact]
    assert s.account[:N_SIZES] == pytest.approx(wanted, rel=1e-6, abs=1e-6)
    assert s.flow_evidence == max(s.account[:N_SIZES])


def test_one_reading_and_all_readings_are_bounded() -> None:
    """No one reading says more than its part of the limit, and no sum more than its bound.

    That is a reserve until all cars accuse, and little more than the limit from then on.
    """
    k, s = one_car((0.8,), 0.04)
    k.limit_nats = 16.0
    said = []
    for _ in range(10):
        judge_entry(k, s, 0.0, 0.01)
        said.append(s.flow_evidence)
    assert said[0] == MOST_RATIO * 16.0 < k.warn_nats
    assert said[-1] == RESERVE * 16.0
    assert max(b - a for a, b in pairwise(said)) <= MOST_RATIO * 16.0 + 1e-9
    s.evidence = 16.0
    judge_entry(k, s, 0.0, 0.01)
    assert s.flow_evidence == MOST_EVIDENCE * 16.0


@pytest.mark.parametrize("kept", [0.5, 0.8, 0.95])
def test_whitening_leaves_correlated_noise_white(kept: float) -> None:
    """Of noise that keeps 50 to 95 % of itself nothing is kept, and its variance is what is used.

    What is new in a reading is found from the ratio, which is linear in it. Twenty thousand
    entries: a lag-1 correlation of nil is known to 0.007 (one standard deviation); the bound on a
    surplus that is remembered moves it by less than that.
    """
    size, noise, n = 0.01, 0.04, 20_000
    k, s = one_car((size,), noise, kept)
    moved = size * (1.0 - kept)
    variance = noise**2 * (1.0 - kept**2) / 4.0  # half of the scale is expected
    shift = moved / 2.0
    new = []
    for draw in correlated(n, kept, 7).tolist():
        put_account(s, MIDDLE)
        judge_entry(k, s, EXPECTED_ML_MIN * (1.0 + noise * draw), 0.01)
        new.append(-(s.account[0] - MIDDLE) * variance / shift - 0.5 * shift)
    whitened = np.array(new[1:]) / sqrt(variance)
    assert abs(np.corrcoef(whitened[1:], whitened[:-1])[0, 1]) < 0.03
    assert np.var(whitened) == pytest.approx(1.0, abs=0.05)


class Told:
    """What evidence and debt are by their definitions, car by car: plain sums, begun at any entry.

    A size's evidence is the most that any run of entries up to now speaks for it; a car's is the
    greatest of its sizes, the bank's the least of its cars.
    """

    def __init__(self, sizes: list[float], noise: float, kept: float, entry_s: float) -> None:
        self.sizes, self.noise, self.kept, self.entry_s = sizes, noise, kept, entry_s
        self.ratios: list[Floats] = []
        self.residual: Floats | None = None
        self.missing_ml: list[Floats] = []

    def entry(self, expected: Floats, read: float) -> tuple[float, float]:
        """Take an entry; return evidence (nats) and debt (mL)."""
        residual = (read - expected) / expected
        if self.residual is None:
            self.residual = np.zeros_like(expected)
        new = residual - self.kept * self.residual
        self.residual = np.minimum(residual, SURPLUS_KEPT * self.noise)
        sd = self.noise * sqrt(1.0 - self.kept**2)
        shifts = -(1.0 - self.kept) * np.array(self.sizes)
        by = norm.logpdf(new[:, None], shifts, sd) - norm.logpdf(new[:, None], 0.0, sd)
        self.ratios.append(by)
        self.missing_ml.append((expected - read) * self.entry_s / 60.0)
        runs = np.cumsum(np.array(self.ratios)[::-1], axis=0).max(axis=0)
        cars = np.maximum(runs, 0.0).max(axis=1)
        least = int(np.argmin(cars))
        return float(cars[least]), self._debt_ml(least)

    def _debt_ml(self, car: int) -> float:
        """Return what the car misses since its evidence last was nil."""
        debt_ml = 0.0
        for i in range(len(self.ratios)):
            so_far = np.array(self.ratios[: i + 1])[::-1, car]
            spoken = np.cumsum(so_far, axis=0).max() > 0.0
            debt_ml = debt_ml + float(self.missing_ml[i][car]) if spoken else 0.0
        return max(debt_ml, 0.0)


@settings(max_examples=40)
@given(
    n_cars=st.integers(1, 20),
    kept=st.floats(0.0, 0.9),
    seed=st.integers(0, 10_000),
    gone=st.floats(0.0, 0.5),
)
def test_evidence_is_the_least_of_all_cars_of_the_greatest_of_all_sizes(
    n_cars: int, kept: float, seed: int, gone: float
) -> None:
    """Evidence and debt are what their definitions give, worked out plainly from all entries."""
    sizes, noise, entry_s = [0.05, 0.1, 0.2, 0.8], 0.04, 0.02
    k, s = one_car(sizes, noise, kept, entry_s, learns=True)
    k.n_cars = n_cars
    k.least_scale_ml_min = 1.0
    told = Told(sizes, noise, kept, entry_s)
    rng = np.random.default_rng(seed)
    for i in range(25):
        # Cars that expect different flows: nothing is learned from.
        expected = rng.uniform(200.0, 600.0, n_cars)
        expected[0] = expected[-1] * (1.0 if n_cars == 1 else 0.9)
        read = expected[n_cars // 2] * (1.0 + 0.04 * rng.normal()) * (1.0 - gone * (i > 10))
        s.doubt, s.gain, s.noise_sq, s.noise_lasts_s = (
            *(0.0, 1.0, noise**2),
            entry_s * kept / (1.0 - kept),
        )
        s.entry_ml_min[:n_cars] = expected.tolist()
        judge_entry(k, s, read, entry_s)
        evidence, debt_ml = told.entry(expected, read)
        assert s.flow_evidence == pytest.approx(evidence, rel=1e-9, abs=1e-9)
        assert s.debt_ml == pytest.approx(debt_ml, rel=1e-9, abs=1e-9)
        assert s.debt_s == pytest.approx(debt_ml / k.full_ml_min * 60.0, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("size", [0.5, 1.0, 2.0])
def test_white_noise_passes_a_limit_no_oftener_than_lorden_allows(size: float) -> None:
    """From nil to 4 nats a sum takes exp(4) = 55 entries of pure noise, or more, on average.

    Lorden, Ann. Math. Statist. 42 (1971); sizes in units of the noise. Three hundred alarms: the
    mean is known to 6 % (a time to a rare event has a standard deviation of its own length).
    """
    limit, alarms = 4.0, 300
    k, s = one_car((size * 0.04,), 0.04)
    rng = np.random.default_rng(11)
    entries = found = 0
    while found < alarms:
        for draw in rng.normal(size=1000).tolist():
            judge_entry(k, s, EXPECTED_ML_MIN * (1.0 + 0.04 * draw), 0.01)
            entries += 1
            if s.flow_evidence >= limit:
                found += 1
                put_account(s, 0.0)
    assert entries / found >= exp(limit)


def test_a_bank_passes_a_limit_no_oftener_than_its_true_car() -> None:
    """Some sizes, five cars of which the first is true: no oftener than each size by itself.

    Each size has a sum of its own; cars can only make it rarer.
    """
    limit, n = 4.0, 40_000
    k, s = one_car((0.02, 0.05, 0.2), 0.04)
    k.n_cars = 5
    entries = EXPECTED_ML_MIN * np.array([1.0, 1.005, 1.01, 1.02, 1.05])
    s.entry_ml_min[:5] = entries.tolist()
    found = alone = 0
    for draw in correlated(n, 0.0, 3).tolist():
        judge_entry(k, s, EXPECTED_ML_MIN * (1.0 + 0.04 * draw), 0.01)
        alone += max(s.account[:N_SIZES]) >= limit
        if s.flow_evidence >= limit:
            found += 1
            close_accounts(k, s)
    assert 0 < found <= N_SIZES * n / exp(limit)
    assert found <= alone


@pytest.mark.parametrize("calm", [True, False])
def test_an_end_rules_no_car_out_at_the_next_onset(calm: bool) -> None:
    """After a healthy spell each sum is no more than one reading adds; a fault's stay."""
    k, s = one_car((0.2,), 0.04)
    s.due_from_s = 1.0
    s.bank_most_ml_min = 0.5 * k.floor_ml_min
    s.flow_evidence = CALM_NATS if calm else 1.1 * CALM_NATS
    put_account(s, 3.0 * k.limit_nats)
    note_due(k, s)
    assert s.account[0] == (MOST_RATIO if calm else 3.0) * k.limit_nats
    assert (s.due_from_s < 0.0) == calm


def test_an_entry_of_a_sensor_that_holds_its_value_is_an_average() -> None:
    """Rows are gathered until they make up a refresh period, then judged as one."""
    k, s = one_car((0.2,), 0.04)
    k.refresh_s = 0.1
    judged = []
    for i in range(20):
        s.car_ml_min[0] = 400.0 + 10.0 * (i % 10)
        before = s.account[0]
        gather(k, s, 200.0, 0.02 if i % 10 == 9 else 0.01)
        judged.append(s.account[0] != before)
    # The eleven hundredths of a second of ten rows are one entry, the last row twice the weight.
    assert [i for i, found in enumerate(judged) if found] == [9, 19]
    k, s = one_car((0.2,), 0.04)
    k.refresh_s = 0.1
    for i in range(4):
        s.car_ml_min[0] = 100.0 * (i + 1)
        gather(k, s, 10.0 * (i + 1), 0.01 * (i + 1))
    # 1, 2, 3 and 4 hundredths of a second: (1 + 4 + 9 + 16) / 10 = 3.
    assert s.entry_s == 0.0
    assert s.entry_ml_min[0] == pytest.approx(300.0)
    assert s.entry_delivered_ml_min == pytest.approx(30.0)


def test_a_surplus_that_ends_is_no_shortfall() -> None:
    """A reading twice too high that comes down to what is due speaks for nothing missing."""
    k, s = one_car((0.05, 0.2, 0.8), 0.04, kept=0.8, learns=True)
    s.surplus = 100.0  # so that none of it is learned
    for share in (*[2.0] * 50, *[1.0] * 50):
        judge_entry(k, s, EXPECTED_ML_MIN * share, 0.01)
        assert s.flow_evidence < 4.0


@settings(max_examples=60)
@given(
    at=st.integers(0, 59),
    dt_s=st.sampled_from([0.01, 0.02, 0.05, 0.1]),
    commands=st.lists(st.sampled_from([0.0, 100.0, 500.0, 700.0]), min_size=1, max_size=4),
    refresh_s=st.sampled_from([0.0, 0.0, 0.2]),
    noise=st.booleans(),
    seed=st.integers(0, 1000),
)
def test_one_reading_of_nil_acts_on_nothing(
    at: int, dt_s: float, commands: list[float], refresh_s: float, noise: bool, seed: int
) -> None:
    """A single zero, wherever it comes, in steady spray or in moving: not even a warning."""
    drive = Drive(rig(flow_sensor={"refresh_s": refresh_s}), dt_s=dt_s)
    draws = 0.02 * correlated(60, 0.5, seed) if noise else np.zeros(60)
    for i in range(60):
        command = {"commanded_ml_min": commands[i * len(commands) // 60]}
        drive.run(dt_s, share=0.0 if i == at else 1.0 + float(draws[i]), **command)
        assert drive.last.action == Action.NO_ACTION


@pytest.mark.parametrize("lost", ESSENTIAL)
@pytest.mark.parametrize("bad", [NAN, NOT_SENT, -1e4])
def test_evidence_and_debt_stand_still_while_an_essential_reading_is_unusable(
    lost: str, bad: float
) -> None:
    """Neither grows nor falls, to the last bit, until the reading is back."""
    drive = healthy(rig(ladder={"on_blind": Action.WARN, "shortfall_outlasts_s": 1e9}))
    drive.run(0.3, share=0.6)
    drive.run(0.4, share=0.6, **{lost: bad})  # the last good value stands in for 0.3 s
    before = State.of_flat(drive.guard.state())
    assert before.can_judge == 0.0
    assert before.evidence > 0.0 < before.debt_ml
    drive.run(3.0, share=0.6, **{lost: bad})
    after = State.of_flat(drive.guard.state())
    for name in (
        "evidence",
        "flow_evidence",
        "debt_ml",
        "debt_s",
        "short_s",
        "account",
        "car_debt_ml",
    ):
        assert getattr(after, name) == getattr(before, name), name
    drive.run(0.3, share=0.2)
    assert drive.last.debt_ml > after.debt_ml


def test_a_row_that_stands_still_in_time_says_nothing_new() -> None:
    """Rows of no length add neither evidence nor debt."""
    drive = healthy(rig())
    drive.run(0.2, share=0.5)
    before = drive.last
    for _ in range(50):
        drive.time_s = before.time_s
        drive.run(0.01, share=0.5)
    assert (drive.last.evidence, drive.last.debt_ml) == (before.evidence, before.debt_ml)


def test_a_held_sensor_that_is_declared_trips_nothing_and_still_finds_a_stop() -> None:
    """Five readings a second in rows at 100 Hz: a minute of switched spray, then the pump stops.

    Undeclared, that it holds them is found and told, and the stop as well.
    """
    for refresh_s, told in ((0.2, Action.NO_ACTION), (0.0, Action.WARN)):
        decisions = held_drive(refresh_s)
        calm, stopped = decisions[:6000], decisions[6000:]
        assert max(d.level[RIG_DOUBTED] for d in calm) == told
        assert max(d.level[UNDER_DELIVERY] for d in calm) == Action.NO_ACTION
        assert 0.01 * first(stopped, Action.PULL_TIMING) < 0.08 + 0.1 + 4 * 0.2


def held_drive(refresh_s: float) -> list[Decision]:
    """Return the decisions of a drive whose sensor holds its readings for 0.2 s.

    Spray is switched on and off every 0.7 to 2 s; the reading follows by the rig's own delay and
    lag with 3 % of noise, in steps of a hundredth of a second. After a minute nothing flows.
    """
    drive = Drive(rig(flow_sensor={"refresh_s": refresh_s}))
    rng = np.random.default_rng(2)
    switches = np.cumsum(rng.uniform(0.7, 2.0, 60))
    commands = [500.0 if np.searchsorted(switches, 0.01 * i) % 2 else 0.0 for i in range(6000)]
    commands += [500.0] * 200
    flow = held = 0.0
    seen: list[Decision] = []
    for i, command in enumerate(commands):
        due = commands[max(i - 8, 0)] if i < 6000 else 0.0
        flow += (due - flow) * (1.0 - exp(-0.01 / 0.1))
        if i % 20 == 0:
            held = flow * (1.0 + 0.03 * float(rng.normal()))
        readings = {"commanded_ml_min": command, "delivered_ml_min": max(held, 0.0)}
        seen += drive.run(0.01, **readings)
    return seen


def test_release_closes_every_account() -> None:
    """After release nothing is missing of what was sprayed before, for any car of the bank."""
    drive = healthy(rig())
    assert drive.run(1.0, share=0.0)[-1].evidence > 0.0
    drive.run(2.5, boost_kpa=0.0, commanded_ml_min=0.0)
    state = State.of_flat(drive.guard.state())
    assert drive.last.action == Action.NO_ACTION
    assert {state.evidence, state.debt_ml, state.debt_s, state.short_s} == {0.0}
    assert {*state.account, *state.car_debt_ml, *state.car_short_s} == {0.0}


def test_the_missing_share_follows_a_step_as_its_lag_and_lead_say() -> None:
    """40 % missing at once: what the sensor's lag hides is added, so more is shown, then 0.4.

    Smoothed over T = 60 ms, with the lag L = 100 ms put back: 0.4 (1 + (L / T - 1) exp(-t / T)).
    """
    k = constants_of(rig())
    assert (k.lag_s, k.missing_lag_s) == (0.1, 0.06)
    decisions = healthy(rig()).run(2.0, share=0.6)
    exact = 0.4 * (1.0 + (0.1 / 0.06 - 1.0) * exp(-0.06 / 0.06))
    assert decisions[5].missing_share == pytest.approx(exact, rel=0.01)
    assert decisions[-1].missing_share == pytest.approx(0.4, rel=1e-4)


def test_a_sensor_that_lags_shows_the_share_that_is_missing_soon() -> None:
    """A reading that falls by the sensor's own lag: 90 % of what is missing is known in 0.14 s."""
    drive = healthy(rig())
    shown = []
    for i in range(40):
        drive.run(0.01, share=1.0 - 0.4 * (1.0 - exp(-0.01 * (i + 1) / 0.1)))
        shown.append(drive.last.missing_share)
    assert shown[14] > 0.9 * 0.4
    assert max(shown) < 1.02 * 0.4


def test_fresh_states_know_nothing_missing() -> None:
    """A guard that has seen nothing has no evidence and no debt."""
    s = fresh_state(constants_of(rig()))
    assert (s.evidence, s.debt_ml, s.debt_s, s.surplus, s.excess_ml) == (0.0,) * 5
