"""The plant: published numbers, conservation, plausibility, and faults that do what they say."""

import csv
import itertools
from collections.abc import Sequence
from dataclasses import replace
from math import inf, isnan, nan
from pathlib import Path

import pytest

from rules.channels import CHANNEL_NAMES, CHANNELS, NOT_SENT, ROW_NAMES, Sample
from rules.facts import (
    ChannelTerms,
    Command,
    CommandKind,
    DebtTerms,
    Engine,
    Injectors,
    Ladder,
    Limits,
    Nozzle,
    Paid,
    Pump,
    Rig,
    Spray,
)
from simulator import logfile
from simulator.plant import Car, Do, Fault, FaultKind, Scenario, Step, Truth, air, run
from simulator.plant.spray import DelayLag, command_share, operating_point

PEAK_KPA = 170.0
RIG = Rig(
    name="hand-made",
    engine=Engine(1.8, 4, 6800.0),
    injectors=Injectors(4, 800.0),
    spray=Spray(
        (Nozzle(300.0, 690.0),), Pump(1400.0, 1800.0, 1000.0), 926.0, 44.2, check_valve_kpa=20.0
    ),
    command=Command(CommandKind.BOOST, 60.0, 150.0),
    paid=Paid((60.0, 110.0, 150.0, PEAK_KPA), (0.0, 2.0, 4.5, 6.0), 80.0),
    debt=DebtTerms(),
    ladder=Ladder(),
    limits=Limits(),
    channels=tuple(ChannelTerms(c.name, c.low, c.high, c.max_age_s) for c in CHANNELS),
)
# Cruise, then a pull in a high gear without a shift; full boost from about 3.5 s to 9 s.
LONG_PULL = (Step(Do.CRUISE, 2.0, 4), Step(Do.PULL, 7.0, 4), Step(Do.LIFT, 1.0))
SHIFTS = (Step(Do.CRUISE, 1.0, 2), Step(Do.PULL, 6.0, 2), Step(Do.LIFT, 1.5))
ONSET_S = 5.0


def scenario(*faults: Fault, drive: tuple[Step, ...] = LONG_PULL, rig: Rig = RIG) -> Scenario:
    """Return a scenario of the hand-made rig."""
    return Scenario("test", "Nothing.", rig, drive, tuple(faults))


def drive_with_truth(
    what: Scenario,
    seed: int = 3,
    retard_deg: float = 0.0,
    ceiling_kpa: float = inf,
    at_s: float = 0.0,
) -> tuple[list[Sample], list[Truth]]:
    """Drive to the end, asking for retard and ceiling from a time on; return samples and truths."""
    car = Car(what.rig, what, seed)
    samples: list[Sample] = []
    truths: list[Truth] = []
    while not car.finished:
        acting = car.truth.time_s >= at_s
        samples.append(car.step(retard_deg if acting else 0.0, ceiling_kpa if acting else inf))
        truths.append(replace(car.truth))
    return samples, truths


def between(samples: Sequence[Sample], start_s: float, end_s: float) -> list[Sample]:
    """Return the samples of a span of time."""
    return [sample for sample in samples if start_s <= sample.time_s < end_s]


def mean(values: Sequence[float]) -> float:
    """Return the mean."""
    return sum(values) / len(values)


# ------------------------------------------------------------------ published numbers


@pytest.mark.parametrize(
    ("ratio", "efficiency", "outlet_k"),
    [
        (1.68, 1.0, 345.613),
        (1.68, 0.65, 371.251),
        (1.68, 0.7, 366.019),
        (1.68, 0.75, 361.484),
        (2.0, 0.7, 391.237),
        (2.0, 0.75, 385.021),
        (2.5, 0.7, 425.401),
        (2.5, 0.75, 416.907),
    ],
)
def test_compressor_outlet(ratio: float, efficiency: float, outlet_k: float) -> None:
    """Outlet temperature follows the isentropic-efficiency relation, gamma 1.4, from 298 K."""
    assert air.compressor_outlet_k(298.0, ratio, efficiency) == pytest.approx(outlet_k, abs=1e-3)


