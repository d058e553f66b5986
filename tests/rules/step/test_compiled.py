"""Two ways to run, one answer: interpreted and compiled, whole and split, all and changes only."""

from dataclasses import dataclass, replace
from math import nan

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.channels import (
    CHANNELS,
    CLOCK_PACE,
    COMMANDED,
    DELIVERED,
    LINE,
    NOT_SENT,
    OPERATOR,
    ROW_WIDTH,
    TANK_SWITCH,
)
from rules.events import EventTracker, Turn
from rules.facts import Action, ChannelTerms, CommandKind, Limit, Rig
from rules.guard import Guard
from rules.step import compiled
from rules.step.from_rig import constants_of
from rules.step.state import MOST_CARS, N_DECISION, Decision
from tests.kit.decisions import matrix_of
from tests.kit.rigs import ALL_CHANNELS, of_kind, terms

Floats = npt.NDArray[np.float64]

# What a stretch of a stream is like. Chances are of 1 a sample (a channel, for readings).
MOODS = {
    "healthy": {},
    "pump stop": {"delivered": 0.0},
    "half": {"delivered": 0.5},
    "over": {"delivered": 2.0},
    "frozen": {"frozen": 1.0},
    "switched": {"switched": 1.0},
    "held": {"held": 1.0},
    "calm": {"calm": 1.0, "line": 900.0},
    "low line": {"calm": 1.0, "line": 300.0},
    "high line": {"calm": 1.0, "line": 1400.0},
    "patchy": {"not_sent": 0.5, "nan": 0.1, "inf": 0.05, "implausible": 0.1},
    "blind": {"nan": 0.95},
    "silent": {"not_sent": 1.0},
    "idle": {"boost": 0.0},
    "hot": {"boost": 300.0},
    "slow clock": {"pace": 1e-3, "delivered": 0.0},
    "unknown clock": {"pace": nan},
}


@dataclass(frozen=True)
class Stretch:
    """Some samples in one mood, at one pace, perhaps after a jump in time."""

    mood: str
    n: int
    dt_s: float
    jump_s: float
    acknowledged: bool
    jitter: float = 0.0


stretches = st.lists(
    st.builds(
        Stretch,
        mood=st.sampled_from(sorted(MOODS)),
        n=st.integers(1, 60),
        dt_s=st.sampled_from([0.0, 1 / 512, 1 / 64, 1 / 32, 1 / 8, 0.25, 0.01, 3.0]),
        jump_s=st.sampled_from([0.0, 0.0, 0.0, 0.5, 4.0, 50.0, -0.25, -1.0, -1.5, -1e6, 1e18]),
        acknowledged=st.booleans(),
        jitter=st.sampled_from([0.0, 0.0, 0.5]),
    ),
    min_size=1,
    max_size=8,
)


def stream(parts: list[Stretch], seed: int) -> Floats:
    """Return rows for the stretches: (n, ROW_WIDTH)."""
    random = np.random.default_rng(seed)
    rows: list[Floats] = []
    time_s, frozen, held = 0.0, 250.0, 500.0
    low = np.array([c.low for c in CHANNELS])
    high = np.array([c.high for c in CHANNELS])
    for part in parts:
        mood = MOODS[part.mood]
        time_s += part.jump_s
        for i in range(part.n):
            row = np.full(ROW_WIDTH, NOT_SENT)
            row[0] = time_s if random.random() > 0.02 else random.choice([np.nan, time_s - 0.3])
            values = low + (high - low) * random.uniform(0.0, 0.4, len(CHANNELS))
            values[1] = mood.get("boost", 150.0) + random.uniform(-5.0, 5.0)
            values[2] = random.uniform(60.0, 90.0)
            values[COMMANDED - 1] = random.choice([500.0, 480.0])
            values[DELIVERED - 1] = mood.get("delivered", 1.0) * random.uniform(450.0, 520.0)
            values[0] += 3000.0 * random.random()
            values[TANK_SWITCH - 1] = random.choice([0.0, 1.0, 0.5], p=[0.6, 0.3, 0.1])
            if "frozen" in mood:
                values[DELIVERED - 1] = frozen
                values[COMMANDED - 1] = random.choice([50.0, 600.0])
            if "switched" in mood:
                values[COMMANDED - 1] = random.choice([0.0, 500.0], p=[0.2, 0.8])
            if "calm" in mood:
                values[COMMANDED - 1] = 500.0
                values[DELIVERED - 1] = 500.0 * (1.0 + 0.03 * random.normal())
            if "line" in mood:
                values[LINE - 1] = mood["line"] * (1.0 + 0.05 * random.normal())
            if "held" in mood:
                held = values[DELIVERED - 1] if i % 9 == 0 else held
                values[DELIVERED - 1] = held
            for bad, put in (
                ("nan", np.full(len(CHANNELS), np.nan)),
                ("inf", np.full(len(CHANNELS), np.inf)),
                ("implausible", high + 1.0),
                ("not_sent", np.full(len(CHANNELS), NOT_SENT)),
            ):
                values = np.where(random.random(len(CHANNELS)) < mood.get(bad, 0.0), put, values)
            row[1 : 1 + len(CHANNELS)] = values
            row[CLOCK_PACE] = mood.get("pace", NOT_SENT)
            row[OPERATOR] = 1.0 if part.acknowledged and i == part.n // 2 else 0.0
            rows.append(row)
            time_s += part.dt_s * (1.0 + part.jitter * random.uniform(-1.0, 1.0))
    return np.array(rows)


