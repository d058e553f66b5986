"""Typical first mistakes with a rig are suspected of the rig; faults of the car never are."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from monitor.guard.cause_desk import OF_RIG, CauseDesk
from monitor.review.report import in_words
from monitor.review.review import review
from rules.causes.flow_timing import FlowTiming
from rules.causes.rig_mistakes import ENOUGH_ROWS, MOST_ROWS, Mistake, RigMistakes
from rules.channels import ROW_NAMES, Sample
from rules.explain import explain
from rules.facts import Rig
from rules.guard import Guard
from rules.step.state import SIGNAL_LOST
from simulator.logfile import mapped, write_csv
from simulator.plant import run
from simulator.rig import find_rig, load_rig, rig_from_text
from simulator.scenario import load_scenario, shipped_scenarios
from tests.kit.batch import quick_guard

TEXT = find_rig("brindle").read_text()


@cache
def drive(name: str) -> tuple[Sample, ...]:
    """Return what a shipped scenario's logger hands over."""
    return tuple(run(load_scenario(name)))


def suspected(rig: Rig, samples: Sequence[Sample]) -> list[Mistake]:
    """Return every mistake that is likely at some time of a drive."""
    guard, of_rig, timing = quick_guard(rig), RigMistakes(rig), FlowTiming(rig)
    found: dict[Mistake, None] = {}
    looked_at = edges = 0
    for sample in samples:
        decision = guard.step(sample)
        of_rig.take(decision)
        timing.take(decision)
        if timing.edges > edges and (doubt := timing.doubt()) is not None:
            found[doubt] = None
        edges = timing.edges
        if of_rig.rows >= looked_at + ENOUGH_ROWS:
            looked_at = of_rig.rows
            found.update(dict.fromkeys(of_rig.likely()))
    return list(found)


def brindle(before: str, after: str) -> Rig:
    """Return the shipped rig with a piece of its text replaced."""
    assert before in TEXT
    return rig_from_text(TEXT.replace(before, after), "brindle.toml").rig


def pressure(factor: float, offset_kpa: float = 0.0) -> Callable[[Sample], Sample]:
    """Return what reads boost in another unit."""
    return lambda s: s._replace(boost_kpa=factor * s.boost_kpa + offset_kpa)


@pytest.mark.parametrize(
    ("wrongly", "words"),
    [
        (pressure(1.0, 101.3), "absolute pressure read as gauge"),
        (pressure(6.895 / 3.386), "inHg read as psi"),
        (pressure(3.386 / 6.895), "psi read as inHg"),
        (pressure(1.0 / 6.895), "psi read as kPa"),
    ],
    ids=["absolute", "inHg as psi", "psi as inHg", "psi as kPa"],
)
def test_boost_in_another_unit(wrongly: Callable[[Sample], Sample], words: str) -> None:
    """Boost that duty and speed contradict by one unit is named as that unit, and nothing else."""
    rig = load_rig(find_rig("brindle")).rig
    mistakes = suspected(rig, [wrongly(sample) for sample in drive("healthy_pulls")])
    assert [words in mistake.evidence for mistake in mistakes] == [True] * len(mistakes) != []


@pytest.mark.parametrize("factor", [0.62, 0.8, 1.35])
def test_wrong_nozzles(factor: float) -> None:
    """Nozzles of another size in the rig show as one share at every level."""
    rig = load_rig(find_rig("brindle")).rig
    nozzles = tuple(replace(n, rated_ml_min=n.rated_ml_min / factor) for n in rig.spray.nozzles)
    wrong = replace(rig, spray=replace(rig.spray, nozzles=nozzles))
    mistakes = suspected(wrong, drive("healthy_pulls"))
    assert mistakes
    for mistake in mistakes:
        share = float(mistake.evidence.split(" %")[0].split()[-1])
        assert share == pytest.approx(100.0 * factor, rel=0.1)
        assert "nozzles" in mistake.check


