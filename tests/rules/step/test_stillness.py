"""Readings that stand still: a frozen sensor, a frozen logger, and what living ones honestly do."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.channels import COLUMN_OF, NOT_SENT, ROW_NAMES, ROW_WIDTH
from rules.explain import explain, status
from rules.facts import Action, CommandKind, Rig
from rules.guard import Guard
from rules.step.state import HEALTHY, SIGNAL_LOST, STUCK, Decision, State
from tests.kit.decisions import altered, matrix_of
from tests.kit.rigs import rig, terms

FIELD = {name: i for i, name in enumerate(Decision.names())}
COLUMN = {name: i for i, name in enumerate(ROW_NAMES)}
FLOW, BOOST = "delivered_ml_min", "boost_kpa"
AFTER_S = {FLOW: 0.5, BOOST: 3.0}
NAMES = (BOOST, FLOW, "injector_duty_pct", "engine_speed_rpm")
Columns = dict[str, Any]


def facts(kind: CommandKind = CommandKind.FIXED, **watch: float) -> Rig:
    """Return a rig with a fixed command of 500 mL/min whose flow and boost must not stand still."""
    return rig(
        command={"kind": kind, "rate_ml_min": 500.0},
        channels=tuple(t for name in NAMES for t in terms(name, **_still(name))),
        watch={"contradicted_share": 100.0, **watch},
    )


def _still(name: str) -> dict[str, float]:
    return {"stuck_after_s": AFTER_S[name]} if name in AFTER_S else {}


def pull(for_s: float, hz: float = 100.0, seed: int = 1) -> Columns:
    """Return a living pull at 150 kPa: flow with 3.5 % noise over 50 ms, boost with 0.7 kPa."""
    n = round(for_s * hz)
    rng = np.random.default_rng(seed)
    time_s = np.arange(n) / hz
    kept = np.exp(-1.0 / (hz * 0.05))
    noise = np.zeros(n)
    for i, draw in enumerate(rng.normal(size=n)):
        noise[i] = kept * noise[i - 1] + np.sqrt(1.0 - kept * kept) * draw
    return {
        "time_s": time_s,
        BOOST: 150.0 + 0.7 * rng.normal(size=n),
        FLOW: 500.0 * (1.0 + 0.035 * noise),
        "injector_duty_pct": 60.0 + 0.1 * rng.normal(size=n),
        "engine_speed_rpm": 4000.0 + 5.0 * rng.normal(size=n),
    }


def rows_of(columns: Columns) -> Any:
    """Return a matrix of samples."""
    rows = np.full((len(columns["time_s"]), ROW_WIDTH), NOT_SENT)
    rows[:, COLUMN["operator"]] = 0.0
    for name, values in columns.items():
        rows[:, COLUMN[name]] = values
    return rows


def decide(columns: Columns, by: Rig | None = None) -> Any:
    """Return the decisions, one row each."""
    return Guard(by or facts()).run_rows(rows_of(columns))


def frozen(columns: Columns, names: tuple[str, ...], at_s: float) -> Columns:
    """Return the columns with some of them standing still from a time on."""
    out = {name: values.copy() for name, values in columns.items()}
    at = int(np.searchsorted(columns["time_s"], at_s))
    for name in names:
        out[name][at:] = out[name][at]
    return out


def health(decisions: Any, name: str) -> Any:
    """Return a channel's health codes."""
    return decisions[:, FIELD[f"health_{name}"]]


@pytest.mark.parametrize("hz", [10.0, 20.0, 50.0, 100.0])
@pytest.mark.parametrize("moving", [False, True])
def test_a_frozen_flow_is_found_within_a_second_beside_a_fixed_command(
    hz: float, moving: bool
) -> None:
    """Nothing else need move: the action is there within 1 s, in steady and in moving throttle."""
    columns = pull(8.0, hz)
    if moving:
        columns[BOOST] = columns[BOOST] + 40.0 * np.sin(3.0 * columns["time_s"])
        columns["engine_speed_rpm"] = columns["engine_speed_rpm"] + 200.0 * columns["time_s"]
    out = decide(frozen(columns, (FLOW,), 4.0))
    time_s = columns["time_s"]
    assert (out[time_s < 4.0, FIELD["action"]] == 0.0).all()
    found = health(out, FLOW) == STUCK
    assert 4.4 < time_s[found][0] <= 4.8
    assert found[time_s > 4.8].all()
    acted = time_s[out[:, FIELD["action"]] == Action.CUT_BOOST]
    assert acted[0] <= 5.0 + 1.5 / hz
    assert (out[time_s > 4.8, FIELD["all_healthy"]] == 0.0).all()
    assert np.isnan(out[-1, FIELD[FLOW]])  # frozen flow must not pass for spray