def test_intercooler_outlet() -> None:
    """An effectiveness of 0.7 takes 366.203 K down to 318.566 K (definition of effectiveness)."""
    hot_k = air.compressor_outlet_k(298.15, 1.68, 0.7)
    assert hot_k == pytest.approx(366.203, abs=1e-3)
    assert air.intercooler_outlet_k(hot_k, 298.15, 0.7) == pytest.approx(318.566, abs=1e-3)


@pytest.mark.parametrize(
    ("litres", "rpm", "ve", "kpa", "kelvin", "kg_s"),
    [
        (2.0, 6000.0, 0.95, 200.0, 313.15, 0.2113701),
        (2.0, 6000.0, 1.0, 101.325, 298.15, 0.1183925),
        (1.8, 6500.0, 0.9, 180.0, 318.15, 0.1729538),
    ],
)
def test_speed_density(
    litres: float, rpm: float, ve: float, kpa: float, kelvin: float, kg_s: float
) -> None:
    """Air flow follows from the ideal gas law, R = 287.05 J/(kg K)."""
    assert air.air_flow_kg_s(ve, litres, rpm, kpa, kelvin) == pytest.approx(kg_s, rel=1e-6)


@pytest.mark.parametrize(
    ("pulse_ms", "rpm", "duty_pct"),
    [(10.0, 6000.0, 50.0), (16.0, 6000.0, 80.0), (15.0, 7000.0, 87.5), (2.5, 800.0, 5.0 / 3.0)],
)
def test_injector_duty(pulse_ms: float, rpm: float, duty_pct: float) -> None:
    """Duty of one injection a cycle is pulse width times speed over 1200 (definition)."""
    assert air.injector_duty_pct(pulse_ms, rpm) == pytest.approx(duty_pct, rel=1e-12)


@pytest.mark.parametrize(
    ("dry_c", "kpa", "end_c"),
    [
        (40.0, 101.325, 14.755),
        (60.0, 101.325, 21.321),
        (60.0, 200.0, 29.007),
        (80.0, 200.0, 35.264),
        (100.0, 250.0, 43.528),
    ],
)
def test_plenty_of_water_cools_to_saturation(dry_c: float, kpa: float, end_c: float) -> None:
    """Too much water ends at saturation (ASHRAE enthalpies, liquid at 25 degC, psychrolib).

    Tolerance 0.06 K: Buck's vapour pressure instead of ASHRAE's, and 0.002 K of bisection.
    """
    assert dry_c - air.evaporation_drop_k(dry_c, kpa, 0.2, 0.0) == pytest.approx(end_c, abs=0.06)


@pytest.mark.parametrize(
    ("dry_c", "water", "methanol", "drop_k"),
    [
        (60.0, 0.005, 0.0, 12.351),
        (60.0, 0.01, 0.0, 24.477),
        (100.0, 0.02, 0.0, 49.508),
        (60.0, 0.0, 0.01, 11.936),
        (60.0, 0.00558, 0.00442, 18.94),
    ],
)
def test_spray_that_evaporates_in_full(
    dry_c: float, water: float, methanol: float, drop_k: float
) -> None:
    """Below saturation the drop is the enthalpy balance (CoolProp, psychrolib), within 0.2 K."""
    drop = air.evaporation_drop_k(dry_c, 101.325, water, methanol)
    assert drop == pytest.approx(drop_k, abs=0.2)


def test_operating_point_lies_on_both_curves() -> None:
    """Flow and pressure satisfy pump curve and nozzle law at once."""
    flow, pressure_kpa = operating_point(12.0, 1400.0, 1800.0, inf, 190.0)
    assert pressure_kpa == pytest.approx(1400.0 * (1.0 - flow / 1800.0))
    assert flow == pytest.approx(12.0 * (pressure_kpa - 190.0) ** 0.5)
    assert operating_point(12.0, 150.0, 1800.0, inf, 190.0)[0] == 0.0


def test_back_pressure_scaling() -> None:
    """A held 150 psi against 20 psi gives 1.140175 of the flow rated at 100 psi (root law)."""
    flow, _ = operating_point(100.0 / 100.0**0.5, 1e6, 1e9, 150.0, 20.0)
    assert flow / 100.0 == pytest.approx(1.140175, rel=1e-6)


def test_delay_and_lag() -> None:
    """A step passes after the delay and reaches 63.2 % one time constant later."""
    line = DelayLag(0.08, 0.1, 0.0005)
    out = [line.push(1.0) for _ in range(600)]
    assert out[159] == 0.0
    assert out[160] > 0.0
    assert out[160 + 200] == pytest.approx(0.6321, abs=0.003)


