"""The plant's sensors and the wire behind them: lags, pulses, strokes, steps, every fault."""

from dataclasses import replace
from itertools import pairwise
from math import exp, inf, isnan, pi, sin, sqrt
from typing import Any, Final

import numpy as np
import pytest

from rules import channels as ch
from rules.channels import CHANNEL_NAMES, CLOCK_PACE, LINE, NOT_SENT, ROW_WIDTH, Sample
from simulator.plant import Car, Fault, FaultKind
from simulator.plant import sensors as se
from simulator.plant.faults import FaultNow
from simulator.plant.noise import Draw, generator
from simulator.plant.sizing import size
from simulator.plant.state import Rates, State
from simulator.plant.wire import MOST_ROWS, send, tick
from tests.kit.plants import ONSET_S, RIG, SHIFTS, STOP, scenario

DT_S: Final = 0.001
FLOW: Final = CHANNEL_NAMES.index("delivered_ml_min")
INTAKE: Final = CHANNEL_NAMES.index("intake_c")
BOOST: Final = CHANNEL_NAMES.index("boost_kpa")


def fault(kind: FaultKind, amount: float = 1.0, channel: int = FLOW) -> FaultNow:
    """Return one active fault, begun at 0 s, as the kernel holds it."""
    return FaultNow(kind=int(kind), channel=channel, now=amount, onset_s=0.0)


class Sensors:
    """The sensors of a car that passes 300 mL/min, without noise unless draws are given."""

    def __init__(self, *faults: FaultNow, rate_hz: float = 100.0) -> None:
        self.k = size(RIG, scenario(), 1)
        self.k.sample_s = 1.0 / rate_hz
        self.k.flow_gain = 1.0
        self.k.fault_count = len(faults)
        self.s = State()
        self.s.flow_reading_ml_min = 300.0
        self.s.sensed_intake_c = 42.0
        self.s.sensed_boost_kpa = 150.0
        self.faults = faults
        self.draw = Draw()

    def read(self, time_s: float, channel: int = FLOW) -> float:
        """Return what a channel reads."""
        row = [0.0] * ROW_WIDTH
        se.read(self.k, self.s, self.faults, self.draw, time_s, row)
        return row[1 + channel]

    def sent(self, number: int, draws: Any = None) -> list[list[float]]:
        """Send row ``number``, all of whose channels hold that number; return rows that come."""
        row = [float(number)] * ROW_WIDTH
        row[ch.TIME] = number * self.k.sample_s
        row[ch.OPERATOR] = ch.OPERATOR_NOTHING
        out = [0.0] * (MOST_ROWS * ROW_WIDTH)
        draw = self.draw if draws is None else Draw(*draws.tolist())
        n = send(self.k, self.s, self.faults, draw, row, out)
        return [out[i * ROW_WIDTH : (i + 1) * ROW_WIDTH] for i in range(n)]


def through(kind: FaultKind, amount: float, count: int = 2000) -> list[list[list[float]]]:
    """Send rows over a faulty line; return what comes out after each."""
    line = Sensors(fault(kind, amount))
    draws = np.random.default_rng(5).random((count, len(Draw.names())))
    return [line.sent(i, draws[i]) for i in range(count)]


def flat(batches: list[list[list[float]]]) -> list[list[float]]:
    """Return the rows of all batches in order."""
    return [row for batch in batches for row in batch]


def test_a_gauge_reads_its_gain_times_the_pressure() -> None:
    """Of a line at 500 kPa whose pump stands still."""
    sensors = Sensors()
    sensors.k.line_gain = 1.1
    sensors.s.sensed_line_kpa = 500.0
    assert sensors.read(1.0, LINE - 1) == 550.0