def test_a_frozen_boost_is_found_though_nothing_else_moves() -> None:
    """Boost that stands still under boost for its own time is stuck, at a steady engine speed."""
    columns = pull(10.0)
    columns["engine_speed_rpm"][:] = 4000.0
    out = decide(frozen(columns, (BOOST,), 4.0))
    at_s = columns["time_s"][health(out, BOOST) == STUCK][0]
    assert 7.0 < at_s < 7.1
    assert out[-1, FIELD["action"]] == Action.CUT_BOOST


def test_a_logger_that_repeats_itself_is_told_in_plain_words() -> None:
    """All channels the same while time runs: after half a second nothing is healthy any more."""
    columns = frozen(pull(8.0), NAMES, 4.0)
    columns[FLOW][400:] = 0.0  # not even where the flow's own stand-still time says nothing
    guard = Guard(facts())
    decisions = [guard.step(row) for row in rows_of(columns).tolist()]
    lost = next(i for i, d in enumerate(decisions) if d.all_healthy == 0.0)
    assert columns["time_s"][lost] == pytest.approx(4.5, abs=0.06)
    assert {d.all_healthy for d in decisions[lost:]} == {0.0}
    for name in NAMES:
        assert decisions[-1].health[COLUMN_OF[name]] == STUCK
    raised = next(d for d in decisions if d.level[SIGNAL_LOST] >= Action.CUT_BOOST)
    text = explain(guard.rig, SIGNAL_LOST, raised)
    assert text.startswith("The logger repeats itself: no channel has had a new value for more ")
    assert "the last boost was 150 kPa" in text
    mild = altered(guard.decision(), action=0.0)
    assert "the logger repeats itself, so the spray is not being judged" in status(guard.rig, mild)


def test_one_new_value_shows_that_the_logger_lives() -> None:
    """The first row with news heals every channel at once; what is latched stays latched."""
    columns = frozen(pull(8.0), NAMES, 4.0)
    columns["engine_speed_rpm"][600:] += 1.0
    columns["engine_speed_rpm"][605:] += 1.0
    out = decide(columns)
    assert health(out, "engine_speed_rpm")[599] == STUCK
    assert health(out, "engine_speed_rpm")[600] == HEALTHY
    assert health(out, "injector_duty_pct")[600] == HEALTHY
    assert health(out, FLOW)[600] == STUCK  # by its own time
    assert out[600, FIELD["changed"]] == 1.0
    assert (out[540:600, FIELD["changed"]] == 0.0).all()


def test_a_rig_of_which_only_some_channels_come_is_judged_by_those() -> None:
    """Channels that never came can't show that the logger lives, nor that it does not."""
    columns = frozen(pull(8.0), NAMES, 4.0)
    few = {name: columns[name] for name in ("time_s", BOOST, FLOW)}
    out = decide(few)
    assert health(out, BOOST)[470] == STUCK
    assert (out[470:, FIELD["all_healthy"]] == 0.0).all()
    alive = {name: pull(8.0)[name] for name in ("time_s", BOOST, FLOW)}
    assert (health(decide(alive), BOOST) == HEALTHY).all()


def off_boost(for_s: float, speed_rpm: float) -> Columns:
    """Return a drive in which every channel stands still below the onset."""
    columns = {name: np.full_like(values, values[0]) for name, values in pull(for_s).items()}
    columns["time_s"] = pull(for_s)["time_s"]
    columns[BOOST][:] = -30.0
    columns[FLOW][:] = 0.0
    columns["engine_speed_rpm"][:] = speed_rpm
    return columns


def test_boost_and_flow_that_stand_still_in_cruise_or_at_idle_are_honest() -> None:
    """Below the onset a minute of the same boost proves nothing; nor all if the engine stands."""
    cruising = {**off_boost(60.0, 2000.0), "engine_speed_rpm": pull(60.0)["engine_speed_rpm"]}
    for columns in (cruising, off_boost(60.0, 0.0)):
        out = decide(columns)
        assert (out[1:, FIELD["all_healthy"]] == 1.0).all()
        assert (out[:, FIELD["action"]] == 0.0).all()


