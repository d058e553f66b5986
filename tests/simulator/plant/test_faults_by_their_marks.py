"""The plant's faults of supply, line, valve, mix and flow sensor leave the marks they should."""

import itertools
from functools import cache

import pytest

from rules.channels import Sample
from simulator.plant import Do, Fault, FaultKind, Step
from tests.kit.plants import ONSET_S, Truth, between, drive_with_truth, mean, scenario

PART = (Step(Do.CRUISE, 2.0, 4), Step(Do.PULL, 7.0, 4, 62.0), Step(Do.LIFT, 1.5))


@cache
def late(
    kind: FaultKind | None, magnitude: float = 1.0
) -> tuple[tuple[Sample, ...], tuple[Truth, ...]]:
    """Return samples and truths from 1 s after the onset to the end of the pull."""
    faults = () if kind is None else (Fault(kind, ONSET_S, magnitude=magnitude),)
    samples, truths = drive_with_truth(scenario(*faults))
    return (
        tuple(between(samples, 6.0, 8.9)),
        tuple(truth for truth in truths if 6.0 <= truth.time_s < 8.9),
    )


def channel(kind: FaultKind | None, name: str, magnitude: float = 1.0) -> float:
    """Return a channel's mean late in the pull."""
    return mean([getattr(sample, name) for sample in late(kind, magnitude)[0]])


def true_flow(kind: FaultKind | None, magnitude: float = 1.0) -> float:
    """Return the mean flow out of the nozzles late in the pull, mL/min."""
    return mean([truth.flow_ml_min for truth in late(kind, magnitude)[1]])


def test_supply_low_takes_voltage_pressure_and_flow_under_load_only() -> None:
    """With the pump running 30 % of its voltage is gone, and pressure and flow with it."""
    kind = FaultKind.SUPPLY_LOW
    assert channel(kind, "supply_v", 0.3) == pytest.approx(
        0.7 * channel(None, "supply_v"), rel=0.01
    )
    assert channel(kind, "line_kpa", 0.3) < 0.8 * channel(None, "line_kpa")
    assert true_flow(kind, 0.3) < 0.9 * true_flow(None)
    samples, _ = drive_with_truth(scenario(Fault(kind, 0.0, magnitude=0.3)))
    assert samples[50].supply_v == pytest.approx(13.8, abs=0.15)


def test_split_before_the_sensor_lowers_pressure_and_reading_and_drains_the_tank() -> None:
    """The sensor still tells what the nozzles get; the tank loses far more."""
    kind = FaultKind.SPLIT_BEFORE_SENSOR
    assert channel(kind, "line_kpa", 0.8) < 0.7 * channel(None, "line_kpa")
    assert true_flow(kind, 0.8) < 0.8 * true_flow(None)
    reading = channel(kind, "delivered_ml_min", 0.8) / channel(None, "delivered_ml_min")
    assert reading == pytest.approx(true_flow(kind, 0.8) / true_flow(None), rel=0.03)
    drained = [
        truths[0].tank_ml - truths[-1].tank_ml for truths in (late(None)[1], late(kind, 0.8)[1])
    ]
    assert drained[1] > 2.0 * drained[0]


def test_split_after_the_sensor_reads_plenty_while_the_engine_goes_short() -> None:
    """Reading up, pressure down, nozzle flow down, intake warmer, mixture leaner."""
    kind = FaultKind.SPLIT_AFTER_SENSOR
    assert channel(kind, "delivered_ml_min", 0.8) > 1.5 * channel(None, "delivered_ml_min")
    assert channel(kind, "line_kpa", 0.8) < 0.7 * channel(None, "line_kpa")
    assert true_flow(kind, 0.8) < 0.8 * true_flow(None)
    assert channel(kind, "intake_c", 0.8) > 2.0 + channel(None, "intake_c")
    assert channel(kind, "lambda_ratio", 0.8) > 0.005 + channel(None, "lambda_ratio")


def test_air_makes_the_flow_ripple_with_fluid_left() -> None:
    """Part of what the pump moves is air: less flow, in slugs, and the tank is as full as ever."""
    steps = [
        mean([abs(b.delivered_ml_min - a.delivered_ml_min) for a, b in itertools.pairwise(samples)])
        / mean([sample.delivered_ml_min for sample in samples])
        for samples in (late(None)[0], late(FaultKind.AIR, 0.35)[0])
    ]
    assert steps[1] > 1.5 * steps[0]
    assert 0.2 < mean([truth.missing for truth in late(FaultKind.AIR, 0.35)[1]]) < 0.52
    assert late(FaultKind.AIR, 0.35)[1][-1].tank_ml > 4900.0