@pytest.mark.parametrize(
    ("sensed", "lag_s", "true"),
    [
        ("sensed_boost_kpa", se.BOOST_FILTER_S, "boost_kpa"),
        ("sensed_intake_c", se.THERMISTOR_S, "charge_c"),
        ("sensed_dry_c", se.THERMISTOR_S, "dry_c"),
        ("sensed_line_kpa", se.LINE_FILTER_S, "line_kpa"),
    ],
)
def test_a_step_is_followed_as_a_first_order_sensor_does(
    sensed: str, lag_s: float, true: str
) -> None:
    """63.21 % after one time constant, 86.47, 95.02, 99.33 % after 2, 3, 5 (definition).

    Explicit steps of 1 ms are ahead by at most half a step over the lag, times 1/e; half that
    with half the step.
    """
    for dt_s in (DT_S, 0.5 * DT_S):
        sensors = Sensors()
        d = Rates()
        setattr(sensors.s, true, 1.0)
        setattr(sensors.s, sensed, 0.0)
        for step in range(1, round(5.0 * lag_s / dt_s) + 1):
            se.sensor_rates(sensors.k, sensors.s, d)
            value = getattr(sensors.s, sensed) + dt_s * getattr(d, sensed)
            setattr(sensors.s, sensed, value)
            for lags, share in ((1, 0.6321206), (2, 0.8646647), (3, 0.9502129), (5, 0.9932621)):
                if step == round(lags * lag_s / dt_s):
                    assert value == pytest.approx(share, abs=0.2 * dt_s / lag_s + 1e-7)


def test_thermistor_and_pressure_filter_follow_the_truth_through_the_kernel() -> None:
    """Over a pull with shifts each sensed value is the true one through its exact filter.

    Exact filter: keep exp(-dt / lag) a sample (definition). Tolerances are what explicit steps of
    1 ms cost: rate of change times half a step (boost 1 %, temperature 0.05 K).
    """
    car = Car(RIG, replace(scenario(drive=SHIFTS), rate_hz=1000.0), 2, compiled=True)
    pairs = (
        ("sensed_boost_kpa", "boost_kpa", se.BOOST_FILTER_S, 1.7),
        ("sensed_intake_c", "charge_c", se.THERMISTOR_S, 0.05),
        ("sensed_dry_c", "dry_c", se.THERMISTOR_S, 0.05),
    )
    own = [float(getattr(car.state, sensed)) for sensed, *_ in pairs]
    worst = [0.0] * len(pairs)
    span = [0.0] * len(pairs)
    while not car.finished:
        car.step(0.0, inf)
        for i, (sensed, true, lag_s, _) in enumerate(pairs):
            keep = exp(-DT_S / lag_s)
            is_so, says = (float(getattr(car.state, name)) for name in (true, sensed))
            own[i] = keep * own[i] + (1.0 - keep) * is_so
            worst[i] = max(worst[i], abs(own[i] - says))
            span[i] = max(span[i], abs(is_so - says))
    for i, (*_, tolerance) in enumerate(pairs):
        assert worst[i] < tolerance
        assert span[i] > 5.0 * tolerance  # the sensor really lags by more


def rows_of(seed: int, share: float, *faults: Fault, rate_hz: float = 1000.0) -> tuple[Any, Any]:
    """Return the rows of a pull with a pump of such ripple, and by row speed and line pressure."""
    pump = replace(RIG.spray.pump, ripple_share=share)
    rig = replace(RIG, spray=replace(RIG.spray, pump=pump))
    car = Car(rig, replace(scenario(*faults, rig=rig), rate_hz=rate_hz), seed, compiled=True)
    rows = []
    states = []
    while not car.finished:
        rows += car.step(0.0, inf)
        states.append((float(car.state.pump), float(car.state.line_kpa)))
    return np.array(rows), np.array(states)


def strokes_hz(seed: int) -> float:
    """Return the strokes of a seed's pump at nominal speed."""
    return size(RIG, scenario(), seed).stroke_hz


def loudest(rippling: Any, rate_hz: float) -> tuple[float, float]:
    """Return frequency and amplitude of the strongest sine in readings (Hann window: half)."""
    n = len(rippling)
    spectrum = np.abs(np.fft.rfft((rippling - rippling.mean()) * np.hanning(n), 8 * n))
    at = int(spectrum.argmax())
    return at * rate_hz / (8 * n), float(spectrum[at]) * 4.0 / n