def test_a_logger_that_hangs_off_boost_is_found_while_the_engine_turns() -> None:
    """No channel of a turning engine has news for four times as long: what it does is unknown."""
    out = decide(off_boost(6.0, 2000.0))
    ill_s = pull(6.0)["time_s"][(out[:, FIELD["all_healthy"]] == 0.0) & (np.arange(600) > 10)]
    assert ill_s[0] == pytest.approx(2.0, abs=0.03)
    assert out[-1, FIELD["action"]] == Action.CUT_BOOST


@pytest.mark.parametrize("cruise_kpa", [-60.0, -0.3, 0.0, 0.3, 5.0])
@pytest.mark.parametrize("boost_unit", [0.0, 1.0, 6.9])
def test_a_logger_that_hangs_in_cruise_is_found_at_any_boost(
    cruise_kpa: float, boost_unit: float
) -> None:
    """However near to nought boost is, and however coarse it reads."""
    columns = pull(30.0)
    columns[BOOST] += cruise_kpa - 150.0
    if boost_unit:
        columns[BOOST] = stepped(columns[BOOST], boost_unit)
    columns[FLOW][:] = 0.0
    out = decide(frozen(columns, NAMES, 25.0))
    assert (out[2710:, FIELD["all_healthy"]] == 0.0).all()
    assert (out[10:2500, FIELD["all_healthy"]] == 1.0).all()


@pytest.mark.parametrize(("boost_unit", "flow_unit"), [(5.0, 5.0), (6.9, 20.0)])
def test_a_logger_that_hangs_is_found_by_what_else_moved(
    boost_unit: float, flow_unit: float
) -> None:
    """Coarse boost and flow excuse nothing where other channels moved in every row."""
    columns = pull(8.0)
    columns[BOOST] = stepped(columns[BOOST], boost_unit)
    columns[FLOW] = stepped(columns[FLOW], flow_unit)
    out = decide(frozen(columns, NAMES, 4.0))
    ill_s = columns["time_s"][400:][out[400:, FIELD["all_healthy"]] == 0.0]
    assert ill_s[0] == pytest.approx(4.5, abs=0.06)


def test_no_flow_is_judged_by_the_debt_not_called_stuck() -> None:
    """A reading of exactly nil is a stopped pump: the debt acts, sooner than blindness would."""
    columns = pull(6.0)
    columns[FLOW][300:] = 0.0
    out = decide(columns)
    assert (health(out, FLOW) == HEALTHY).all()
    acted = columns["time_s"][out[:, FIELD["level_under_delivery"]] >= Action.PULL_TIMING]
    assert acted[0] < 3.3


def test_silence_is_not_standing_still() -> None:
    """A flow that comes back with its old value after a gap was stale, and is not stuck."""
    rows = rows_of(frozen(pull(8.0), (FLOW,), 4.0))
    rows[410:600, 1 : COLUMN["operator"]] = NOT_SENT
    out = Guard(facts()).run_rows(rows)
    assert (out[450:599, FIELD["all_healthy"]] == 0.0).all()
    assert health(out, FLOW)[600] == HEALTHY
    assert (out[:, FIELD[f"health_{FLOW}"]] != STUCK)[:630].all()


def stepped(values: Any, unit: float) -> Any:
    """Return readings in coarse steps."""
    return np.floor(values / unit + 0.5) * unit


def held(values: Any, time_s: Any, every_s: float) -> Any:
    """Return readings of a sensor that is read seldom and repeats itself in between."""
    at = np.searchsorted(time_s, np.floor(time_s / every_s + 1e-6) * every_s - 1e-6)
    return values[at]