@pytest.mark.parametrize(
    ("factor", "reads", "units"),
    [
        (1.0 / 3.785, "1/4 of", "gal/h read as L/h"),
        (1.0 / 16.667, "1/17 of", "L/h read as mL/min"),
        (1.0 / 60.0, "1/63 of", "mL/s read as mL/min"),
        (1.0 / 1000.0, "1/1000 of", "L/min read as mL/min"),
        (16.667, "16 times", "mL/min read as L/h"),
        (1000.0, "950 times", "mL/min read as L/min"),
    ],
)
def test_flow_in_another_unit_is_one_mistake(
    factor: float, reads: str, units: str, tmp_path: Path
) -> None:
    """Too little, too much or beyond what is plausible: told once, first, live and in a review."""
    rig = load_rig(find_rig("brindle")).rig
    samples = [
        s._replace(delivered_ml_min=factor * s.delivered_ml_min) for s in drive("healthy_pulls")
    ]
    log = tmp_path / "log.csv"
    write_csv(samples, log, mapped(rig))
    result = review(log, "brindle")
    assert len(result.mistakes) == 1
    assert result.mistakes[0].startswith(f"flow reads {reads} what is due in every pull: check its")
    assert units in result.mistakes[0]
    lines = list(in_words(result))
    assert lines[1] == f"  suspect the rig, not the car: {result.mistakes[0]}"
    guard, desk = quick_guard(rig), CauseDesk(rig)
    first = []
    for sample in samples:
        desk.feed(guard.step(sample))
        if desk.work():
            first.append(desk.ranked[0])
    assert any(c.cause == OF_RIG and units in c.check_first for c in first)


def test_wrong_delay() -> None:
    """A delay of 400 ms where the car has 80 shows as the same flow, earlier."""
    rig = brindle('transport_delay = "80 ms"', 'transport_delay = "400 ms"')
    mistakes = suspected(rig, drive("healthy_pulls"))
    assert mistakes
    assert all("earlier" in m.evidence and "400 ms" in m.sentence for m in mistakes)


@pytest.mark.parametrize("every", [1, 2, 5])
def test_a_car_that_follows_later_than_its_rig_allows(every: int, tmp_path: Path) -> None:
    """A car with 180 and 170 ms where its rig has 80 and 100, at 100 to 20 rows a second.

    It is told with what to change, in a review too.
    """
    scenario = load_scenario("healthy_pulls")
    sensor = replace(
        scenario.rig.flow_sensor, delay_s=0.18, lag_s=0.17, delay_within_s=0.0, lag_within_s=0.0
    )
    car = replace(scenario, rig=replace(scenario.rig, flow_sensor=sensor))
    once = list(run(car))[::every]
    samples = [*once, *(s._replace(time_s=s.time_s + 40.0) for s in once)]
    mistakes = suspected(scenario.rig, samples)
    assert all("later" in m.evidence for m in mistakes)
    assert any("flow follows later than the rig's delay" in m.evidence for m in mistakes)
    log = tmp_path / "log.csv"
    write_csv(samples, log, mapped(scenario.rig))
    (told,) = review(log, "brindle").mistakes
    assert "later" in told
    assert "transport_delay" in told


@pytest.mark.parametrize("name", shipped_scenarios())
def test_no_fault_of_the_car_is_blamed_on_the_rig(name: str) -> None:
    """Over every shipped scenario, each on its own rig, nothing speaks against the rig."""
    assert suspected(load_scenario(name).rig, drive(name)) == []


def test_memory_is_bounded() -> None:
    """However long a drive, no more rows are kept than stated."""
    rig = load_rig(find_rig("brindle")).rig
    guard, of_rig = quick_guard(rig), RigMistakes(rig)
    for i in range(4):
        for sample in drive("healthy_pulls"):
            of_rig.take(guard.step(sample._replace(time_s=sample.time_s + 100.0 * i)))
    assert of_rig.rows > MOST_ROWS
    assert len(of_rig._rows) <= MOST_ROWS
    assert len(of_rig._pressures) <= MOST_ROWS