@pytest.mark.parametrize("rate_hz", [1000.0, 100.0])
@pytest.mark.parametrize(("seed", "share"), [(2, 0.12), (3, 0.05), (7, 0.12)])
def test_the_line_reading_ripples_as_a_pump_does_behind_a_first_order_filter(
    seed: int, share: float, rate_hz: float
) -> None:
    """At full boost: share, speed and pressure over ``sqrt(1 + (2 pi f lag)^2)`` (definition).

    At 100 rows a second what is faster than 50 Hz is seen folded (Nyquist and Shannon).
    """
    rows, states = rows_of(seed, share, rate_hz=rate_hz)
    calm, _ = rows_of(seed, 0.0, rate_hz=rate_hz)
    full = (rows[:, 0] > 5.0) & (rows[:, 0] <= 9.0)
    speed, line_kpa = states[full].mean(axis=0)
    assert np.ptp(states[full][:, 0]) < 1e-3
    frequency_hz = strokes_hz(seed) * speed
    lags = 2.0 * pi * frequency_hz * se.LINE_FILTER_S
    seen_hz, kpa = loudest(rows[full, LINE] - calm[full, LINE], rate_hz)
    assert seen_hz == pytest.approx(
        abs(frequency_hz - rate_hz * round(frequency_hz / rate_hz)), abs=0.05
    )
    assert kpa == pytest.approx(share * speed * line_kpa / sqrt(1.0 + lags * lags), rel=0.01)


def test_pumps_differ_in_strokes_and_in_nothing_drawn_before() -> None:
    """43 to 97 Hz over the seeds; delay, lag, gain and noise are the draws they were."""
    hz = [strokes_hz(seed) for seed in range(200)]
    assert 43.0 <= min(hz) < 45.0
    assert 95.0 < max(hz) <= 97.0
    for seed in range(5):
        drawn = generator(seed, 0).uniform(-1.0, 1.0, 6)
        k = size(RIG, scenario(), seed)
        assert k.flow_gain == pytest.approx(1.0 + 0.04 * drawn[2])
        assert k.flow_noise == pytest.approx(0.035 + 0.005 * drawn[4])


def test_ripple_slows_with_the_pump_and_is_nil_at_rest() -> None:
    """Strokes come as the speed says, each longer than the one before once the pump is stopped."""
    rows, states = rows_of(1, 0.5, STOP)
    calm, _ = rows_of(1, 0.0, STOP)
    ripple = rows[:, LINE] - calm[:, LINE]
    at_rest = states[:, 0] < 1e-9
    assert at_rest.sum() > 1000  # before the pull, and at the end
    assert np.abs(ripple[at_rest]).max() == 0.0
    since = round(ONSET_S / DT_S)
    ups = [i for i in range(since, since + 120) if ripple[i - 1] < 0.0 <= ripple[i]]
    lasts = [b - a for a, b in pairwise(ups)]
    assert len(lasts) >= 2
    assert all(b > a for a, b in pairwise(lasts))
    for a, b in pairwise(ups):
        assert strokes_hz(1) * states[a:b, 0].sum() * DT_S == pytest.approx(1.0, abs=0.1)


def test_ripple_is_what_a_filter_makes_of_each_stroke() -> None:
    """Beside the strokes through the filter, step by step at 0.05 ms: at full speed the same.

    As the pump stops the settled ripple is within 2 kPa of it; as it starts, within 6, where the
    sensor's own noise is 4.
    """
    finer = 20
    car = Car(RIG, replace(scenario(STOP), rate_hz=1000.0), 2, compiled=True)
    states = []
    while not car.finished:
        car.step(0.0, inf)
        s = car.state
        states.append((s.stroke, s.pump, s.line_kpa, se.ripple_kpa(car.constants, s)))
    stroke, speed, line_kpa, settled = np.array(states, dtype=np.float64).T
    at = np.arange(0.0, len(stroke) - 1.0, 1.0 / finer)
    number = np.arange(len(stroke))
    turns = np.interp(at, number, np.unwrap(stroke, period=1.0))
    swing = RIG.spray.pump.ripple_share * np.interp(at, number, speed * line_kpa)
    keep = exp(-DT_S / finer / se.LINE_FILTER_S)
    behind = [0.0]
    for value in (swing * np.sin(2.0 * pi * turns)).tolist():
        behind.append(keep * behind[-1] + (1.0 - keep) * value)
    apart = np.abs(np.array(behind[1::finer]) - settled[: len(behind[1::finer])])
    assert apart[4000:4990].max() < 0.5
    assert apart[5000:].max() < 2.0
    assert apart.max() < 6.0


