"""Cause ranking: every cause's signature, honest doubt, and what must never break it."""

from collections.abc import Callable
from math import exp, sin
from typing import Any, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.causes.averages import Average, Level
from rules.causes.known import CAUSE_NAMES, CAUSES, HEALTHY_LOOKS, NONE_OF_THESE, NOTHING_WRONG
from rules.causes.ranking import Cause, CauseRanker, chance
from rules.causes.readings import Readings
from rules.causes.signatures import SIGNATURE_BY_NAME, SIGNATURE_NAMES, SIGNATURES
from rules.channels import CHANNELS, DELIVERED, TANK, Sample
from rules.facts import CommandKind
from rules.guard import Guard
from rules.step.state import ABSENT, HEALTHY, IMPLAUSIBLE, STALE, STUCK, Decision
from tests.bench.causes import (
    CASES,
)
from tests.kit.decisions import altered
from tests.kit.rigs import of_kind, terms

MIX = {"fluid_kg_m3": 926.0, "methanol_mass_pct": 44.2}
RIG: Final = of_kind(CommandKind.BOOST, spray=MIX)
BOOST_KPA: Final = 160.0
_BLANK: Final = altered(
    Guard(RIG).decision(),
    **{f"health_{channel.name}": HEALTHY for channel in CHANNELS},
    all_healthy=1.0,
    late=0.0,
)
FULL_ML_MIN: Final = Guard(RIG).step(Sample(0.0, boost_kpa=BOOST_KPA)).commanded_ml_min
DRY_C: Final = 60.0
# The rest are of cars without a flow sensor: tests/simulator/test_causes_on_cars.py.
BY_FLOW: Final = {name for name, known in CAUSES.items() if known.of_witness in (0, DELIVERED)}
Changes = Callable[[float], dict[str, float]]


def reading(time_s: float, share: float = 1.0, missing: float = 0.0, **changes: float) -> Decision:
    """Return a decision at full boost, flow a share of what is due, some of it missing.

    Noise of 3 % rides on the flow; the engine feels ``missing``, the sensor shows ``share``.
    """
    flow = FULL_ML_MIN * share * (1.0 + 0.03 * sin(90.0 * time_s) + 0.02 * sin(37.0 * time_s))
    values = {
        "value_boost_kpa": BOOST_KPA,
        "value_engine_speed_rpm": 5000.0,
        "value_injector_duty_pct": 70.0,
        "value_delivered_ml_min": flow,
        "value_commanded_ml_min": FULL_ML_MIN,
        "value_line_kpa": 1000.0,
        "value_supply_v": 13.4,
        "value_tank_ml": 4000.0 - FULL_ML_MIN / 60.0 * (1.0 - missing) * time_s,
        "value_dry_intake_c": DRY_C,
        "value_intake_c": DRY_C - 30.0 * (1.0 - missing),
        "value_lambda_ratio": 1.0 / (1.12 + 0.13 * (1.0 - missing)),
        "value_knock": 2.5 * missing,
    } | changes
    fields: dict[str, float] = {
        "time_s": time_s,
        "clock_s": time_s,
        "commanded_ml_min": FULL_ML_MIN,
        "expected_ml_min": FULL_ML_MIN,
        "boost_kpa": BOOST_KPA,
        "delivered_ml_min": values["value_delivered_ml_min"],
    }
    return altered(_BLANK, **(fields | values))


def feed(ranker: CauseRanker, decisions: list[Decision], **changes: Any) -> None:
    """Feed decisions, with fields replaced."""
    for decision in decisions:
        ranker.feed(altered(decision, **changes))


def story(fault: Changes | None, for_s: float = 1.5) -> list[Decision]:
    """Return two idle seconds, three healthy ones in boost, then a fault (time since its onset)."""
    idle = {"expected_ml_min": 0.0, "commanded_ml_min": 0.0, "boost_kpa": -60.0}
    decisions = [altered(reading(0.01 * i, 0.0), **idle, value_boost_kpa=-60.0) for i in range(200)]
    decisions += [reading(0.01 * i) for i in range(200, 500)]
    if fault is not None:
        for i in range(500, 500 + round(100.0 * for_s)):
            decisions.append(reading(0.01 * i, **fault(0.01 * (i - 500))))
    return decisions


def ranked(fault: Changes | None, **changes: Any) -> tuple[Cause, ...]:
    """Return the ranking after a story."""
    ranker = CauseRanker(RIG)
    feed(ranker, story(fault), **changes)
    return ranker.rank()


