"""The line's pressure as evidence: soon, alone only for timing, and doubted where it is wrong."""

from collections.abc import Callable
from math import exp
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from rules.channels import BOOST, LINE, NOT_SENT
from rules.facts import Action, Rig
from rules.step.evidence import CALM_NATS
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min, line_due_kpa
from rules.step.line import BELIEVED_AFTER_S, LEAST_COMMAND, judge_line
from rules.step.state import (
    HIGH_ACCOUNTS,
    LINE_ACCOUNTS,
    LINE_DOUBTED,
    N_SIZES,
    UNDER_DELIVERY,
    Decision,
    State,
)
from rules.step.step import fresh_state
from tests.kit.entries import Floats, correlated
from tests.kit.rigs import ESSENTIAL, NAN, Drive, first, rig, terms


def facts(**changes: Any) -> Rig:
    """Return the test rig with line pressure in its log."""
    return rig(channels=terms(*ESSENTIAL, "line_kpa"), **changes)


def due_kpa(commanded_ml_min: float = 500.0) -> float:
    """Return the line pressure due at 150 kPa of boost."""
    k = constants_of(facts())
    return line_due_kpa(k, 150.0, commanded_ml_min, full_flow_ml_min(k, 150.0))


def sprayed(drive: Drive, for_s: float, seed: int = 1, share: float = 1.0) -> list[Decision]:
    """Feed steady spray whose pressure has the rig's own ripple, at a share of what is due."""
    ripple = 0.05 * correlated(round(for_s / 0.01), 0.02 / 0.03, seed)
    pressures = (due_kpa() * share * (1.0 + ripple)).tolist()
    return [d for kpa in pressures for d in drive.run(0.01, line_kpa=kpa)]


def test_what_is_due_lies_between_shut_and_open_valve() -> None:
    """Open, the nozzles' own law gives the flow; shut, the regulator holds; between, by time."""
    k = constants_of(facts())
    full = full_flow_ml_min(k, 150.0)
    across_kpa = due_kpa(full) - 150.0 - k.check_valve_kpa
    assert k.conductance_sq * across_kpa == pytest.approx(full * full)
    assert due_kpa(0.0) == min(k.regulated_kpa, k.shut_off_kpa)
    half = 0.5 * (due_kpa(0.0) + due_kpa(full))
    assert due_kpa(0.5 * full) == pytest.approx(half)
    assert due_kpa(2.0 * full) == due_kpa(full)


@settings(max_examples=100)
@given(
    read=st.floats(0.0, 2.0),
    before=st.floats(-1.0, 0.1),
    gain=st.floats(0.85, 1.15),
    doubt=st.floats(0.0, 0.15),
    noise=st.floats(0.02, 0.2),
    kept=st.floats(0.0, 0.95),
)
def test_a_ratio_is_that_of_two_normal_densities(
    read: float, before: float, gain: float, doubt: float, noise: float, kept: float
) -> None:
    """Each size's sum, low and high, moves by scipy's log-likelihood ratio, as the flow's do."""
    k = constants_of(facts())
    k.limit_nats = 1e9
    s = fresh_state(k)
    s.line_gain, s.line_doubt, s.line_noise_sq, s.line_residual = gain, doubt, noise**2, before
    s.line_noise_lasts_s = 0.01 * kept / (1.0 - kept)
    s.value[BOOST], s.line_due_kpa, s.value[LINE] = 150.0, 900.0, 900.0 * read
    for first_of in (LINE_ACCOUNTS, HIGH_ACCOUNTS):
        s.account[first_of : first_of + N_SIZES] = [500.0] * N_SIZES
    s.line_high_residual, s.line_evidence = before, 500.0
    judge_line(k, s, 0.01)
    new = read - 1.0 - kept * before
    honest = (max(gain * (1.0 - doubt), 1.0 - k.line_gain_within) / gain - 1.0) * (1.0 - kept)
    sd = noise * (1.0 - kept**2) ** 0.5
    wanted = [
        norm.logpdf(new, honest - size * (1.0 - kept), sd) - norm.logpdf(new, honest, sd)
        for size in k.size
    ]
    found = s.account[LINE_ACCOUNTS : LINE_ACCOUNTS + N_SIZES]
    assert found == pytest.approx([max(500.0 + by, 0.0) for by in wanted], rel=1e-6, abs=1e-6)
    honest = (min(gain * (1.0 + doubt), 1.0 + k.line_gain_within) / gain - 1.0) * (1.0 - kept)
    wanted = [
        norm.logpdf(new, honest + size * (1.0 - kept), sd) - norm.logpdf(new, honest, sd)
        for size in k.size
    ]
    high = s.account[HIGH_ACCOUNTS : HIGH_ACCOUNTS + N_SIZES]
    assert high == pytest.approx([max(500.0 + by, 0.0) for by in wanted], rel=1e-6, abs=1e-6)
    assert s.line_evidence == max(*found, *high)
    assert (s.line_high > 0.0) == (max(high) > max(found))