def test_ripple_is_in_the_line_reading_alone_and_the_same_each_time() -> None:
    """Same seed, same bytes, interpreted or compiled; without it, all else is the same."""
    what = scenario(STOP)
    cars = [Car(RIG, what, 4, compiled=compiled) for compiled in (True, True, False)]
    same = [np.array([row for _ in range(600) for row in car.step(0.0, inf)]) for car in cars]
    assert same[0].tobytes() == same[1].tobytes() == same[2].tobytes()
    with_some, _ = rows_of(4, 0.12, STOP, rate_hz=100.0)
    with_none, _ = rows_of(4, 0.0, STOP, rate_hz=100.0)
    assert np.array_equal(with_some[:600], same[0], equal_nan=True)
    assert np.ptp(with_some[:, LINE] - with_none[:, LINE]) > 20.0
    with_some[:, LINE] = with_none[:, LINE] = 0.0
    assert with_some.tobytes() == with_none.tobytes()


def test_coloured_noise_has_unit_size_and_its_correlation() -> None:
    """Unit variance, and exp(-1) of it is left after one correlation time (autoregression)."""
    normals = np.random.default_rng(1).standard_normal(200_000).tolist()
    values = [0.0]
    for normal in normals:
        values.append(se.coloured(values[-1], normal, 0.05, 0.01))
    noise = np.array(values[1000:])
    assert float(noise.std()) == pytest.approx(1.0, abs=0.02)
    assert float(np.corrcoef(noise[:-5], noise[5:])[0, 1]) == pytest.approx(exp(-1.0), abs=0.02)


def metered(flow_ml_min: float, for_s: float, dt_s: float = DT_S) -> tuple[list[float], int]:
    """Return a meter's readings at a steady flow, and how many pulses came."""
    s = State()
    readings = []
    pulses = 0
    for i in range(round(for_s / dt_s)):
        last = s.last_pulse_s
        se.meter(s, flow_ml_min, (i + 1) * dt_s, dt_s)
        pulses += s.last_pulse_s != last
        readings.append(s.pulse_ml_min)
    return readings, pulses


@pytest.mark.parametrize("lasts_s", [0.002, 0.05, 0.2])
def test_a_flow_sensors_noise_lasts_as_its_rig_says(lasts_s: float) -> None:
    """Of two readings in a row, what both have in common falls to 1/e in that time."""
    sensors = Sensors()
    rig = replace(RIG, flow_sensor=replace(RIG.flow_sensor, noise_lasts_s=lasts_s))
    sensors.k.flow_noise_lasts_s = size(rig, scenario(), 1).flow_noise_lasts_s
    rng = np.random.default_rng(8)
    read = []
    for i in range(20_000):
        sensors.draw = Draw(flow=float(rng.normal()))
        read.append(sensors.read(0.01 * i))
    off = np.array(read) - np.mean(read)
    common = float(np.mean(off[1:] * off[:-1]) / np.mean(off**2))
    assert common == pytest.approx(exp(-0.01 / lasts_s), abs=0.03)


@pytest.mark.parametrize("flow_ml_min", [100.0, 300.0, 500.0])
def test_timed_pulses_resolve_what_a_gate_counter_cannot(flow_ml_min: float) -> None:
    """At 22 pulses a mL a gate of 0.1 s counts in steps of 27 mL/min; timing sees 0.01 % of flow.

    One count is 60000 / (pulses per litre * gate) mL/min (turbine meter practice, exact).
    """
    per_litre = 1e3 * se.PULSES_PER_ML
    one_count = 60000.0 / (per_litre * 0.1)
    assert one_count == pytest.approx(27.27, abs=0.01)
    more = 1.0001 * flow_ml_min
    readings = [metered(flow, 1.0)[0] for flow in (flow_ml_min, more)]
    for got, flow in zip(readings, (flow_ml_min, more), strict=True):
        assert got[200:] == pytest.approx([flow] * len(got[200:]), rel=1e-9)
    counts = [int(flow / 60e3 * per_litre * 0.1) for flow in (flow_ml_min, more)]
    assert counts[0] == counts[1]