def falls_to(left: float) -> Changes:
    """Flow and what the engine gets fall through the sensor's lag; pressure follows."""

    def at(t: float) -> dict[str, float]:
        share = left + (1.0 - left) * exp(-t / 0.1)
        return {"share": share, "missing": 1.0 - share, "value_line_kpa": 200.0 + 800.0 * left}

    return at


def with_line(left: float, line_kpa: float, **more: float) -> Changes:
    """Return the same with another line pressure, and whatever else."""
    return lambda t: falls_to(left)(t) | {"value_line_kpa": line_kpa} | more


def leaking_tank(left: float, line_kpa: float, rate_ml_s: float) -> Changes:
    """Return the same with a tank that falls faster than the flow says."""
    return lambda t: (
        with_line(left, line_kpa)(t) | {"value_tank_ml": reading(5.0).value[TANK] - rate_ml_s * t}
    )


def rippling(t: float) -> dict[str, float]:
    """Flow in slugs."""
    share = 0.6 * (1.0 + 0.3 * sin(34.0 * t))
    return {"share": share, "missing": 0.4, "value_line_kpa": 650.0}


FAULTS: Final[dict[str, Changes | None]] = {
    NOTHING_WRONG: None,
    "pump": with_line(0.5, 400.0),
    "supply_low": with_line(0.6, 550.0, value_supply_v=9.6),
    "clog": with_line(0.6, 1060.0),
    "split_before_sensor": leaking_tank(0.6, 500.0, 35.0),
    "split_after_sensor": lambda t: {"share": 2.0, "missing": 0.4, "value_line_kpa": 500.0},
    "air_or_empty": rippling,
    "controller_silent": with_line(0.0, 0.0, value_commanded_ml_min=0.0),
    "sensor_drift": lambda t: {"share": 0.65},
    "sensor_stuck": lambda t: {"value_delivered_ml_min": 700.0},
    "sensor_dead": lambda t: {"value_delivered_ml_min": 0.0},
    "wrong_mix": lambda t: {
        "value_intake_c": DRY_C - 22.0,
        "value_lambda_ratio": 1.0 / (1.12 + 0.13 * 0.2),
    },
}


@pytest.mark.parametrize("name", FAULTS)
def test_each_cause_has_its_signature(name: str) -> None:
    """Hand-made readings of a cause put it first, with numbers as evidence and a thing to check."""
    first = ranked(FAULTS[name])[0]
    assert first.name == name
    assert first.likelihood > 0.4
    assert first.label == CAUSES[name].label
    assert len(first.check_first) > 5
    assert len(first.evidence) >= 1
    assert (
        name == NOTHING_WRONG
        or any(c.isdigit() for s in first.evidence for c in s)
        or ("faster than fluid can" in " ".join(first.evidence))
    )


def test_flow_without_command_is_a_valve_or_a_siphon() -> None:
    """Flow at closed throttle with nothing commanded, though the pull itself is healthy."""
    ranker = CauseRanker(RIG)
    for decision in story(None):
        drips = decision.expected_ml_min == 0.0
        flow = 120.0 + 5.0 * sin(91.0 * decision.time_s)
        ranker.feed(altered(decision, value_delivered_ml_min=flow) if drips else decision)
    first = ranker.rank()[0]
    assert first.name == "valve_or_siphon"
    assert any("without command" in sentence for sentence in first.evidence)


def test_every_cause_is_covered() -> None:
    """Each cause but none-of-these has a signature test, a bench case and a whole table."""
    assert {*FAULTS, "valve_or_siphon", NONE_OF_THESE} == BY_FLOW
    assert {*CASES, NONE_OF_THESE} == BY_FLOW
    assert set(HEALTHY_LOOKS) == set(SIGNATURE_NAMES)
    for name in CAUSE_NAMES:
        assert set(CAUSES[name].looks) <= set(SIGNATURE_NAMES)
        for signature in SIGNATURES:
            chances = chance(name, signature)
            assert len(chances) == len(signature.states) == len(signature.sentences)
            assert sum(chances) == pytest.approx(1.0)
            assert min(chances) >= 0.01


@pytest.mark.parametrize("signature", SIGNATURES, ids=lambda s: str(s.name))
def test_states_share_a_reading_between_them(signature: Any) -> None:
    """Shares sum to 1, lie far to one side at the ends, and every sentence can be said."""
    for x in (-1e9, -1.0, 0.0, 0.9, 1.0, 1.1, 5.0, 1e9):
        shares = signature.membership(x)
        assert sum(shares) == pytest.approx(1.0)
        assert all(0.0 <= share <= 1.0 for share in shares)
    assert signature.membership(-1e9)[0] == pytest.approx(1.0)
    assert signature.membership(1e9)[-1] == pytest.approx(1.0)
    assert all("{" not in signature.say(i, 0.5) for i in range(len(signature.states)))