def test_every_command_law() -> None:
    """Each kind of spray control asks for what its law says."""
    fixed = Command(CommandKind.FIXED, 60.0)
    assert (command_share(fixed, 60.0, 50.0), command_share(fixed, 60.1, 50.0)) == (0.0, 1.0)
    boost = Command(CommandKind.BOOST, 60.0, 150.0)
    assert command_share(boost, 105.0, 0.0) == pytest.approx(0.5)
    assert command_share(boost, 300.0, 0.0) == 1.0
    duty = Command(CommandKind.INJECTOR_DUTY, 20.0, start_duty_pct=40.0, full_duty_pct=80.0)
    assert command_share(duty, 100.0, 50.0) == pytest.approx(0.25)
    assert command_share(duty, 10.0, 50.0) == 0.0
    table = Command(
        CommandKind.MAP,
        0.0,
        map_boost_kpa=(50.0, 100.0),
        map_duty_pct=(20.0, 60.0),
        map_pct=((0.0, 40.0), (20.0, 100.0)),
    )
    assert command_share(table, 75.0, 40.0) == pytest.approx(0.40)
    assert command_share(table, 500.0, 90.0) == pytest.approx(1.0)


# ------------------------------------------------------------------ determinism and text


def test_same_seed_same_bytes_other_seed_other_bytes() -> None:
    """A seed decides every byte of a run."""

    def text(seed: int) -> str:
        return "\n".join(logfile.line(sample) for sample in run(scenario(), seed))

    assert text(7) == text(7)
    assert text(7) != text(8)


def test_text_reads_back_bit_identical(tmp_path: Path) -> None:
    """Each number of a written log, damaged samples included, reads back to the same float."""
    noisy = scenario(Fault(FaultKind.LINE_NOISE, 1.0, magnitude=0.3), drive=SHIFTS)
    samples = list(run(noisy, 5))
    path = tmp_path / "log.csv"
    assert logfile.write_csv(samples, path) == len(samples)
    with path.open(newline="") as file:
        rows = list(csv.reader(file))
    assert tuple(rows[0]) == ROW_NAMES[:-1]
    assert any(text == "nan" for row in rows for text in row)
    assert any(text == "" for row in rows for text in row)
    for sample, row in zip(samples, rows[1:], strict=True):
        back = [NOT_SENT if text == "" else float(text) for text in row]
        assert [value.hex() for value in back] == [value.hex() for value in sample[:-1]]


def test_number_text() -> None:
    """Numbers are shortest; not sent is empty; NaN is nan."""
    texts = [logfile.number(x) for x in (3500.0, 0.1, -12.5, nan, NOT_SENT, 1e22)]
    assert texts == ["3500", "0.1", "-12.5", "nan", "", "1e+22"]


def test_only_mapped_channels_are_sent() -> None:
    """A rig that maps three channels gets three, and the log has their columns."""
    few = replace(
        RIG, channels=tuple(c for c in RIG.channels if "boost" in c.name or "_c" in c.name)
    )
    names = logfile.mapped(few)
    sample = next(run(scenario(rig=few), 1))
    sent = [name for name, value in zip(CHANNEL_NAMES, sample[1:-1], strict=True) if value > -inf]
    assert tuple(sent) == names
    assert logfile.header(names).split(",") == ["time_s", *names]
    assert len(logfile.line(sample, names).split(",")) == len(names) + 1


@pytest.mark.parametrize("rate_hz", [20.0, 60.0, 100.0, 1000.0])
def test_times_and_length_follow_the_rate(rate_hz: float) -> None:
    """Times are multiples of the sample time, and a drive lasts as long as it says."""
    what = replace(scenario(drive=(Step(Do.CRUISE, 1.0, 3),)), rate_hz=rate_hz)
    times = [sample.time_s for sample in run(what, 1)]
    assert times == [round(n / rate_hz, 4) for n in range(1, int(rate_hz) + 1)]


