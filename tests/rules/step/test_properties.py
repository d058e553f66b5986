"""What must hold for every stream: worse is never milder, bad is never healthy, latches hold."""

from dataclasses import replace
from math import inf
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from rules.channels import CHANNEL_NAMES, NOT_SENT, ROW_NAMES, ROW_WIDTH, Sample
from rules.facts import Action, ChannelTerms, CommandKind, Rig
from rules.guard import Guard
from rules.step.evidence import CALM_NATS
from rules.step.from_rig import essential_columns
from rules.step.state import HEALTHY, RIG_DOUBTED, Decision
from tests.kit.rigs import ALL_CHANNELS, ESSENTIAL, NAN, of_kind, rig, terms
from tests.rules.step.test_compiled import Floats, Stretch, rigs, stream, stretches

FIELD = {name: i for i, name in enumerate(Decision.names())}
COLUMN = {name: i for i, name in enumerate(ROW_NAMES)}


def rows_of_pull(n: int, dt_s: float, **columns: Any) -> Floats:
    """Return ``n`` rows, 150 kPa and 500 mL/min, with the named columns."""
    rows = np.full((n, ROW_WIDTH), NOT_SENT)
    rows[:, 0] = np.arange(n) * dt_s
    rows[:, COLUMN["operator"]] = 0.0
    plain = {"boost_kpa": 150.0, "commanded_ml_min": 500.0, "delivered_ml_min": 500.0}
    for name, values in {**plain, **columns}.items():
        rows[:, COLUMN[name]] = values
    return rows


@example(CommandKind.LOG_FLOW, 0.125, 0.0625, 0.2, 60.0, 0.1)
@settings(max_examples=120)
@given(
    kind=st.sampled_from([CommandKind.LOG_FLOW, CommandKind.BOOST, CommandKind.FIXED]),
    gone=st.floats(0.0, 1.0),
    of_the_rest=st.floats(0.0, 1.0),
    over_s=st.sampled_from([0.2, 1.0, 3.0]),  # faster than any plausible sensor is a loose plug
    boost=st.floats(60.0, 200.0),
    dt_s=st.sampled_from([0.01, 0.05, 0.1]),
)
def test_a_worse_shortfall_is_never_treated_milder(
    kind: CommandKind, gone: float, of_the_rest: float, over_s: float, boost: float, dt_s: float
) -> None:
    """More missing from the same moment on: action, retard, debt never less, ceiling never higher.

    Sample by sample, of steady spray that fails at once or over a time. (Noise is not compared: a
    deeper dip that is over says, once it is whitened, that spray is back.)
    """
    facts = of_kind(kind, channels=terms(*ESSENTIAL))
    before, n = round(3.0 / dt_s), round(6.0 / dt_s)
    rows = rows_of_pull(before + n, dt_s, boost_kpa=boost)
    full = Guard(facts).run_rows(rows)[-1, FIELD["commanded_ml_min"]]
    since_s = np.maximum(rows[:, 0] - before * dt_s, 0.0)
    failed = np.minimum(since_s / over_s, 1.0) if over_s else (since_s > 0.0).astype(np.float64)
    mild, hard = (
        Guard(facts).run_rows(
            rows_of_pull(
                before + n,
                dt_s,
                boost_kpa=boost,
                delivered_ml_min=full * (1.0 - missing * failed),
            )
        )
        for missing in (gone, gone + (1.0 - gone) * of_the_rest)
    )
    # Only a shortfall too small to be told leaves it calm enough for doubts of the rig.
    doubted = mild[:, FIELD["finding"]] == RIG_DOUBTED
    mild[doubted, FIELD["action"]] = 0.0
    for name in ("action", "retard_deg", "level_under_delivery"):
        assert np.all(hard[:, FIELD[name]] >= mild[:, FIELD[name]] - 1e-9), name
    ceiling = FIELD["boost_ceiling_kpa"]
    assert np.all(hard[:, ceiling] <= mild[:, ceiling])