# What of the bank can differ: no car but one, all twenty; nothing late, much; held readings.
SENSORS: tuple[dict[str, float], ...] = (
    {},
    {"delay_within_s": 0.0, "lag_within_s": 0.0},
    {"lag_s": 0.0, "lag_within_s": 0.0},
    {"refresh_s": 0.2},
    {"delay_s": 0.0, "delay_within_s": 0.0},
    {"delay_within_s": 0.0, "lag_within_s": 0.0, "refresh_s": 0.05},
    {"delay_s": 0.0, "delay_within_s": 0.0, "lag_s": 0.0, "lag_within_s": 0.0},
    {"gain_within": 0.0, "noise": 0.01, "noise_lasts_s": 0.2, "floor_ml_min": 30.0},
)
UNKNOWN = (
    *("delivered_ml_min", "boost_kpa", "tank_s", "cooling_k", "duty_boost_kpa", "line_due_kpa"),
    "charge_due_c",
)


def varied(kind: CommandKind, variant: int, minimal: bool, flow: bool = True) -> Rig:
    """Return a rig of this kind; ``variant`` 0 to 7 turns its terms, ``minimal`` drops channels.

    Without ``flow`` the line's pressure is all that feels the spray.
    """
    stuck = tuple(
        ChannelTerms(t.name, t.low, t.high, t.max_age_s, 0.1, 3000.0)
        for t in terms("delivered_ml_min", "injector_duty_pct", "line_kpa")
    )
    names = {t.name for t in stuck}
    channels = (*stuck, *terms(*(n for n in ALL_CHANNELS if n not in names)))
    limit = Limit(above=250.0, for_s=0.05, action=list(Action)[1 + variant % 3])
    facts = of_kind(
        kind,
        channels=channels,
        limits={"boost_kpa": limit, "intake_c": replace(limit, above=60.0)},
        ladder={
            "acknowledge_to_release": bool(variant & 1),
            "on_blind": list(Action)[variant % 4],
            "release_after_s": 0.25,
            "shortfall_outlasts_s": 0.5,
            "give_back_deg_s": 4.0,
        },
        watch={
            "no_command_above_kpa": 100.0,
            "tank_reserve_ml": 500.0,
            "tank_time_s": 60.0,
            "over_ml": 0.5,
        },
        flow_sensor=SENSORS[variant],
        charge_sensor={"drop_k": 10.0 * (variant % 3), "rise_k": 20.0},
    )
    if variant & 1:
        some = tuple(t for t in facts.channels if t.name != "dry_intake_c")
        facts = replace(facts, channels=some)
    if minimal:
        needed = ("boost_kpa", "delivered_ml_min", "commanded_ml_min", "command_pct")
        facts = replace(facts, channels=terms(*needed, "injector_duty_pct", *LINE_ALONE[flow]))
    if not flow:
        others = (terms for terms in facts.channels if terms.name != "delivered_ml_min")
        facts = replace(facts, channels=tuple(others))
    return facts