def test_a_running_guard_and_a_review_name_the_rig_first(tmp_path: Path) -> None:
    """Live and in a review, a wrong delay is suspected of the rig, with what to change."""
    scenario = load_scenario("pump_stop")
    rig = brindle('transport_delay = "80 ms"', 'transport_delay = "400 ms"')
    guard, desk = quick_guard(rig), CauseDesk(rig)
    first = []
    for sample in drive("pump_stop"):
        desk.feed(guard.step(sample))
        if desk.work():
            first.append(desk.ranked[0])
    assert any(c.cause == OF_RIG and "transport_delay" in c.check_first for c in first)

    log, own = tmp_path / "log.csv", tmp_path / "own.toml"
    own.write_text(TEXT.replace('transport_delay = "80 ms"', 'transport_delay = "400 ms"'))
    write_csv(drive("pump_stop"), log, mapped(scenario.rig))
    told = [line for line in in_words(review(log, str(own))) if "suspect the rig" in line]
    assert len(told) == 1
    assert "transport_delay" in told[0]
    assert review(log, "brindle").mistakes == []


@pytest.mark.parametrize(
    ("channel", "value", "words"),
    [
        ("boost_kpa", 300.0, "boost implausible (reads 300 kPa, plausible from -90 kPa to 260 kPa"),
        ("delivered_ml_min", 5999.0, "delivered flow implausible (reads 5999 mL/min"),
    ],
)
def test_an_implausible_reading_is_told_with_its_range(
    channel: str, value: float, words: str
) -> None:
    """Whoever reads that a channel is implausible reads the number and what was expected."""
    rig = load_rig(find_rig("brindle")).rig
    guard = Guard(rig)
    for sample in drive("healthy_pulls")[:800]:
        guard.step(sample)
    time_s = guard.decision().time_s
    for i in range(100):
        bad = drive("healthy_pulls")[700]._replace(time_s=time_s + 0.01 * i, **{channel: value})
        decision = guard.step(bad)
    assert decision.level[SIGNAL_LOST] > 0.0
    told = explain(rig, SIGNAL_LOST, decision)
    assert words in told[0].lower() + told[1:]


def test_of_two_implausible_readings_the_first_channels_is_told() -> None:
    """Boost comes before flow, whichever was refused first, until boost is plausible again."""
    rig = load_rig(find_rig("brindle")).rig
    guard = Guard(rig)
    both = Sample(1.0, boost_kpa=300.0, delivered_ml_min=5999.0)
    assert guard.step(both).refused == 300.0
    only_flow = guard.step(Sample(1.1, boost_kpa=10.0, delivered_ml_min=5998.0))
    assert only_flow.refused == 5998.0
    assert only_flow.refused_column == ROW_NAMES.index("delivered_ml_min")


def test_absolute_for_gauge_is_guessed_where_it_fits() -> None:
    """A reading that would be plausible less one atmosphere is asked about as absolute pressure."""
    rig = load_rig(find_rig("brindle")).rig
    for boost_kpa, fits in ((271.3, True), (420.0, False)):
        guard = Guard(rig)
        for i in range(80):
            decision = guard.step(Sample(0.01 * i, boost_kpa=boost_kpa, delivered_ml_min=0.0))
        assert ("absolute for gauge" in explain(rig, SIGNAL_LOST, decision)) is fits


def test_a_false_pull_makes_a_small_delay_suspect(tmp_path: Path) -> None:
    """0.1 s late, which alone is too little to tell: named once spray was accused, and arrived."""
    right = drive("healthy_pulls")
    late = [
        s._replace(delivered_ml_min=right[max(i - 10, 0)].delivered_ml_min)
        for i, s in enumerate(right)
    ]
    rig = load_rig(find_rig("brindle")).rig
    found = []
    for samples in (right, late):
        guard, of_rig = quick_guard(rig), RigMistakes(rig)
        for sample in samples:
            of_rig.take(guard.step(sample))
        assert of_rig.of_delay() is None
        found.append(of_rig.of_delay(false_pull=True))
    none, told = found
    assert none is None
    assert told is not None
    assert "about 0.10 s later" in told.sentence