@settings(max_examples=60)
@given(facts=rigs, parts=stretches, seed=st.integers(0, 1000))
def test_bad_readings_are_never_healthy(facts: Rig, parts: list[Stretch], seed: int) -> None:
    """NaN, out of range and too old are never healthy, unmapped never; all_healthy is honest."""
    rows = stream(parts, seed)
    out = Guard(facts).run_rows(rows)
    used = out[:, FIELD["late"]] == 0.0
    by_name = {t.name: t for t in facts.channels}
    essential = [CHANNEL_NAMES[c - 1] for c in essential_columns(facts)]
    for name in ALL_CHANNELS:
        healthy = out[:, FIELD[f"health_{name}"]] == HEALTHY
        if name not in by_name:
            assert not healthy.any()
            continue
        term: ChannelTerms = by_name[name]
        value = rows[:, COLUMN[name]]
        sent = value != NOT_SENT
        good = (value >= term.low) & (value <= term.high)
        assert not (healthy & used & sent & ~good).any()
        if name in essential:
            assert not ((out[:, FIELD["all_healthy"]] == 1.0) & used & ~healthy).any()


bad_reading = st.sampled_from([NAN, NOT_SENT, float("inf"), -1e4, 1e5])


@settings(max_examples=120)
@given(
    kind=st.sampled_from(list(CommandKind)),
    on_blind=st.sampled_from(list(Action)),
    blind_after_s=st.sampled_from([0.0, 0.1, 0.3, 1.0]),
    dt_s=st.sampled_from([1 / 128, 1 / 64, 0.1, 0.25]),
    lost=st.integers(0, 2),
    bad=st.lists(bad_reading, min_size=1, max_size=5),
    share=st.floats(0.0, 1.0),
)
def test_blindness_under_boost_never_stays_at_hold(
    kind: CommandKind,
    on_blind: Action,
    blind_after_s: float,
    dt_s: float,
    lost: int,
    bad: list[float],
    share: float,
) -> None:
    """An essential channel gone bad under boost: the rig's action by max_age + blind_after."""
    facts = of_kind(kind, ladder={"on_blind": on_blind, "blind_after_s": blind_after_s})
    essential = essential_columns(facts)
    column = essential[lost % len(essential)]
    name = CHANNEL_NAMES[column - 1]
    term = next(t for t in facts.channels if t.name == name)
    good, n = round(2.0 / dt_s), round(3.0 / dt_s)
    rows = rows_of_pull(good + n, dt_s, injector_duty_pct=60.0, command_pct=50.0)
    full = Guard(facts).run_rows(rows)[:, FIELD["expected_ml_min"]]
    rows[:, COLUMN["delivered_ml_min"]] = full
    rows[good:, COLUMN["delivered_ml_min"]] *= share
    rows[good:, column] = [bad[i % len(bad)] for i in range(n)]
    # The other optional channels are silent: they warn, which must not hide the blindness.
    out = Guard(facts).run_rows(rows)
    due = good + int((term.max_age_s + blind_after_s) / dt_s) + 2
    assert due < len(rows)
    assert np.all(out[due:, FIELD["action"]] >= max(on_blind, Action.WARN))
    assert np.all(out[good + int(term.max_age_s / dt_s) + 1 :, FIELD["all_healthy"]] == 0.0)


@settings(max_examples=80)
@given(
    parts=stretches,
    seed=st.integers(0, 1000),
    acknowledge=st.booleans(),
    kind=st.sampled_from(list(CommandKind)),
)
def test_a_latch_never_clears_itself(
    parts: list[Stretch], seed: int, acknowledge: bool, kind: CommandKind
) -> None:
    """Pull and cut end only after boost was known and low for its time, acknowledged where asked.

    And never step down: a cut does not ease to a pull. What the line's pressure alone pulled for is
    taken back where the flow contradicts it, and then that is told.
    """
    facts = of_kind(
        kind,
        ladder={
            "acknowledge_to_release": acknowledge,
            "release_below_kpa": 20.0,
            "release_after_s": 0.25,
        },
    )
    rows = stream(parts, seed)
    out = Guard(facts).run_rows(rows)
    action = out[:, FIELD["action"]]
    boost, pace = out[:, FIELD["boost_kpa"]], out[:, FIELD["clock_pace"]]
    doubted = np.diff(out[:, FIELD["level_line_doubted"]], prepend=0.0) > 0.0
    latched_at, asked = (0 if action[0] >= Action.PULL_TIMING else -1), False
    for i in range(1, len(rows)):
        # A hand on the button counts, even in a sample that is late.
        asked = asked or rows[i, COLUMN["operator"]] == 1.0
        if action[i - 1] >= Action.PULL_TIMING > action[i]:
            assert latched_at >= 0
            if doubted[i]:
                continue
            low_s, j = 0.0, i
            while j > latched_at and boost[j] < 20.0 and pace[j] == 1.0:
                if out[j, FIELD["late"]] == 0.0:
                    step_s = rows[j, 0] - out[j - 1, FIELD["time_s"]]
                    low_s += min(step_s, 0.5) if step_s >= 0.0 else 0.1
                j -= 1
            assert low_s >= 0.25 - 1e-9
            assert asked or not acknowledge
        elif action[i - 1] >= Action.PULL_TIMING:
            assert action[i] >= action[i - 1]
        if action[i] >= Action.PULL_TIMING > action[i - 1]:
            latched_at, asked = i, False