LINE_ALONE = {True: (), False: ("line_kpa",)}
rigs = st.builds(
    varied,
    st.sampled_from(list(CommandKind)),
    st.integers(0, 7),
    minimal=st.booleans(),
    flow=st.sampled_from([True, True, False]),
)


def stepped_compiled(facts: Rig, rows: Floats) -> Floats:
    """Return the decisions of a guard that turns to compiled code after a third of the rows."""
    guard = Guard(facts)
    decisions: list[Decision] = []
    for i, row in enumerate(rows.tolist()):
        if i == len(rows) // 3:
            guard.use_compiled()
            assert repr(guard.decision()) == repr(decisions[-1]) if decisions else True
        decisions.append(guard.step(row))
    return matrix_of(decisions)


def stepped(facts: Rig, rows: Floats) -> Floats:
    """Return the decisions of an interpreted guard, one row after the other."""
    guard = Guard(facts)
    return matrix_of(guard.step(row) for row in rows.tolist())


def test_the_rigs_have_banks_of_one_car_and_of_all() -> None:
    """The streams above meet a single car, all of them, and sensors that hold their readings."""
    made = [constants_of(varied(CommandKind.LOG_FLOW, i, True)) for i in range(len(SENSORS))]
    assert {1, MOST_CARS} <= {k.n_cars for k in made}
    assert {True, False} == {k.refresh_s > 0.0 for k in made if k.n_cars == 1}
    assert {True, False} == {k.refresh_s > 0.0 for k in made if k.n_cars > 1}


def same(a: Floats, b: Floats) -> bool:
    """Whether two tables are equal to the bit, NaN alike."""
    return a.shape == b.shape and np.array_equal(a, b, equal_nan=True)


@settings(max_examples=60)
@given(facts=rigs, parts=stretches, seed=st.integers(0, 1000), data=st.data())
def test_step_equals_run(facts: Rig, parts: list[Stretch], seed: int, data: st.DataObject) -> None:
    """Steps, interpreted and compiled, runs, split runs and mixtures agree bit for bit."""
    rows = stream(parts, seed)
    cut = data.draw(st.integers(0, len(rows)))
    live = stepped(facts, rows)
    assert live.shape == (len(rows), N_DECISION)
    assert same(Guard(facts).run_rows(rows), live)
    split = Guard(facts)
    assert same(np.vstack([split.run_rows(rows[:cut]), split.run_rows(rows[cut:])]), live)
    mixed = Guard(facts)
    first = mixed.run_rows(rows[:cut])
    rest = [mixed.step(row) for row in rows[cut:].tolist()]
    assert same(np.vstack([first, matrix_of(rest)]), live)
    assert same(matrix_of([mixed.decision()]), live[-1:])
    # What a guard remembers, too, to the bit: split is all compiled, mixed is partly.
    assert same(np.array([mixed.state()]), np.array([split.state()]))
    assert same(stepped_compiled(facts, rows), live)
    both = Guard(facts)
    both.use_compiled()
    first = both.run_rows(rows[:cut])
    rest = [both.step(row) for row in rows[cut:].tolist()]
    assert same(np.vstack([first, matrix_of(rest)]), live)


@settings(max_examples=40)
@given(facts=rigs, parts=stretches, seed=st.integers(0, 1000))
def test_changes_are_the_changed_rows(facts: Rig, parts: list[Stretch], seed: int) -> None:
    """run_changes returns exactly the rows that changed something, and columns of every row.

    Every other row has the action, retard, finding, levels and health of the row before.
    """
    rows = stream(parts, seed)
    every = Guard(facts).run_rows(rows)
    fields = Decision.names()
    columns = [fields.index("evidence"), fields.index("late")]
    where, changed, of_all = Guard(facts).run_changes(rows, columns)
    assert same(of_all, every[:, columns].T)
    flag = fields.index("changed")
    assert where.tolist() == np.flatnonzero(every[:, flag]).tolist()
    assert same(changed, every[where])
    telling = [
        i
        for i, name in enumerate(fields)
        if name in ("action", "finding", "retard_deg", "boost_ceiling_kpa")
        or name.startswith(("level_", "health_"))
    ]
    before = np.vstack([matrix_of([Guard(facts).decision()]), every[:-1]])
    moved = (every[:, telling] != before[:, telling]).any(axis=1)
    assert not np.any(moved & (every[:, flag] == 0.0))


