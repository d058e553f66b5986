"""The bank of plausible cars, against a response worked out in closed form, for any command."""

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import exp

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rules.channels import Sample
from rules.facts import CommandKind, Rig
from rules.guard import Guard
from rules.step.arithmetic import INFINITE, kept_share
from rules.step.bank import move_bank
from rules.step.constants import Constants
from rules.step.expectation import NOTHING_ML_MIN
from rules.step.from_rig import constants_of
from rules.step.state import N_SIZES, RING_SIZE, Decision, State
from rules.step.step import fresh_state
from tests.kit.rigs import Drive, rig

levels = st.sampled_from([0.0, 0.0, 40.0, 250.0, 500.0, 700.0])
rates = st.sampled_from([0.01, 0.02, 0.05, 0.1])


@dataclass(frozen=True)
class Drawn:
    """A command that steps between rows, and the rows it is seen in.

    Attributes:
        rows_s: Times of the rows.
        switches_s: When the command steps, one step or none between two rows.
        commands: What it is from each switch on; the first from ever.
    """

    rows_s: list[float]
    switches_s: list[float]
    commands: list[float]

    def at(self, time_s: float) -> float:
        """Return the command at a time."""
        return self.commands[bisect_right(self.switches_s, time_s)]


@st.composite
def drawn(draw: st.DrawFn) -> Drawn:
    """Draw rows at 10 to 100 Hz, evenly or not, and a step anywhere between some of them."""
    dt_s = draw(rates)
    jitter = draw(st.sampled_from([0.0, 0.4]))
    rows = draw(
        st.lists(st.tuples(levels, st.floats(0.01, 0.99), st.floats(-1.0, 1.0)), min_size=8)
    )
    hold = draw(st.integers(1, 8))
    rows_s, switches_s, commands = [0.0], [], [0.0]
    for i, (level, part, off) in enumerate(rows):
        step_s = dt_s * (1.0 + jitter * off)
        if i % hold == 0:
            switches_s.append(rows_s[-1] + part * step_s)
            commands.append(level)
        rows_s.append(rows_s[-1] + step_s)
    return Drawn(rows_s, switches_s, commands)


def moved(k: Constants, command: Drawn) -> Iterator[tuple[float, State]]:
    """Move a bank through a command; yield each row's time and the state after it."""
    s = fresh_state(k)
    before_s = 0.0
    for at_s in command.rows_s:
        s.clock_s = at_s
        s.commanded_ml_min = command.at(at_s)
        move_bank(k, s, at_s - before_s)
        before_s = at_s
        yield at_s, s


def reading(command: Drawn, delay_s: float, lag_s: float, at_s: float) -> float:
    """Return what a noiseless sensor with this delay and lag reads: exact, from step to step."""
    value, now_s = 0.0, 0.0
    for switch_s, level in zip(command.switches_s, command.commands, strict=False):
        then_s = min(switch_s + delay_s, at_s)
        value = level + (value - level) * (exp((now_s - then_s) / lag_s) if lag_s else 0.0)
        now_s = then_s
    level = command.at(at_s - delay_s)
    return level + (value - level) * (exp((now_s - at_s) / lag_s) if lag_s else 0.0)


def slack_ml_min(k: Constants, command: Drawn) -> float:
    """Return what the rational form of the exponential may be off at the longest step, mL/min."""
    longest_s = max(b - a for a, b in pairwise(command.rows_s))
    ratios = np.linspace(0.0, longest_s / k.car_lag_s[0], 50)
    off = max(kept_share(z, 1.0) - exp(-z) for z in ratios.tolist())
    return 2.0 * off * max(command.commands) + 1e-9