def test_pulses_a_second_are_flow_times_the_k_factor() -> None:
    """Q = f / K: 300 mL/min is 110 pulses a second at 22 pulses a mL, whatever the step."""
    for dt_s in (DT_S, 0.25 * DT_S):
        _, pulses = metered(300.0, 10.0, dt_s)
        assert pulses / 10.0 == pytest.approx(110.0, abs=0.2)


def test_a_wheel_that_stops_reads_less_and_less_and_then_nil() -> None:
    """With no pulse for a while flow is at most one pulse's volume over that while."""
    s = State()
    for i in range(1000):
        se.meter(s, 300.0, (i + 1) * DT_S, DT_S)
    readings = []
    for i in range(1000, 2600):
        se.meter(s, 0.0, (i + 1) * DT_S, DT_S)
        readings.append(s.pulse_ml_min)
    assert readings[500] == pytest.approx(60.0 / se.PULSES_PER_ML / 0.505, rel=0.02)
    assert all(b <= a for a, b in pairwise(readings))
    assert readings[-1] == 0.0
    assert max(metered(1.9, 3.0)[0]) == 0.0  # too slow to turn the wheel


@pytest.fixture(scope="module")
def healthy() -> list[Sample]:
    """Return the rows of a healthy pull."""
    car = Car(RIG, scenario(drive=SHIFTS), 2, compiled=True)
    return [row for _ in range(car.samples) for row in car.step(0.0, inf)]


def test_readings_come_in_steps(healthy: list[Sample]) -> None:
    """Each reading is a whole number of its channel's steps."""
    for sample in healthy[::7]:
        for value, per_unit in zip(sample[1:CLOCK_PACE], se.PER_UNIT, strict=True):
            assert value * per_unit == pytest.approx(round(value * per_unit), abs=1e-6)
    assert len({sample.intake_c for sample in healthy}) > 50


def test_slow_channels_repeat_themselves(healthy: list[Sample]) -> None:
    """A channel read every so often stands still in between, and no longer than that."""
    for c, every_s in enumerate(se.EVERY_S):
        rows = round(every_s * 100.0)
        values = [sample[1 + c] for sample in healthy]
        changes = [i for i in range(1, len(values)) if values[i] != values[i - 1]]
        quiet = CHANNEL_NAMES[c] in ("knock", "tank_switch")
        quiet = quiet or CHANNEL_NAMES[c].startswith("confirmed_")
        assert len(changes) > 2 or quiet  # nothing knocks or runs out, nothing is asked for
        if rows > 0:
            assert len({i % rows for i in changes}) == 1
        else:
            assert 1 in {b - a for a, b in pairwise(changes)} or len(changes) < 3


@pytest.mark.parametrize(
    ("kind", "amount", "channel", "value"),
    [
        (FaultKind.SENSOR_SHORT, 1.0, FLOW, 0.0),
        (FaultKind.SENSOR_SHORT, 1.0, BOOST, -101.0),
        (FaultKind.SENSOR_OPEN, 1.0, FLOW, 0.0),
        (FaultKind.SENSOR_OPEN, 1.0, BOOST, 350.0),
        (FaultKind.SENSOR_OPEN, 1.0, INTAKE, -40.0),
        (FaultKind.SENSOR_OFFSET, 0.1, FLOW, 600.0),
        (FaultKind.SENSOR_OFFSET, -0.05, INTAKE, 32.0),
        (FaultKind.SENSOR_OFFSET, 1.0, FLOW, 3000.0),
        (FaultKind.SENSOR_GAIN, -0.3, FLOW, 210.0),
        (FaultKind.SENSOR_GAIN, 0.2, BOOST, 180.0),
        (FaultKind.SENSOR_DRIFT, 0.1, FLOW, 450.0),
        (FaultKind.SENSOR_DRIFT, -0.02, FLOW, 270.0),
    ],
)
def test_a_sensor_fault_gives_its_value(
    kind: FaultKind, amount: float, channel: int, value: float
) -> None:
    """Half a minute after onset: ends of the range, shares of the span (flow 3000, intake 200)."""
    sensors = Sensors(fault(kind, amount, channel))
    assert sensors.read(30.0, channel) == pytest.approx(value, abs=0.051)
    for other in {FLOW, BOOST, INTAKE} - {channel}:
        assert sensors.read(60.0, other) == Sensors().read(60.0, other)