@pytest.mark.parametrize("hz", [10.0, 20.0, 50.0, 100.0])
@pytest.mark.parametrize(
    ("flow_unit", "boost_unit"), [(1.0, 0.1), (10.0, 1.0), (32.0, 1.57), (47.0, 3.0)]
)
@pytest.mark.parametrize("every_s", [0.0, 0.2])
def test_a_coarse_or_slow_sensor_that_lives_is_never_stuck(
    hz: float, flow_unit: float, boost_unit: float, every_s: float
) -> None:
    """Steps of up to 32 to a range and five updates a second: two minutes of a pull, all healthy.

    The pull begins as pulls do, with a flow that rises, so that its steps can be known.
    """
    columns = pull(120.0, hz, seed=3)
    time_s = columns["time_s"]
    rise = np.clip(time_s / 1.0, 0.0, 1.0)
    columns[BOOST] = stepped(columns[BOOST] * rise, boost_unit)
    columns[FLOW] = stepped(columns[FLOW] * rise * (columns[BOOST] > 50.0), flow_unit)
    columns["injector_duty_pct"] = stepped(columns["injector_duty_pct"] * rise, 4.0)
    columns["engine_speed_rpm"] = stepped(columns["engine_speed_rpm"], 100.0)
    if every_s:
        for name in NAMES:
            columns[name] = held(columns[name], time_s, every_s)
    out = decide(columns)
    for name in NAMES:
        assert (health(out, name) != STUCK).all(), name


def test_a_coarse_reading_is_found_frozen_too_only_later() -> None:
    """Steps of 10 in 500 mL/min (2 %) give five times the time of a fine reading, no more."""
    columns = pull(12.0)
    columns[FLOW] = stepped(columns[FLOW], 10.0)
    out = decide(frozen(columns, (FLOW,), 6.0))
    assert 8.0 < columns["time_s"][health(out, FLOW) == STUCK][0] < 9.5


@settings(max_examples=40)
@given(
    hz=st.sampled_from([10.0, 20.0, 50.0, 100.0]),
    name=st.sampled_from([BOOST, FLOW, None]),
    seed=st.integers(0, 1000),
    at_s=st.floats(3.0, 6.0),
    onset=st.sampled_from([CommandKind.FIXED, CommandKind.BOOST]),
)
def test_what_freezes_under_boost_is_never_healthy_after_its_time(
    hz: float, name: str | None, seed: int, at_s: float, onset: CommandKind
) -> None:
    """Boost, flow or everything, frozen for ever at any moment: found in time, and for ever."""
    columns = frozen(pull(14.0, hz, seed), NAMES if name is None else (name,), at_s)
    out = decide(columns, facts(onset))
    late = columns["time_s"] > at_s + 1.5 * AFTER_S[name or FLOW] + 3.0 / hz
    assert (out[late, FIELD["all_healthy"]] == 0.0).all()
    assert (out[late, FIELD["level_signal_lost"]] >= Action.WARN)[-1]


@settings(max_examples=60)
@given(
    hz=st.sampled_from([10.0, 20.0, 50.0, 100.0]),
    unit=st.floats(0.01, 30.0),
    level=st.floats(100.0, 600.0),
    steps=st.lists(st.integers(-3, 3).filter(bool), min_size=4, max_size=12),
    every_s=st.floats(0.02, 0.5),
)
def test_readings_that_move_in_time_are_never_frozen(
    hz: float, unit: float, level: float, steps: list[int], every_s: float
) -> None:
    """However coarse, shifted or slow: what takes a new value within its time is not stuck."""
    columns = pull(8.0, hz)
    time_s = columns["time_s"]
    turn = np.floor(time_s / max(np.floor(every_s * hz), 1.0) * hz + 1e-6).astype(int)
    walk = np.cumsum(np.resize([*steps, *(-step for step in steps)], turn[-1] + 1))
    columns[FLOW] = level + unit * walk[turn] - unit * walk.min()
    columns[BOOST] = 60.0 + unit * (walk[turn] - walk.min())
    out = decide(columns)
    for name in (BOOST, FLOW):
        assert (health(out, name) != STUCK).all()


def test_freezing_and_healing_is_the_same_compiled_to_the_last_bit() -> None:
    """Frozen, coarse, slow and living rows, interpreted and compiled, agree in every bit."""
    columns = frozen(pull(4.0), NAMES, 2.0)
    for name in NAMES:
        columns[name][350:] += 1.0 + np.arange(50)
    columns[FLOW] = stepped(columns[FLOW], 7.0)
    rows = rows_of(columns)
    guard, twin = Guard(facts()), Guard(facts())
    live = matrix_of(guard.step(row) for row in rows.tolist())
    assert np.array_equal(live, twin.run_rows(rows), equal_nan=True)
    assert guard.state() == pytest.approx(twin.state(), abs=0.0, nan_ok=True)
    assert {0.0, 1.0} == {float(v) for v in live[:, FIELD["all_healthy"]]}
    assert State.of_flat(guard.state()).frozen == 0.0