@settings(max_examples=60)
@given(
    kind=st.sampled_from(list(CommandKind)),
    boost=st.floats(-60.0, 240.0),
    duty=st.floats(0.0, 100.0),
    dt_s=st.sampled_from([0.001, 0.01, 0.05, 0.2]),
    gain=st.floats(0.921, 1.079),
)
def test_a_healthy_constant_stream_never_acts(
    kind: CommandKind, boost: float, duty: float, dt_s: float, gain: float
) -> None:
    """Steady spray within the gain's tolerance (8 %): no action, calm evidence, first to last."""
    facts = of_kind(kind, channels=terms(*ESSENTIAL, "injector_duty_pct", "command_pct"))
    rows = rows_of_pull(600, dt_s, boost_kpa=boost, injector_duty_pct=duty, command_pct=duty)
    settled = Guard(facts).run_rows(rows)[-1, FIELD["commanded_ml_min"]]
    rows[:, COLUMN["delivered_ml_min"]] = gain * settled
    out = Guard(facts).run_rows(rows)
    assert set(out[:, FIELD["action"]]) == {0.0}
    assert np.max(out[:, FIELD["evidence"]]) < CALM_NATS
    assert np.max(out[:, FIELD["debt_s"]]) < 0.01
    assert set(out[:, FIELD["all_healthy"]]) == {1.0}


@settings(max_examples=30)
@given(missing=st.floats(0.2, 1.0), boost=st.floats(60.0, 150.0), dt_s=st.floats(0.01, 0.1))
def test_debt_is_the_missing_volume(missing: float, boost: float, dt_s: float) -> None:
    """In a steady shortfall the debt is what is missing x time, whatever the sample rate."""
    facts = rig(ladder={"shortfall_outlasts_s": 1e9}, debt={"cut_s": inf})
    guard = Guard(facts)
    before = round(4.0 / dt_s)
    n = before + round(2.0 / dt_s)
    decisions = [
        guard.step(
            Sample(
                i * dt_s,
                boost_kpa=boost,
                commanded_ml_min=400.0,
                delivered_ml_min=400.0 * (1.0 - missing if i >= before else 1.0),
            )
        )
        for i in range(n)
    ]
    assume(decisions[before - 1].debt_ml == 0.0)
    exact = 400.0 * missing * (n - before) * dt_s / 60.0
    last = decisions[-1]
    assert last.debt_ml == pytest.approx(exact, rel=0.01)
    assert last.debt_s == pytest.approx(last.debt_ml / guard.constants.full_ml_min * 60.0)
    assert last.short_s == pytest.approx((n - before) * dt_s)
    wanted = boost / 10.0 - 5.0  # deg the spray pays for at this boost
    assert last.action == Action.PULL_TIMING
    assert abs(last.paid_deg - wanted) < 1e-9
    # The sensor's lag is put back, so of a reading that falls at once too much is held missing.
    assert wanted * missing * 1.2 - 1e-6 <= last.retard_deg < wanted * 1.2 + 0.5


def test_every_health_code_is_reached() -> None:
    """The streams of these tests do meet every state of health, so the tests above test them."""
    facts = of_kind(CommandKind.LOG_FLOW)
    stuck = tuple(replace(t, stuck_after_s=0.1) for t in facts.channels)
    moods = [Stretch(m, 60, 1 / 64, 0.0, False) for m in ("healthy", "frozen", "patchy", "silent")]
    out = Guard(replace(facts, channels=stuck)).run_rows(stream(moods, 5))
    codes = set(Decision.named(out)["health"][:, 1:].ravel())
    unmapped = Guard(rig()).decision().health[1:]
    assert codes | set(unmapped) == {0.0, 1.0, 2.0, 3.0, 4.0, 5.0}
