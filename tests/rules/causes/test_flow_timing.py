"""Delay and lag of a car by its spray's edges: found as they are, told where the rig is wrong."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from monitor.guard.cause_desk import FITS_AGAIN, CauseDesk
from rules.causes.flow_timing import LEAST_EDGES, MOST_EDGES, MOST_ROWS, Edge, FlowTiming
from rules.channels import Sample
from rules.facts import FlowSensor, Rig
from rules.guard import Guard
from rules.step.state import Decision
from tests.kit.entries import Floats
from tests.kit.rigs import NAN, rig

STEP_S = 0.001
FULL_ML_MIN = 500.0
WIDE = rig()  # 80 ms, 40 ms either way; 100 ms, 50 ms either way
KNOWN = rig(flow_sensor={"delay_within_s": 0.01, "lag_within_s": 0.02})
NOMINAL = FlowSensor()


def switched(bouts: int) -> Floats:
    """Return a command each millisecond: a second and a half of full flow, and of none."""
    one = np.repeat([0.0, FULL_ML_MIN], 1500)
    return np.tile(one, bouts)[: 3000 * bouts]


def ramped(bouts: int) -> Floats:
    """Return the same with rises and falls of 0.4 s, as of a turbocharger's boost."""
    return np.convolve(np.pad(switched(bouts), (399, 0)), np.full(400, 1.0 / 400.0), "valid")


def lagged(flow: Floats, lag_s: float) -> Floats:
    """Return a flow behind a first-order lag."""
    kept = np.exp(-STEP_S / lag_s)
    out, now = np.empty_like(flow), 0.0
    for i, value in enumerate(flow.tolist()):
        now = value + (now - value) * kept
        out[i] = now
    return out


def drive(
    asked: Floats,
    delay_s: float,
    lag_s: float,
    hz: int = 100,
    gain: float = 1.0,
    late_onset_s: float = 0.0,
    hold_s: float = 0.0,
) -> list[Sample]:
    """Return what a logger hands over of a car with this delay and lag, with noise of 2 %."""
    rng = np.random.default_rng(3)
    came = np.concatenate([np.zeros(round(delay_s / STEP_S)), asked])[: len(asked)]
    if late_onset_s:
        started = lagged(came, late_onset_s)
        came = np.minimum(came, started)
    reads = gain * lagged(came, lag_s)
    if hold_s:
        reads = np.repeat(reads[:: round(hold_s / STEP_S)], round(hold_s / STEP_S))[: len(asked)]
    at = (np.arange(int(len(asked) * STEP_S * hz)) / hz / STEP_S + rng.uniform(0, 3)).astype(int)
    noise = 1.0 + 0.02 * rng.normal(size=len(at))
    if hold_s:
        noise = np.ones(len(at))
    return [
        Sample(
            STEP_S * i,
            boost_kpa=150.0 if asked[i] else 20.0,
            commanded_ml_min=float(asked[i]),
            delivered_ml_min=float(max(reads[i] * n, 0.0)),
        )
        for i, n in zip(at.tolist(), noise.tolist(), strict=True)
    ]


def decided(facts: Rig, samples: list[Sample]) -> list[Decision]:
    """Return what a guard of this rig decides."""
    guard = Guard(facts)
    return [guard.step(sample) for sample in samples]


def timing(facts: Rig, samples: list[Sample]) -> FlowTiming:
    """Return how the flow followed in a drive."""
    found = FlowTiming(facts)
    for decision in decided(facts, samples):
        found.take(decision)
    return found


def told(facts: Rig, samples: list[Sample]) -> str:
    """Return what is said of the rig after a drive; empty where nothing is."""
    doubt = timing(facts, samples).doubt()
    return "" if doubt is None else doubt.sentence


def middle(edges: list[Edge]) -> tuple[float, float]:
    """Return the median delay and lag."""
    delay_s, lag_s, *_ = np.median(np.array(edges), axis=0)
    return float(delay_s), float(lag_s)


@pytest.mark.parametrize("hz", [100, 50, 20])
@pytest.mark.parametrize(
    ("delay_s", "lag_s"), [(0.08, 0.1), (0.128, 0.1), (0.032, 0.1), (0.08, 0.16), (0.08, 0.04)]
)
def test_delay_and_lag_are_found_by_onsets_and_by_ends(
    hz: int, delay_s: float, lag_s: float
) -> None:
    """Each within 10 ms and half a row of what the car has, whatever its rig says.

    Rows here are in step with the command's switch, so that all edges are off alike.
    """
    found = timing(WIDE, drive(switched(6), delay_s, lag_s, hz, gain=1.04))
    assert len(found.onsets) >= 5
    assert len(found.ends) >= 5
    for edges in (found.onsets, found.ends):
        assert middle(list(edges)) == pytest.approx((delay_s, lag_s), abs=0.01 + 0.5 / hz)
        assert np.median([edge.gain for edge in edges]) == pytest.approx(1.04, abs=0.02)