def test_a_stuck_sensor_keeps_its_last_reading() -> None:
    """Whatever flows, the reading stays what it was."""
    sensors = Sensors(fault(FaultKind.SENSOR_STUCK, 0.0))
    assert sensors.read(0.0) == 300.0
    sensors.faults[0].now = 1.0
    for i, flow in enumerate((310.0, 20.0, 900.0)):
        sensors.s.flow_reading_ml_min = flow
        assert sensors.read(0.1 * (i + 1)) == 300.0


def spread(kind: FaultKind, amount: float, count: int = 4000) -> list[float]:
    """Return a faulty flow sensor's readings with fresh draws, 10 ms apart."""
    sensors = Sensors(fault(kind, amount))
    source = np.random.default_rng(3)
    readings = []
    for i in range(count):
        sensors.draw.sensor = float(source.standard_normal())
        sensors.draw.spike = float(source.random())
        readings.append(sensors.read(0.01 * i))
    return readings


def test_noise_spikes_swing_and_loose_joint() -> None:
    """Noise of its share of the span, spikes anywhere, a 3 Hz swing, gaps of a share of 0.4 s."""
    noisy = np.array(spread(FaultKind.SENSOR_NOISE, 0.02))
    assert float(noisy.std()) == pytest.approx(60.0, rel=0.05)
    assert float(noisy.mean()) == pytest.approx(300.0, abs=4.0)
    spiky = np.array(spread(FaultKind.SENSOR_SPIKES, 0.2))
    spikes = spiky[spiky != 300.0]
    assert len(spikes) / len(spiky) == pytest.approx(0.2, abs=0.02)
    assert float(spikes.min()) < 100.0
    assert float(spikes.max()) > 2900.0
    assert float(spikes.mean()) == pytest.approx(1500.0, abs=100.0)
    swing = spread(FaultKind.SENSOR_OSCILLATION, 0.05, 100)
    wanted = [300.0 + 150.0 * sin(6.0 * 3.14159265 * 0.01 * i) for i in range(100)]
    assert swing == pytest.approx(wanted, abs=0.6)
    loose = spread(FaultKind.SENSOR_INTERMITTENT, 0.25, 400)
    assert loose.count(0.0) == pytest.approx(100, abs=2)
    assert loose[:10] == [0.0] * 10
    assert set(loose) == {0.0, 300.0}


def test_lost_messages_are_gone_and_the_rest_untouched() -> None:
    """A share of rows is missing; the others are as they were, in order."""
    rows = flat(through(FaultKind.MESSAGES_LOST, 0.3))
    assert len(rows) / 2000 == pytest.approx(0.7, abs=0.03)
    assert rows == [flat([Sensors().sent(int(row[1]))])[0] for row in rows]
    assert [row[0] for row in rows] == sorted(row[0] for row in rows)


def test_late_messages_come_later_with_their_own_time_and_then_catch_up() -> None:
    """0.4 of half a second is 20 rows at 100 Hz; once the fault is gone two come for each sent."""
    line = Sensors(fault(FaultKind.MESSAGES_LATE, 0.4))
    batches = [line.sent(i) for i in range(100)]
    assert flat(batches[:20]) == []
    assert [batch[0][1] for batch in batches[20:]] == [float(i) for i in range(80)]
    line.faults[0].now = 0.0
    rest = [line.sent(i) for i in range(100, 140)]
    assert [row[1] for row in flat(rest)] == [float(i) for i in range(80, 140)]
    assert [len(batch) for batch in rest] == [2] * 20 + [1] * 20


def test_repeated_and_inserted_messages() -> None:
    """A share of rows comes twice, bit for bit; or the row before comes again, dated as new."""
    repeated = through(FaultKind.MESSAGES_REPEATED, 0.25)
    inserted = through(FaultKind.MESSAGES_INSERTED, 0.25)
    for batches in (repeated, inserted):
        assert sum(len(batch) == 2 for batch in batches) / 2000 == pytest.approx(0.25, abs=0.03)
        assert [batch[0][1] for batch in batches] == [float(i) for i in range(2000)]
    assert all(batch[0] == batch[-1] for batch in repeated)
    for new, old in (batch for batch in inserted[1:] if len(batch) == 2):
        assert old[1 + FLOW] == new[1 + FLOW] - 1.0
        assert 0.0 < old[0] - new[0] < 0.01