@pytest.mark.parametrize("seed", range(4))
def test_a_pump_that_stops_is_found_before_the_flow_reading_moves(seed: int) -> None:
    """Pressure falls by half in 35 ms, flow only 80 ms later: timing is pulled by then."""
    drive = Drive(facts())
    assert {d.action for d in sprayed(drive, 10.0, seed)} == {Action.NO_ACTION}
    decisions = []
    for i in range(8):
        kpa = 150.0 + (due_kpa() - 150.0) * exp(-0.01 * (i + 1) / 0.05)
        decisions += drive.run(0.01, line_kpa=kpa)
    pulled = decisions[first(decisions, Action.PULL_TIMING)]
    assert 0.01 * (first(decisions, Action.PULL_TIMING) + 1) <= 0.07
    assert pulled.level[UNDER_DELIVERY] == Action.PULL_TIMING
    assert pulled.line_evidence > 0.5 * pulled.evidence
    assert max(d.action for d in decisions) == Action.PULL_TIMING


def test_healthy_pressure_in_its_ripple_is_calm() -> None:
    """Five minutes at the lower end of its tolerance, and as long as due: nothing is done."""
    for share in (0.87, 1.0):
        drive = Drive(facts(), long=True)
        assert {d.action for d in sprayed(drive, 300.0, 2, share)} == {Action.NO_ACTION}


FAILED: dict[str, Callable[[Floats, Floats], Floats]] = {
    "short": lambda kpa, at_s: 0.0 * kpa,
    "a third left": lambda kpa, at_s: 0.3 * kpa,
    "gain -30 %": lambda kpa, at_s: 0.7 * kpa,
    "gain -40 %": lambda kpa, at_s: 0.6 * kpa,
    "oscillating": lambda kpa, at_s: kpa * (0.6 + 0.4 * np.sin(20.0 * at_s)),
    "loose": lambda kpa, at_s: kpa * (at_s % 0.3 < 0.15),
}


def failing(how: Callable[[Floats, Floats], Floats], for_s: float) -> tuple[Drive, list[Decision]]:
    """Return a drive of ten healthy seconds and a failed pressure sensor, and the latter's part."""
    drive = Drive(facts())
    sprayed(drive, 10.0)
    at_s: Floats = np.arange(0.0, for_s - 0.005, 0.01)
    ripple = 0.05 * correlated(len(at_s), 0.02 / 0.03, 7)
    reads = how(due_kpa() * (1.0 + ripple), at_s).tolist()
    noise = (0.03 * correlated(len(at_s), 0.05 / 0.06, 8)).tolist()
    return drive, [
        decision
        for kpa, flow in zip(reads, noise, strict=True)
        for decision in drive.run(0.01, share=1.0 + flow, line_kpa=max(kpa, 0.0))
    ]


@pytest.mark.parametrize("how", FAILED)
def test_a_pressure_sensor_that_fails_is_told_and_its_pull_taken_back(how: str) -> None:
    """Alone it never cuts boost; the flow, given time, shows nothing, and timing is given back."""
    drive, decisions = failing(FAILED[how], 6.0)
    assert max(d.action for d in decisions) == Action.PULL_TIMING
    assert first(decisions, Action.PULL_TIMING) >= 0
    assert sum(0.01 for d in decisions if d.retard_deg > 0.0) < 0.5
    doubted = next(i for i, d in enumerate(decisions) if d.level[LINE_DOUBTED] > 0.0)
    assert {d.retard_deg for d in decisions[doubted + 1 :]} == {0.0}
    assert decisions[-1].action == Action.WARN
    # Back again it must read right for a while before it is believed.
    back = sprayed(drive, BELIEVED_AFTER_S - 1.0, 3)
    assert back[-1].level[LINE_DOUBTED] == Action.WARN
    assert sprayed(drive, 4.0, 4)[-1].action == Action.NO_ACTION