def test_a_siphon_flows_in_vacuum_and_changes_nothing_under_boost() -> None:
    """Without a command fluid is drawn at closed throttle; the pull itself is healthy."""
    siphon = Fault(FaultKind.SIPHON, 0.0, magnitude=0.7)
    samples, truths = drive_with_truth(scenario(siphon))
    healthy, _ = drive_with_truth(scenario())
    cruise = [sample for sample in between(samples, 0.8, 1.8) if sample.boost_kpa < -30.0]
    assert len(cruise) > 50
    assert mean([sample.delivered_ml_min for sample in cruise]) > 20.0
    assert max(sample.commanded_ml_min for sample in cruise) == 0.0
    assert mean([s.delivered_ml_min for s in between(samples, 6.0, 8.9)]) == pytest.approx(
        mean([s.delivered_ml_min for s in between(healthy, 6.0, 8.9)]), rel=0.01
    )
    assert truths[-1].tank_ml < 5000.0


def test_a_stuck_valve_over_delivers_at_part_command() -> None:
    """Where part of full flow is asked for, all of it comes; deep vacuum draws some more."""
    valve = Fault(FaultKind.VALVE_STUCK_OPEN, 0.0)
    samples, _ = drive_with_truth(scenario(valve, drive=PART))
    part = [s for s in between(samples, 5.0, 8.9) if 40.0 < s.command_pct < 80.0]
    assert len(part) > 100
    asked = mean([sample.commanded_ml_min for sample in part])
    assert mean([sample.delivered_ml_min for sample in part]) > 1.2 * asked
    assert max(s.delivered_ml_min for s in between(samples, 10.0, 10.5)) > 20.0


def test_a_silent_controller_commands_and_delivers_nothing() -> None:
    """Boost calls for spray, the command channel is nil, all of the spray is missing."""
    samples, truths = late(FaultKind.CONTROLLER_SILENT)
    assert max(sample.commanded_ml_min for sample in samples) == 0.0
    # A pulse sensor can only say that the next pulse is still to come.
    assert max(sample.delivered_ml_min for sample in samples) < 5.0
    assert all(truth.missing > 0.98 and truth.boost_kpa > 60.0 for truth in truths)


def test_a_drifted_sensor_reads_low_and_the_engine_feels_nothing() -> None:
    """The reading is 70 % of the healthy one; the spray, the intake and the mixture are right."""
    kind = FaultKind.SENSOR_GAIN
    reading = channel(kind, "delivered_ml_min", -0.3)
    assert reading == pytest.approx(0.7 * channel(None, "delivered_ml_min"), rel=0.01)
    for name in ("line_kpa", "intake_c", "lambda_ratio", "knock"):
        assert channel(kind, name, -0.3) == channel(None, name)
    assert max(truth.missing for truth in late(kind, -0.3)[1]) < 0.02


def test_a_dead_sensor_reads_nil_and_the_engine_feels_nothing() -> None:
    """The reading is nil from one sample to the next; everything else is the healthy run."""
    kind = FaultKind.SENSOR_SHORT
    assert channel(kind, "delivered_ml_min") == 0.0
    for name in ("line_kpa", "intake_c", "lambda_ratio", "knock"):
        assert channel(kind, name) == channel(None, name)
    assert max(truth.missing for truth in late(kind)[1]) < 0.02


def test_a_wrong_mix_flows_right_but_cools_less_and_leans_the_engine() -> None:
    """Water alone: a little less volume as it is denser, a warmer intake, no methanol to burn."""
    kind = FaultKind.WRONG_MIX
    flow = channel(kind, "delivered_ml_min") / channel(None, "delivered_ml_min")
    assert 0.955 < flow < 0.985  # root of the densities' ratio: 0.963; the pump gives some
    assert channel(kind, "intake_c") > 1.0 + channel(None, "intake_c")
    assert channel(kind, "lambda_ratio") > 0.02 + channel(None, "lambda_ratio")
    half = channel(kind, "lambda_ratio", 0.5)
    assert channel(None, "lambda_ratio") < half < channel(kind, "lambda_ratio")