def test_disordered_messages_come_after_their_successors() -> None:
    """Every row comes once; a share of them comes one place late."""
    rows = flat(through(FaultKind.MESSAGES_DISORDERED, 0.2))
    numbers = [int(row[1]) for row in rows]
    assert sorted(numbers) == list(range(len(numbers)))
    late = [i for i in range(1, len(numbers)) if numbers[i] < numbers[i - 1]]
    assert len(late) / 2000 == pytest.approx(0.2 / 1.2, abs=0.03)  # one at a time
    assert all(numbers[i] == numbers[i - 1] - 1 for i in late)


@pytest.mark.parametrize(("amount", "step_s"), [(0.5, 5.0), (-1.0, -10.0)])
def test_a_clock_step_moves_times_and_nothing_else(amount: float, step_s: float) -> None:
    """Times are ten seconds times the magnitude off, either way."""
    line = Sensors(fault(FaultKind.CLOCK_STEP, amount))
    (row,) = line.sent(7)
    (healthy_row,) = Sensors().sent(7)
    assert row[0] - healthy_row[0] == pytest.approx(step_s)
    assert row[1:] == healthy_row[1:]


def test_a_second_sender_talks_in_between_of_a_parked_car() -> None:
    """After each row comes one at idle, without boost or flow, half a sample later."""
    batches = through(FaultKind.SECOND_SENDER, 1.0, 20)
    for own, stranger in batches:
        assert stranger[0] - own[0] == pytest.approx(0.005)
        assert 500.0 < stranger[ch.ENGINE_SPEED] < 1200.0
        assert stranger[ch.BOOST] < 0.0
        assert stranger[ch.DELIVERED] == 0.0


def test_wire_noise_spoils_one_value_of_a_share_of_rows() -> None:
    """About a third each of spikes, NaN and silence, on any channel."""
    rows = flat(through(FaultKind.WIRE_NOISE, 0.3, 4000))
    spoilt: list[tuple[int, float]] = []
    for i, row in enumerate(rows):
        bad = [(c, v) for c, v in enumerate(row[1:CLOCK_PACE]) if v != float(i)]
        assert len(bad) <= 1
        spoilt += bad
    assert len(spoilt) / 4000 == pytest.approx(0.3, abs=0.03)
    values = [value for _, value in spoilt]
    assert sum(isnan(v) for v in values) / len(values) == pytest.approx(1 / 3, abs=0.05)
    assert values.count(NOT_SENT) / len(values) == pytest.approx(1 / 3, abs=0.05)
    assert len({c for c, _ in spoilt}) == len(CHANNEL_NAMES)


def test_an_unplugged_line_is_silent_and_a_cut_log_ends() -> None:
    """Unplugged for a second: no row in it, then as before. A log that is cut is over there."""
    gone = Fault(FaultKind.UNPLUGGED, 2.0, for_s=1.0)
    car = Car(RIG, scenario(gone), 1, compiled=True)
    times = [row.time_s for _ in range(car.samples) for row in car.step(0.0, inf)]
    gap = [b - a for a, b in pairwise(times)]
    assert max(gap) == pytest.approx(1.01, abs=0.011)
    assert sum(g > 0.011 for g in gap) == 1
    car = Car(RIG, scenario(Fault(FaultKind.LOG_CUT, 2.0)), 1, compiled=True)
    while not car.finished:
        car.step(0.0, inf)
    assert car.count == pytest.approx(200, abs=1)


def test_silence_is_told_by_ticks() -> None:
    """With nothing on the wire a row without readings comes every 0.1 s, dated 0.15 s back."""
    s = State()
    out = [0.0] * (MOST_ROWS * ROW_WIDTH)
    assert tick(s, 1.0, out, 1) == 1
    told = [now for now in (1.0 + 0.01 * i for i in range(1, 100)) if tick(s, now, out, 0)]
    assert told[0] == pytest.approx(1.16, abs=0.011)
    assert out[0] == pytest.approx(told[-1] - 0.15)
    assert set(out[1 : ROW_WIDTH - 1]) == {NOT_SENT}
    assert len(told) > 3