# ------------------------------------------------------------------ plausibility


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_healthy_pull_is_plausible(seed: int) -> None:
    """Boost, duty, cooling, mixture and knock stay where a good car has them."""
    samples, truths = drive_with_truth(scenario(drive=SHIFTS), seed)
    peak_kpa = max(truth.boost_kpa for truth in truths)
    assert 0.95 * PEAK_KPA < peak_kpa < 1.10 * PEAK_KPA
    assert 35.0 < max(s.injector_duty_pct for s in samples) < 100.0
    assert max(s.knock for s in samples) <= 0.5
    assert all(truth.missing < 0.02 for truth in truths)
    full = [s for s in samples if s.boost_kpa > 0.93 * PEAK_KPA and s.delivered_ml_min > 250]
    drops_k = [s.dry_intake_c - s.intake_c for s in full]
    assert 10.0 < max(drops_k) < 40.0  # saturation and evaporation time keep it below 40 K
    assert 0.72 < mean([s.lambda_ratio for s in full]) < 0.92
    assert all(5.0 < s.timing_deg < 40.0 for s in samples)


def test_boost_rise_time() -> None:
    """Boost needs 0.3 to 1.5 s from 10 to 90 % at mid speed (common practice, no source)."""
    pull = between(list(run(scenario(), 2)), 2.0, 9.0)
    ten_s = next(s.time_s for s in pull if s.boost_kpa > 0.1 * PEAK_KPA)
    ninety_s = next(s.time_s for s in pull if s.boost_kpa > 0.9 * PEAK_KPA)
    assert 0.3 < ninety_s - ten_s < 1.5


def test_a_gear_shift_dips_boost() -> None:
    """An upshift lets boost fall by a quarter or more, and it comes back within a second."""
    samples = list(run(scenario(drive=SHIFTS), 2))
    shift = next(
        b
        for a, b in itertools.pairwise(samples)
        if a.time_s > 2.0 and b.engine_speed_rpm < a.engine_speed_rpm - 60.0
    )
    around = between(samples, shift.time_s - 0.1, shift.time_s + 1.0)
    assert min(s.boost_kpa for s in around) < 0.75 * PEAK_KPA
    assert around[-1].boost_kpa > 0.9 * PEAK_KPA


def test_fluid_is_conserved() -> None:
    """What leaves the tank is what left the nozzles."""
    what = scenario(drive=SHIFTS)
    _, truths = drive_with_truth(what)
    sprayed_ml = sum(truth.flow_ml_min for truth in truths) / 60.0 / what.rate_hz
    used_ml = RIG.spray.tank_ml - truths[-1].tank_ml
    assert used_ml > 15.0
    assert used_ml == pytest.approx(sprayed_ml, rel=0.005)  # flow is summed at 100 Hz, not 400


def test_the_sensor_reads_what_flows() -> None:
    """At steady full flow the reading is the flow times this car's gain, within 1 %."""
    what = scenario()
    samples, truths = drive_with_truth(what, seed=4)
    gain = Car(RIG, what, 4).flow_gain
    read = mean([s.delivered_ml_min for s in between(samples, 5.0, 8.5)])
    true = mean([truth.flow_ml_min for truth in truths if 5.0 <= truth.time_s < 8.5])
    assert read == pytest.approx(gain * true, rel=0.01)


def test_delay_lag_and_gain_spread_by_seed() -> None:
    """Cars differ, within 20 % in delay and lag and 4 % in gain."""
    cars = [Car(RIG, scenario(), seed) for seed in range(40)]
    delays = [car.delay_s / RIG.spray.transport_delay_s for car in cars]
    gains = [car.flow_gain for car in cars]
    assert 0.8 <= min(delays) < 0.88
    assert 1.12 < max(delays) <= 1.2
    assert 0.96 <= min(gains) < 0.98
    assert 1.02 < max(gains) <= 1.04


def test_a_boosted_engine_without_turbocharger_stays_unboosted() -> None:
    """A rig whose timing table ends at 0 kPa makes no boost at full throttle."""
    plain = replace(RIG, paid=Paid((-20.0, 0.0), (0.0, 1.0), -30.0))
    samples = list(run(scenario(rig=plain), 1))
    assert -10.0 < max(s.boost_kpa for s in samples) < 4.0
    assert max(s.engine_speed_rpm for s in samples) < RIG.engine.redline_rpm


# ------------------------------------------------------------------ knock and actions