@settings(max_examples=40)
@given(facts=rigs, parts=stretches, seed=st.integers(0, 1000))
def test_events_need_only_the_changes(facts: Rig, parts: list[Stretch], seed: int) -> None:
    """A tracker fed with the changed decisions alone reports the same events, figures and all."""
    rows = stream(parts, seed)
    decisions = [Decision.of_flat(row) for row in Guard(facts).run_rows(rows).tolist()]

    def events(fed: list[Decision]) -> list[object]:
        tracker = EventTracker(facts)
        told: list[tuple[Turn, object]] = []
        seen = []
        for decision in fed:
            for turn, event in tracker.feed(decision):
                told.append((turn, event.finding))
                if turn is Turn.RAISED:
                    seen.append(event)
        tracker.finish(decisions[-1])
        return [*told, *seen]

    assert events([d for d in decisions if d.changed]) == events(decisions)


@settings(max_examples=25)
@given(facts=rigs, parts=stretches, seed=st.integers(0, 1000))
def test_same_stream_same_decisions(facts: Rig, parts: list[Stretch], seed: int) -> None:
    """Two guards on the same stream decide alike."""
    rows = stream(parts, seed)
    once = Guard(facts).run_rows(rows)
    assert same(Guard(facts).run_rows(rows.copy()), once)


@settings(max_examples=40)
@given(
    facts=rigs,
    parts=stretches.map(lambda ps: [replace(p, dt_s=1 / 64, jump_s=0.0, jitter=0.0) for p in ps]),
    seed=st.integers(0, 1000),
    shift_s=st.integers(-(2**24), 2**24),
)
def test_time_shift_changes_nothing(
    facts: Rig, parts: list[Stretch], seed: int, shift_s: int
) -> None:
    """The same stream at another time is decided alike (times and shift exact in binary)."""
    rows = stream(parts, seed)
    rows[:, 0] = np.round(rows[:, 0] * 64.0) / 64.0
    later = rows.copy()
    later[:, 0] += float(shift_s)
    a, b = Guard(facts).run_rows(rows), Guard(facts).run_rows(later)
    assert same(a[:, 1:], b[:, 1:])
    used = np.cumsum(np.isfinite(rows[:, 0])) > 0  # before the first time there is none to shift
    assert same(a[used, 0] + shift_s, b[used, 0])


def test_read_only_rows_are_the_same_to_numba(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows out of an Arrow file may not be written to; nothing is compiled anew for that."""
    monkeypatch.setattr(Guard, "machine_code", None)
    facts = of_kind(CommandKind.LOG_FLOW)
    rows = stream([Stretch("pump stop", 20, 0.01, 0.0, False)], 1)
    expected = Guard(facts).run_rows(rows)
    known = list(compiled.run_all.signatures)
    rows.setflags(write=False)
    assert same(Guard(facts).run_rows(rows), expected)
    assert list(compiled.run_all.signatures) == known


def test_long_soak_stays_finite() -> None:
    """A hundred thousand samples of everything: no NaN but where a reading is unknown."""
    moods = [Stretch(m, 500, 1 / 64, j, True) for m in sorted(MOODS) for j in (0.0, -1e6, 1e18)]
    rows = stream(moods, 1)
    actions: set[float] = set()
    for kind in CommandKind:
        guard = Guard(varied(kind, 3, False))
        out = np.vstack([guard.run_rows(rows) for _ in range(2)])
        unknown = [Decision.names().index(n) for n in UNKNOWN]
        finite = np.delete(out, [*unknown, Decision.names().index("boost_ceiling_kpa")], axis=1)
        assert np.isfinite(finite).all()
        actions |= set(out[:, Decision.names().index("action")])
        assert {0.0, 3.0} <= actions
    assert actions >= {0.0, 1.0, 3.0}