@pytest.mark.parametrize(
    ("command", "hz"), [(switched, 100), (switched, 50), (ramped, 100), (ramped, 50), (ramped, 20)]
)
@pytest.mark.parametrize(
    ("delay", "lag", "says"),
    [
        (1.6, 1.0, "later than the rig's delay allows"),
        (0.4, 1.0, "earlier than the rig's delay allows"),
        (1.0, 0.4, "more quickly than the rig's lag allows"),
        (1.6, 1.6, "the rig's delay"),
        (0.4, 0.4, "the rig's"),
    ],
)
def test_a_car_far_outside_a_fitted_rig_is_told(
    command: Callable[[int], Floats], hz: int, delay: float, lag: float, says: str
) -> None:
    """60 % off where the rig says 10 and 20 ms: within six bouts."""
    samples = drive(command(6), delay * NOMINAL.delay_s, lag * NOMINAL.lag_s, hz)
    words = told(KNOWN, samples)
    assert says in words
    assert "[flow_sensor] of the rig" in words


@pytest.mark.parametrize("hz", [100, 50, 20, 10])
@pytest.mark.parametrize("command", [switched, ramped])
@pytest.mark.parametrize(
    ("delay", "lag"), [(0.0, 0.0), (0.9, 0.9), (-0.9, -0.9), (0.9, -0.9), (-0.9, 0.9)]
)
@pytest.mark.parametrize("facts", [WIDE, KNOWN], ids=["wide", "known"])
def test_a_car_within_its_rig_is_never_told(
    facts: Rig, command: Callable[[int], Floats], delay: float, lag: float, hz: int
) -> None:
    """Wherever within the tolerances it lies; gain and noise change nothing."""
    sensor = facts.flow_sensor
    delay_s = sensor.delay_s + delay * sensor.delay_within_s
    lag_s = sensor.lag_s + lag * sensor.lag_within_s
    found = FlowTiming(facts)
    for decision in decided(facts, drive(command(12), delay_s, lag_s, hz, gain=0.96)):
        found.take(decision)
        assert found.doubt() is None
    assert found.edges >= 10


def test_a_pump_that_starts_slowly_is_no_delay_of_the_sensor() -> None:
    """Its onsets are late, its ends aren't."""
    found = timing(KNOWN, drive(switched(8), 0.08, 0.1, late_onset_s=0.08))
    assert middle(list(found.onsets))[0] > 0.1
    assert found.doubt() is None


def test_a_switch_between_two_rows_may_be_all_of_it() -> None:
    """A delay 24 ms off is told at 100 rows a second, and not at 20."""
    assert told(KNOWN, drive(switched(8), 0.104, 0.1, 100))
    assert not told(KNOWN, drive(switched(8), 0.104, 0.1, 20))


def test_a_held_reading_may_be_as_old_as_it_is_held() -> None:
    """A sensor that gives ten readings a second looks late, and that is no doubt of the delay."""
    facts = replace(KNOWN, flow_sensor=replace(KNOWN.flow_sensor, refresh_s=0.1))
    found = timing(facts, drive(switched(8), 0.08, 0.1, hold_s=0.1))
    assert found.edges >= 10
    assert all(edge.unsure_s >= 0.1 for edge in found.onsets)
    assert found.doubt() is None


def test_an_edge_with_a_reading_that_is_not_usable_counts_for_nothing() -> None:
    """One NaN at each rise and fall: there is nothing to fit."""
    samples = drive(switched(6), 0.16, 0.1)
    damaged = [
        s._replace(delivered_ml_min=NAN) if i % 150 in (20, 21) else s
        for i, s in enumerate(samples)
    ]
    assert timing(KNOWN, damaged).edges == 0
    assert timing(KNOWN, samples).edges >= 10


def test_too_few_edges_or_too_little_spray_tells_nothing() -> None:
    """Two bouts of a car far off; and jabs that are over before the flow has followed."""
    assert told(KNOWN, drive(switched(LEAST_EDGES - 1), 0.16, 0.1)) == ""
    jabs = np.tile(np.repeat([0.0, FULL_ML_MIN], 250), 30)
    assert timing(KNOWN, drive(jabs, 0.16, 0.1)).edges == 0


def test_memory_is_bounded() -> None:
    """However long it goes on: rows, and edges."""
    found = timing(WIDE, drive(switched(40), 0.08, 0.1))
    assert found.edges > 3 * MOST_EDGES
    assert len(found.onsets) == len(found.ends) == MOST_EDGES
    assert len(found._rows) <= MOST_ROWS


def test_a_running_guard_says_it_once_and_when_it_is_over() -> None:
    """What to change, while the car is healthy; and that the flow follows again as it should."""
    desk = CauseDesk(KNOWN)
    said = []
    late = drive(switched(8), 0.128, 0.1)
    right = [s._replace(time_s=s.time_s + 25.0) for s in drive(switched(16), 0.08, 0.1)]
    for decision in decided(KNOWN, [*late, *right]):
        desk.feed(decision)
        desk.work()
        said += desk.of_rig()
    assert len(said) == 2
    assert "later than the rig's delay allows: 1" in said[0]
    assert "the rig says 80 ms, 10 ms off either way" in said[0]
    assert "raise transport_delay or transport_delay_within" in said[0]
    assert said[1] == FITS_AGAIN
    desk.change(KNOWN)
    assert desk.of_rig() == []