STOP = Fault(FaultKind.PUMP_STOP, ONSET_S)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_losing_spray_at_full_boost_knocks(seed: int) -> None:
    """Within 0.4 s of a pump stop at full boost knock retard passes 1 degree, then 3."""
    samples = list(run(scenario(STOP), seed))
    assert max(s.knock for s in between(samples, 0.0, ONSET_S)) <= 0.3
    assert max(s.knock for s in between(samples, ONSET_S, ONSET_S + 0.4)) > 1.0
    assert max(s.knock for s in between(samples, ONSET_S, ONSET_S + 1.5)) > 3.0


@pytest.mark.parametrize(("retard_deg", "ceiling_kpa"), [(7.0, inf), (0.0, 80.0)])
def test_an_action_ends_knock(retard_deg: float, ceiling_kpa: float) -> None:
    """Pulling timing, or cutting boost to the dry limit, ends the knock and limits the harm."""
    left, left_truth = drive_with_truth(scenario(STOP))
    saved, saved_truth = drive_with_truth(
        scenario(STOP), retard_deg=retard_deg, ceiling_kpa=ceiling_kpa, at_s=ONSET_S + 0.2
    )
    late = (ONSET_S + 2.5, ONSET_S + 3.5)
    assert min(s.knock for s in between(left, *late)) > 2.0
    assert max(s.knock for s in between(saved, *late)) == 0.0
    assert saved_truth[-1].knock_harm_deg_s < 0.5 * left_truth[-1].knock_harm_deg_s


def test_a_boost_ceiling_is_reached_after_the_reaction_time() -> None:
    """Nothing changes for 60 ms; then boost falls to the ceiling within 0.5 s."""
    free, _ = drive_with_truth(scenario())
    cut, truths = drive_with_truth(scenario(), ceiling_kpa=80.0, at_s=ONSET_S)
    first = next(i for i, (a, b) in enumerate(zip(free, cut, strict=True)) if a != b)
    assert ONSET_S + 0.06 <= free[first].time_s <= ONSET_S + 0.09
    after = [t.boost_kpa for t in truths if ONSET_S + 0.5 < t.time_s < 8.9]
    assert max(after) < 80.0 * 1.06
    assert min(after) > 60.0
    assert truths[600].ceiling_kpa == 80.0


def test_run_hands_decisions_to_the_engine() -> None:
    """What ``decide`` returns acts on the samples that follow."""
    cut = list(run(scenario(), 3, lambda sample: (0.0, 60.0)))
    assert max(s.boost_kpa for s in cut) < 75.0


# ------------------------------------------------------------------ faults

FAULTS = {
    FaultKind.PUMP_STOP: STOP,
    FaultKind.PUMP_FADE: Fault(FaultKind.PUMP_FADE, ONSET_S, magnitude=0.6, ramp_s=1.0),
    FaultKind.CLOGGED_NOZZLE: Fault(FaultKind.CLOGGED_NOZZLE, ONSET_S, magnitude=0.4),
    FaultKind.EMPTY_TANK: Fault(FaultKind.EMPTY_TANK, ONSET_S, ramp_s=1.0),
    FaultKind.FLOW_SENSOR_STUCK: Fault(FaultKind.FLOW_SENSOR_STUCK, ONSET_S),
    FaultKind.LINE_NOISE: Fault(FaultKind.LINE_NOISE, ONSET_S, magnitude=0.05),
}


def test_every_kind_of_fault_is_tested() -> None:
    """No kind is missing from the cases below."""
    assert set(FAULTS) == set(FaultKind)


@pytest.mark.parametrize("kind", FaultKind)
def test_nothing_changes_before_the_onset(kind: FaultKind) -> None:
    """Up to the onset the faulty run is the healthy run, bit for bit; after it, not."""
    healthy = list(run(scenario(), 3))
    faulty = list(run(scenario(FAULTS[kind]), 3))
    before = int(ONSET_S * 100)
    assert repr(faulty[:before]) == repr(healthy[:before])
    assert repr(faulty[before:]) != repr(healthy[before:])


def late(kind: FaultKind) -> tuple[list[Sample], list[Truth]]:
    """Return samples and truths from 2 s after the onset to the end of the pull."""
    samples, truths = drive_with_truth(scenario(FAULTS[kind]))
    return between(samples, 7.0, 8.9), [t for t in truths if 7.0 <= t.time_s < 8.9]