SENSORS: tuple[dict[str, float], ...] = (
    {},
    {"delay_s": 0.04, "delay_within_s": 0.02, "lag_s": 0.04, "lag_within_s": 0.01},
    {"delay_s": 0.2, "delay_within_s": 0.15, "lag_s": 0.3, "lag_within_s": 0.25},
    {"delay_within_s": 0.0, "lag_within_s": 0.0},
    {"refresh_s": 0.2},
    {"refresh_s": 0.05, "delay_s": 0.02, "delay_within_s": 0.02},
    {"lag_s": 0.002, "lag_within_s": 0.0},
)
sensors = st.sampled_from(range(len(SENSORS)))


def facts(sensor: int) -> Rig:
    """Return a rig with one of the sensors above."""
    return rig(flow_sensor=SENSORS[sensor])


@settings(max_examples=200)
@given(command=drawn(), sensor=sensors, car=st.integers(0, 19), phase=st.floats(0.0, 1.0))
def test_no_honest_car_is_ever_expected_to_read_more_than_it_does(
    command: Drawn, sensor: int, car: int, phase: float
) -> None:
    """Of the car whose delay and lag are true, whatever the command did between two rows.

    Where the sensor holds its readings: nor more than any that it may hold.
    """
    k = constants_of(facts(sensor))
    car %= k.n_cars
    delay_s, lag_s = k.car_delay_s[car // k.n_lags], k.car_lag_s[car % k.n_lags]
    slack = slack_ml_min(k, command)
    for at_s, s in moved(k, command):
        true = reading(command, delay_s, lag_s, at_s - phase * k.refresh_s)
        assert s.car_ml_min[car] <= true + slack


@settings(max_examples=100)
@given(command=drawn(), sensor=sensors, car=st.integers(0, 19), phase=st.floats(0.0, 1.0))
def test_no_honest_car_ever_reads_more_than_the_most(
    command: Drawn, sensor: int, car: int, phase: float
) -> None:
    """The other bound: what flows beyond it was not asked for."""
    k = constants_of(facts(sensor))
    car %= k.n_cars
    delay_s, lag_s = k.car_delay_s[car // k.n_lags], k.car_lag_s[car % k.n_lags]
    slack = slack_ml_min(k, command)
    for at_s, s in moved(k, command):
        true = reading(command, delay_s, lag_s, at_s - phase * k.refresh_s)
        assert true * k.highest_gain <= s.most_ml_min + slack


@settings(max_examples=200)
@given(
    command=drawn(),
    sensor=sensors,
    gain=st.floats(0.92, 1.08),
    doubt=st.floats(0.0, 0.08),
)
def test_all_cars_lie_between_the_bounds(
    command: Drawn, sensor: int, gain: float, doubt: float
) -> None:
    """The upper bound is above every car, the lower above none, each by the gain learned."""
    k = constants_of(facts(sensor))
    for _, s in moved(k, command):
        s.gain, s.doubt = gain, doubt
        cars = s.car_ml_min[: k.n_cars]
        assert max(cars) <= s.bank_most_ml_min * (1.0 + 1e-12)
    lowest = max(gain * (1.0 - doubt), k.lowest_gain)
    highest = min(gain * (1.0 + doubt), k.highest_gain)
    move_bank(k, s, 0.0)
    assert s.least_ml_min == pytest.approx(lowest * min(s.car_ml_min[: k.n_cars]))
    assert s.most_ml_min == pytest.approx(highest * s.bank_most_ml_min + k.floor_ml_min)
    assert s.least_ml_min <= s.most_ml_min


def test_a_steady_command_is_read_alike_by_every_car() -> None:
    """Once all delays and lags are over every car reads what is commanded, and so do the bounds."""
    k = constants_of(rig())
    *_, (_, s) = moved(k, Drawn([0.01 * i for i in range(400)], [0.0], [0.0, 500.0]))
    assert k.n_cars == 20
    assert s.car_ml_min[: k.n_cars] == pytest.approx([500.0] * 20, rel=1e-6)
    assert s.bank_most_ml_min == pytest.approx(500.0)


def test_each_car_follows_a_step_by_its_own_delay_and_lag() -> None:
    """500 (1 - exp(-(t - delay) / lag)), at 1000 Hz, to what three rows may hide: 3 ms of it.

    The first 0.1 mL of a flow shows nothing: 12 ms of it.
    """
    k = constants_of(rig())
    starts_s = k.starts_after_ml / 500.0 * 60.0
    assert starts_s == pytest.approx(0.012)
    command = Drawn([0.001 * i for i in range(500)], [0.1], [0.0, 500.0])
    for at_s, s in moved(k, command):
        for q in range(k.n_cars):
            delay_s, lag_s = k.car_delay_s[q // k.n_lags], k.car_lag_s[q % k.n_lags]
            latest, soonest = (
                reading(command, delay_s + starts_s + d, lag_s, at_s) for d in (0.0031, 0.0)
            )
            assert latest - 1e-3 <= s.car_ml_min[q] <= soonest + 1e-3


def test_commands_closer_than_the_ring_can_hold_are_kept_by_their_extremes() -> None:
    """Rows at 10 kHz share places, whose lowest and highest command count; time is never lost."""
    k = constants_of(rig())
    s = fresh_state(k)
    for i in range(20_000):
        s.clock_s = 1e-4 * i
        s.commanded_ml_min = 100.0 if i % 50 == 7 else 500.0
        move_bank(k, s, 1e-4 if i else 0.0)
    reach_s = s.clock_s - min(s.ring_time_s)
    assert reach_s > k.car_delay_s[k.n_delays - 1] + k.ring_spacing_s
    assert len(s.ring_time_s) == RING_SIZE
    # A dip to 100 lies within every 5 ms, and what is asked is the lowest around a row.
    assert s.least_ml_min < 400.0 < s.bank_most_ml_min


def test_where_the_highest_is_nil_every_car_is() -> None:
    """A run-down below a thousandth of full flow is nil, exactly, for all cars at once."""
    k = constants_of(rig())
    command = Drawn([0.01 * i for i in range(600)], [0.0, 1.0], [0.0, 500.0, 0.0])
    nil = [at_s for at_s, s in moved(k, command) if s.bank_most_ml_min == 0.0 and at_s > 1.0]
    *_, (_, s) = moved(k, command)
    assert set(s.car_ml_min) == {0.0} == {s.least_ml_min}
    assert s.most_ml_min == k.floor_ml_min
    assert 1.0 < nil[0] < 1.0 + 0.12 + 8.0 * k.run_down_lag_s
    assert k.nil_ml_min == pytest.approx(0.001 * k.full_ml_min)


STANDS = (
    *(
        "bank_most_ml_min",
        "least_ml_min",
        "evidence",
        "surplus",
        "surplus_residual",
        "flow_evidence",
    ),
    *("entry_s", "entry_delivered_ml_min", "debt_ml", "debt_s", "short_s", "excess_ml"),
    *("gain", "doubt", "noise_sq", "noise_lasts_s", "covariance", "mean_residual"),
    *("entry_usual_s", "learned_s", "holds_s", "held_s", "held_rows", "sound_s", "floor_sq"),
    *("kept", "car_ml_min", "entry_ml_min", "residual"),
    *("account", "car_debt_ml", "car_short_s"),
)


@settings(max_examples=40)
@given(
    sensor=sensors,
    share=st.sampled_from([0.0, 0.5, 1.0, 1.3]),
    dts_s=st.lists(st.sampled_from([0.0, 0.003, 0.01, 0.1, 0.4, 3.0, 8.0]), min_size=5),
    spray_s=st.floats(0.1, 3.0),
)
def test_the_bank_stands_still_where_nothing_is_due_and_nothing_flows(
    sensor: int, share: float, dts_s: list[float], spray_s: float
) -> None:
    """To the last bit, whatever it knows from before: a street log costs next to nothing."""
    drive = Drive(facts(sensor))
    drive.run(spray_s, share=share)
    drive.run(6.0, boost_kpa=-20.0, commanded_ml_min=0.0)
    before = State.of_flat(drive.guard.state())
    assert before.bank_most_ml_min == 0.0
    known = {name: repr(getattr(before, name)) for name in STANDS}
    for dt_s in dts_s:
        drive.time_s += dt_s
        drive.guard.step(
            Sample(drive.time_s, boost_kpa=-20.0, commanded_ml_min=0.0, delivered_ml_min=0.0)
        )
    after = State.of_flat(drive.guard.state())
    assert {name: repr(getattr(after, name)) for name in STANDS} == known
    assert len(before.account) >= N_SIZES


@settings(max_examples=60)
@example(0, [(0.0, 0.1, 1.0), (0.0, 0.0002, 0.12), (500.0, 0.0002, 0.12)], 0.0, 0)
@example(6, [(500.0, 0.01, 1.0), (0.0, 0.1, 1.0), (500.0, 0.01, 1.0)], 0.0, 0)
@given(
    sensor=sensors,
    parts=st.lists(
        st.tuples(
            st.sampled_from([0.0, 0.0, 2.0, 500.0]),
            st.sampled_from([0.0002, 0.003, 0.01, 0.1, 0.7]),
            st.sampled_from([0.02, 0.2, 1.0, 3.0, 40.0]),
        ),
        min_size=3,
        max_size=8,
    ),
    jitter=st.sampled_from([0.0, 0.4]),
    seed=st.integers(0, 1000),
)
def test_a_bank_that_stood_idle_goes_on_as_if_it_had_moved(
    sensor: int, parts: list[tuple[float, float, float]], jitter: float, seed: int
) -> None:
    """Every decision is that of a guard that never rests, to the bit; a part is 600 rows at most.

    All but the expected flow, which is nil exactly once it is less than any flow's last bit.
    """
    random = np.random.default_rng(seed)
    rows = []
    time_s = 0.0
    for commanded_ml_min, dt_s, for_s in parts:
        for _ in range(min(600, 1 + round(for_s / dt_s))):
            time_s += dt_s * (1.0 + jitter * random.uniform(-1.0, 1.0))
            delivered_ml_min = max(0.0, 0.9 * commanded_ml_min + 5.0 * random.normal())
            rows.append(
                Sample(
                    time_s,
                    boost_kpa=150.0 * random.random(),
                    commanded_ml_min=commanded_ml_min,
                    delivered_ml_min=delivered_ml_min,
                )
            )
    resting, restless = Guard(facts(sensor)), Guard(facts(sensor))
    restless.constants.under_way_s = INFINITE
    found, expected = (guard.run_rows(np.array(rows)) for guard in (resting, restless))
    column = Decision.names().index("expected_ml_min")
    assert found[:, column] == pytest.approx(expected[:, column], rel=0.0, abs=NOTHING_ML_MIN)
    found[:, column] = expected[:, column]
    assert np.array_equal(found, expected, equal_nan=True)


def test_a_bank_is_idle_once_no_command_is_under_way() -> None:
    """Seconds after the last spray, whatever the sensor's noise; any command ends it."""
    drive = Drive(rig())
    idle_s = [0.0]
    for commanded_ml_min in (0.0, 500.0, 0.0, 2.0):
        drive.run(8.0, boost_kpa=20.0, commanded_ml_min=commanded_ml_min, delivered_ml_min=3.0)
        idle_s.append(State.of_flat(drive.guard.state()).idle_s)
    at_rest = drive.guard.constants.under_way_s
    assert [at_s > at_rest for at_s in idle_s] == [False, True, False, True, False]


def test_where_no_command_is_known_yet_nothing_is_due() -> None:
    """A fresh guard expects nothing, and its first row already bounds what may flow."""
    guard = Guard(rig())
    first = guard.step(Sample(0.0, boost_kpa=0.0, commanded_ml_min=0.0, delivered_ml_min=0.0))
    assert (first.least_ml_min, first.most_ml_min) == (0.0, guard.constants.floor_ml_min)


@pytest.mark.parametrize("hz", [10, 100, 1000])
@pytest.mark.parametrize("commanded_ml_min", [2.0, 20.0, 21.0, 40.0])
def test_a_small_command_is_expected_at_any_rate_of_rows(commanded_ml_min: float, hz: int) -> None:
    """However little the readings rise from one row to the next; but one not told from none isn't.

    Too much of it may flow all the same.
    """
    k = constants_of(rig())
    assert k.nil_ml_min < commanded_ml_min
    assert k.floor_ml_min == 20.0
    due = commanded_ml_min if commanded_ml_min > k.floor_ml_min else 0.0
    command = Drawn([i / hz for i in range(3 * hz)], [0.0], [0.0, commanded_ml_min])
    *_, (_, s) = moved(k, command)
    assert s.bank_most_ml_min == pytest.approx(commanded_ml_min, rel=1e-4)
    assert s.car_ml_min[: k.n_cars] == pytest.approx([due] * k.n_cars, rel=1e-3)


@pytest.mark.parametrize("hz", [50, 100, 1000])
def test_a_jab_too_short_for_a_meter_is_expected_of_no_car(hz: int) -> None:
    """A turbine shows a flow with its second pulse: 0.09 mL at 22 a millilitre, after a rest.

    Each jab begins anew; what goes on flowing is expected from then on, and after a dip too small
    to be told from none it begins anew as well.
    """
    k = constants_of(rig())
    jab_s = 0.9 * k.starts_after_ml / 60.0 * 60.0  # at 60 mL/min
    times_s = [i / hz for i in range(2 * hz)]
    jabs = Drawn(times_s, [0.2, 0.2 + jab_s, 0.6, 0.6 + jab_s], [0.0, 60.0, 0.0, 60.0, 0.0])
    assert all(set(s.car_ml_min[: k.n_cars]) == {0.0} for _, s in moved(k, jabs))
    spray = Drawn(times_s, [0.2, 1.4, 1.45], [0.0, 60.0, 18.0, 60.0])
    least = {round(at_s, 3): s.least_ml_min for at_s, s in moved(k, spray)}
    assert least[1.4] > 40.0
    began_s = min(at_s for at_s, due in least.items() if due > 0.0)
    assert began_s >= 0.2 + k.car_delay_s[0] + 0.1 - 2.0 / hz
    assert min(due for at_s, due in least.items() if at_s > 1.4) < 30.0


def test_near_a_switch_the_spray_controller_may_read_the_other_side_of_it() -> None:
    """Boost that crosses the onset slowly: what the controller doesn't ask for yet isn't missing.

    A spray that doesn't come farther above is, and one that comes a little below isn't too much.
    """
    drive = Drive(rig(command={"kind": CommandKind.FIXED, "start_boost_kpa": 60.0}))
    drive.run(1.0, boost_kpa=20.0, delivered_ml_min=0.0)
    full_ml_min = drive.guard.constants.full_ml_min
    slowly = drive.run(1.0, boost_kpa=61.0, delivered_ml_min=0.0)
    assert max(d.action for d in slowly) == 0.0
    assert max(d.evidence for d in slowly) == 0.0
    assert drive.last.commanded_ml_min > 0.9 * full_ml_min
    beyond = drive.run(0.6, boost_kpa=63.0, delivered_ml_min=0.0)
    assert beyond[-1].action >= 2.0
    early = Drive(drive.guard.rig)
    early.run(1.0, boost_kpa=59.0, delivered_ml_min=full_ml_min)
    assert early.last.surplus == 0.0
    early.run(1.0, boost_kpa=57.0, delivered_ml_min=full_ml_min)
    assert early.last.surplus > 0.0