def test_without_line_pressure_pump_and_clog_cannot_be_told_apart() -> None:
    """The ranking says so, names both and names the channel that would tell; with it, no doubt."""
    ranker = CauseRanker(RIG)
    feed(ranker, story(FAULTS["clog"]))
    sure = ranker.rank()
    assert sure[0].name == "clog"
    assert sure[0].cannot_tell == ()
    unsure = ranker.rank(("line_kpa",))
    assert {cause.name for cause in unsure[:2]} == {"pump", "clog"}
    doubts = [d for d in unsure[0].cannot_tell if {"pump", "clog"} <= set(d.causes)]
    assert len(doubts) == 1
    assert doubts[0].channels == ("line_kpa",)
    assert "can't tell these apart without line pressure" in doubts[0].sentence
    assert "pump weak or stopped" in doubts[0].sentence


def test_where_every_channel_is_there_doubt_names_none() -> None:
    """A worn pump and a split ahead of the sensor that hardly drains look alike with everything."""
    first = ranked(leaking_tank(0.6, 500.0, 21.0))[0]
    assert any(
        {"pump", "split_before_sensor"} <= set(doubt.causes) and doubt.channels == ()
        for doubt in first.cannot_tell
    )
    assert "by what the sensors show" in first.cannot_tell[0].sentence


def test_a_line_that_comes_off_reads_high_and_not_absent() -> None:
    """A reading on its way past the plausible range counts as high; one that only jumps doesn't."""
    faulty = story(with_line(1.0, 600.0, missing=0.4))
    high, jumped = CauseRanker(RIG), CauseRanker(RIG)
    for decision in faulty:
        seen = decision
        if decision.time_s > 5.0:
            seen = altered(decision, health_delivered_ml_min=IMPLAUSIBLE)
        jumped.feed(seen)
        if decision.time_s > 5.0:
            seen = altered(seen, value_delivered_ml_min=1.8 * FULL_ML_MIN)
        high.feed(seen)
    first = high.rank()[0]
    assert first.name == "split_after_sensor"
    assert "flow 180 % of what is due" in " ".join(first.evidence)
    assert not jumped.readings.available(SIGNATURE_BY_NAME["flow"])
    assert jumped.rank()[0].name != "split_after_sensor"


def test_a_logged_percentage_shows_the_controller_where_no_flow_is_logged() -> None:
    """A silent controller is named by its percentage; without it the ranking can't tell."""
    names = tuple(c.name for c in CHANNELS if c.name != "commanded_ml_min")
    ranker = CauseRanker(of_kind(CommandKind.BOOST, spray=MIX, channels=terms(*names)))
    for decision in story(lambda t: falls_to(0.0)(t) | {"value_line_kpa": 700.0}):
        silent = decision.time_s > 5.0
        ranker.feed(
            altered(
                decision,
                health_commanded_ml_min=ABSENT,
                value_command_pct=0.0 if silent else 100.0,
                boost_kpa=RIG.command.full_boost_kpa if decision.boost_kpa > 0.0 else -60.0,
            )
        )
    assert ranker.rank()[0].name == "controller_silent"
    assert any("0 % of what boost calls for" in said for said in ranker.rank()[0].evidence)
    bare = ranker.rank(("command_pct",))
    doubts = [doubt for cause in bare for doubt in cause.cannot_tell]
    assert any(
        {"controller_silent", "pump"} <= set(doubt.causes) and doubt.channels == ("command_pct",)
        for doubt in doubts
    )


def test_taking_a_channel_as_missing_is_as_if_it_were() -> None:
    """``without`` says what a ranker without that channel would say."""
    faulty = story(FAULTS["pump"])
    ranker, bare = CauseRanker(RIG), CauseRanker(RIG)
    feed(ranker, faulty)
    feed(bare, faulty, health_line_kpa=ABSENT, value_line_kpa=0.0)
    assert ranker.rank(("line_kpa",)) == bare.rank()
    assert ranker.rank() != bare.rank()


def test_nothing_seen_says_nothing() -> None:
    """Before any spray the answer is none of these, for want of evidence."""
    first = CauseRanker(RIG).rank()[0]
    assert (first.name, first.likelihood) == (NONE_OF_THESE, 1.0)
    assert first.evidence == ("no spray under boost seen yet",)
    assert first.cannot_tell == ()