@pytest.mark.parametrize(
    ("how", "told"),
    [
        (lambda kpa, at_s: np.where(at_s % 1.0 < 0.005, 0.0, kpa), 0.0),
        (lambda kpa, at_s: kpa + 3.0 * (kpa - due_kpa()), None),
    ],
    ids=["spikes", "noise four times the rig's"],
)
def test_a_pressure_that_only_spikes_or_is_noisy_never_cuts(
    how: Callable[[Floats, Floats], Floats], told: float | None
) -> None:
    """One reading of nil a second is no evidence; noise may pull, for half a second."""
    _, decisions = failing(how, 20.0)
    assert max(d.action for d in decisions) <= Action.PULL_TIMING
    assert sum(0.01 for d in decisions if d.retard_deg > 0.0) < 0.5
    if told is not None:
        assert {d.action for d in decisions} == {told}


def test_a_split_behind_the_sensor_is_no_contradiction() -> None:
    """Less pressure and more flow than were asked for: what was pulled for stands."""
    drive = Drive(facts())
    sprayed(drive, 10.0)
    decisions = []
    for i in range(200):
        more = 1.0 + 0.5 * (1.0 - exp(-0.01 * max(i - 8, 0) / 0.1))
        decisions += drive.run(0.01, share=more, line_kpa=0.6 * due_kpa())
    pulled = first(decisions, Action.PULL_TIMING)
    assert 0 <= pulled < 10
    assert {d.action for d in decisions[pulled:]} == {Action.PULL_TIMING}
    assert max(d.level[LINE_DOUBTED] for d in decisions) == 0.0


@pytest.mark.parametrize("lost", [NAN, NOT_SENT])
def test_without_pressure_the_flow_decides_as_if_there_were_no_such_channel(lost: float) -> None:
    """A pressure long stale: the same evidence, debt and retard as on a rig that maps none."""
    seen = []
    for by in (facts(), rig(debt={"false_pull_every_h": 300.0})):  # three times as many sums
        drive = Drive(by)
        drive.run(3.0, line_kpa=lost)
        decisions = drive.run(1.0, share=0.7, line_kpa=lost)
        seen.append(
            [(d.evidence, d.debt_ml, d.retard_deg, d.level[UNDER_DELIVERY]) for d in decisions]
        )
    assert seen[0] == seen[1]
    assert seen[0][-1][0] > 0.0


def test_a_shortfall_that_both_show_cuts_boost_by_the_debt() -> None:
    """Confirmed by the flow the pull stands, and boost is cut once so much is missing."""
    drive = Drive(facts())
    sprayed(drive, 10.0)
    decisions = drive.fail(2.0, share=0.0, line_kpa=200.0)
    cut = decisions[first(decisions, Action.CUT_BOOST)]
    assert cut.debt_ml >= drive.guard.constants.cut_ml
    assert max(d.level[LINE_DOUBTED] for d in decisions) == 0.0


@pytest.mark.parametrize("bad", [{"line_kpa": NAN}, {"commanded_ml_min": 200.0}])
def test_where_pressure_says_nothing_it_is_no_evidence(bad: dict[str, float]) -> None:
    """Unusable, or with so little commanded that it hardly depends on the pump."""
    k = constants_of(facts())
    assert LEAST_COMMAND * full_flow_ml_min(k, 150.0) > 200.0
    drive = Drive(facts())
    sprayed(drive, 3.0)
    silent = drive.run(3.0, **{"line_kpa": 300.0, **bad})[-1]
    assert silent.line_evidence == 0.0
    assert silent.line_due_kpa != silent.line_due_kpa


@settings(max_examples=25)
@given(shares=st.lists(st.floats(0.0, 1.5), min_size=1, max_size=12), gain=st.floats(0.0, 0.3))
def test_what_is_learned_of_the_line_keeps_its_bounds(shares: list[float], gain: float) -> None:
    """Whatever it reads: level within the rig's tolerance, noise within four times either way."""
    drive = Drive(facts())
    k = drive.guard.constants
    for share in shares:
        drive.run(0.3, line_kpa=due_kpa() * (1.0 - gain) * share)
        s = State.of_flat(drive.guard.state())
        assert abs(s.line_gain - 1.0) <= k.line_gain_within + 1e-12
        assert 0.25 * k.line_noise_sq <= s.line_noise_sq <= 16.0 * k.line_noise_sq
        assert 0.4 * k.line_gain_within <= s.line_doubt <= k.line_gain_within


def test_the_level_and_the_ripple_are_learned() -> None:
    """Of a line 8 % below its rig's figures: that, and a ripple of 5 %."""
    drive = Drive(facts())
    decisions = sprayed(drive, 60.0, 5, 0.92)
    s = State.of_flat(drive.guard.state())
    assert s.line_gain == pytest.approx(0.92, abs=0.01)
    assert np.sqrt(s.line_noise_sq) == pytest.approx(0.05, rel=0.2)
    assert max(d.evidence for d in decisions[1000:]) < 3.0 * CALM_NATS