def test_pump_stop() -> None:
    """Flow and line pressure fall to nothing; the truth says so."""
    samples, truths = late(FaultKind.PUMP_STOP)
    assert max(s.delivered_ml_min for s in samples) == 0.0
    assert mean([s.line_kpa for s in samples]) < 10.0
    assert all(truth.missing == 1.0 and truth.faults == ("pump_stop",) for truth in truths)


def test_pump_fade() -> None:
    """Flow and line pressure fall together, to part of what they were."""
    samples, truths = late(FaultKind.PUMP_FADE)
    assert mean([s.line_kpa for s in samples]) == pytest.approx(400.0, rel=0.1)
    assert all(0.3 < truth.missing < 0.8 for truth in truths)


def test_clogged_nozzle() -> None:
    """Flow falls by about the clogged share while line pressure rises."""
    healthy = between(list(run(scenario(), 3)), 7.0, 8.9)
    samples, truths = late(FaultKind.CLOGGED_NOZZLE)
    assert all(0.33 < truth.missing < 0.41 for truth in truths)
    assert mean([s.line_kpa for s in samples]) > 1.01 * mean([s.line_kpa for s in healthy])


def test_empty_tank() -> None:
    """Air makes the flow ripple first; then neither flow nor fluid is left."""
    samples, _ = drive_with_truth(scenario(FAULTS[FaultKind.EMPTY_TANK]))
    calm = [s.delivered_ml_min for s in between(samples, 4.5, 5.0)]
    ripple = [s.delivered_ml_min for s in between(samples, 5.3, 5.8)]
    steps = [mean([abs(b - a) for a, b in itertools.pairwise(x)]) / mean(x) for x in (calm, ripple)]
    assert steps[1] > 1.5 * steps[0]
    after, truths = late(FaultKind.EMPTY_TANK)
    assert max(s.delivered_ml_min for s in after) < 5.0
    assert truths[-1].tank_ml < 5.0


def test_a_tank_runs_out_by_itself() -> None:
    """A tank with too little for the pull runs dry, and the truth names it."""
    _, truths = drive_with_truth(replace(scenario(), tank_ml=40.0))
    assert truths[-1].faults == ("empty_tank",)
    assert max(truth.missing for truth in truths) > 0.5
    assert min(truth.tank_ml for truth in truths) >= 0.0


def test_flow_sensor_stuck() -> None:
    """The reading freezes while the true flow stays healthy and ends with the pull."""
    samples, truths = drive_with_truth(scenario(FAULTS[FaultKind.FLOW_SENSOR_STUCK]))
    assert len({s.delivered_ml_min for s in between(samples, ONSET_S + 0.02, 10.1)}) == 1
    assert max(truth.missing for truth in truths) < 0.02
    assert truths[-1].flow_ml_min < 5.0


def test_line_noise_damages_the_stated_share_and_nothing_else() -> None:
    """About 5 % of samples differ from the healthy run, each in one value, flow unharmed."""
    healthy = list(run(scenario(), 3))
    samples, truths = drive_with_truth(scenario(FAULTS[FaultKind.LINE_NOISE]))
    differ = [
        sum(a.hex() != b.hex() for a, b in zip(x, y, strict=True))
        for x, y in zip(healthy, samples, strict=True)
    ]
    assert max(differ) == 1
    assert 8 <= sum(differ) <= 45  # 500 samples at 5 %, minus spikes of values that are 0
    assert any(isnan(value) for s in samples for value in s)
    assert any(value == NOT_SENT for s in samples for value in s[:-1])
    assert max(truth.missing for truth in truths) < 0.02


def test_a_fault_ends_and_can_wait_for_boost() -> None:
    """With a duration the pump runs again; with a boost condition the fault waits for it."""
    blip = Fault(FaultKind.PUMP_STOP, 0.0, above_boost_kpa=150.0, for_s=0.5)
    _, truths = drive_with_truth(scenario(blip))
    active = [truth for truth in truths if truth.faults]
    assert active[0].time_s > 2.0
    assert active[0].boost_kpa == pytest.approx(150.0, abs=3.0)
    assert active[-1].time_s - active[0].time_s == pytest.approx(0.5, abs=0.011)
    assert max(truth.missing for truth in truths) > 0.9
    assert truths[850].missing < 0.02