def test_readings_that_fit_nothing_are_none_of_these() -> None:
    """Contradictory readings end up with none of these ahead of every single cause."""

    def odd(t: float) -> dict[str, float]:
        return {
            "share": 2.0 * (1.0 + 0.4 * sin(34.0 * t)),
            "value_line_kpa": 1100.0,
            "value_supply_v": 9.0,
            "value_commanded_ml_min": 0.0,
            "value_knock": 5.0,
            "value_lambda_ratio": 0.7,
        }

    assert ranked(odd)[0].name == NONE_OF_THESE


def test_the_ranking_is_sorted_whole_and_sums_to_one() -> None:
    """Every cause is in it once, likeliest first."""
    ranking = ranked(FAULTS["pump"])
    assert {cause.name for cause in ranking} == BY_FLOW
    assert len(ranking) == len(BY_FLOW)
    likelihoods = [cause.likelihood for cause in ranking]
    assert likelihoods == sorted(likelihoods, reverse=True)
    assert sum(likelihoods) == pytest.approx(1.0)


def test_same_decisions_same_ranking_and_asking_changes_nothing() -> None:
    """Deterministic; ranking in between is without effect, and so are late decisions."""
    one, two = CauseRanker(RIG), CauseRanker(RIG)
    for i, decision in enumerate(story(FAULTS["air_or_empty"])):
        one.feed(decision)
        two.feed(decision)
        if i % 20 == 0:
            two.rank()
            two.feed(altered(decision, late=1.0, value_delivered_ml_min=0.0))
            two.feed(altered(decision, value_delivered_ml_min=5.0))  # no newer than the last
    assert one.rank() == two.rank()


def cells(thing: Any) -> int:
    """Return how many values an object holds, all the way down."""
    if isinstance(thing, dict):
        return sum(cells(value) for value in thing.values())
    if isinstance(thing, list | tuple | set):
        return sum(cells(value) for value in thing)
    if isinstance(thing, Readings):
        return cells(vars(thing))
    return len(thing.__slots__) if isinstance(thing, Level | Average) else 1


def test_memory_is_bounded() -> None:
    """A minute of decisions leaves no more behind than the first second under boost."""
    ranker = CauseRanker(RIG)
    feed(ranker, story(None))
    before = cells(ranker.readings)
    feed(ranker, [reading(5.0 + 0.01 * i) for i in range(6000)])
    assert cells(ranker.readings) <= before + 8  # readings on probation come and go


@pytest.mark.parametrize("name", [channel.name for channel in CHANNELS])
def test_a_missing_channel_never_breaks_it(name: str) -> None:
    """With any one channel absent, stale or stuck a ranking still comes and a clog is near."""
    for health in (ABSENT, STALE, STUCK):
        ranking = ranked(FAULTS["clog"], **{f"health_{name}": health, f"value_{name}": 0.0})
        assert sum(cause.likelihood for cause in ranking) == pytest.approx(1.0)
        if name not in ("boost_kpa", "delivered_ml_min"):
            assert "clog" in {cause.name for cause in ranking[:3]}


def test_one_damaged_sample_takes_no_channel_away() -> None:
    """A reading that is no number for one sample doesn't change which channels count."""
    ranker = CauseRanker(RIG)
    feed(ranker, story(FAULTS["clog"]))
    before = ranker.rank()
    ranker.feed(altered(reading(6.5, 0.6, 0.4, value_line_kpa=1060.0), health_line_kpa=3.0))
    assert ranker.rank()[0].name == before[0].name
    assert ranker.rank()[0].cannot_tell == ()


@settings(max_examples=25)
@given(st.data())
def test_any_plausible_stream_gives_a_whole_ranking(data: Any) -> None:
    """Whatever channels report within their ranges, likelihoods are finite and sum to 1."""
    ranker = CauseRanker(RIG)
    time_s = 0.0
    for _ in range(data.draw(st.integers(1, 10))):
        time_s += data.draw(st.floats(1e-4, 3.0))
        changes: dict[str, float] = {"time_s": time_s, "clock_s": time_s}
        for channel in CHANNELS:
            changes[f"value_{channel.name}"] = data.draw(st.floats(channel.low, channel.high))
            changes[f"health_{channel.name}"] = float(data.draw(st.integers(0, 5)))
        boost_kpa = changes["value_boost_kpa"]
        for name in ("expected_ml_min", "commanded_ml_min"):
            changes[name] = data.draw(st.floats(0.0, 6000.0))
        ranker.feed(altered(_BLANK, **changes, boost_kpa=boost_kpa))
    ranking = ranker.rank()
    assert sum(cause.likelihood for cause in ranking) == pytest.approx(1.0)
    assert all(0.0 <= cause.likelihood <= 1.0 for cause in ranking)
