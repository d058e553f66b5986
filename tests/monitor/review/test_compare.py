"""What another rig would have done differently, in plain words."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as some

from monitor.review.compare import compare
from monitor.review.decide_log import decide
from monitor.review.decided_log import Decided
from monitor.review.edit import edit
from rules.facts import Action
from rules.findings import label_of
from tests.kit.recordings import BRINDLE
from tests.kit.replays import LOWER, decided_of, tiled, troubled

SOME_RIGS = (
    (LOWER,),
    ("debt.false_pull_every = 90000 h", "debt.cut = 0.7 s"),
    ("debt.cut = 600 s", "ladder.shortfall_outlasts = 600 s"),
    ("ladder.margin = 2",),
    ("ladder.release_after = 20 s",),
    ("watch.knock_persists_for = 5 s",),
)


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Decided:
    """A log with a failing pump and a troubled clock, decided."""
    return decided_of(troubled(20_000), tmp_path_factory.mktemp("log"))


@pytest.fixture(scope="module")
def afters(before: Decided) -> list[Decided]:
    """The same by other rigs."""
    return [decide(before.log, edit(BRINDLE, *terms)) for terms in SOME_RIGS]


def test_nothing_differs_from_itself(before: Decided) -> None:
    """Neither from itself nor from the same decided again."""
    assert before.events
    assert compare(before, before) == []
    assert compare(before, decide(before.log, edit(BRINDLE, "debt.cut = 400 ms"))) == []


@settings(max_examples=30, suppress_health_check=list(HealthCheck))
@given(data=some.data())
def test_the_other_way_round_it_is_the_opposite(
    before: Decided, afters: list[Decided], data: some.DataObject
) -> None:
    """As many differences, each turned; each in its place and named."""
    one, other = data.draw(some.permutations([before, *afters]))[:2]
    turned = {
        "appears": "vanishes",
        "earlier": "later",
        "deeper": "shallower",
        "longer": "shorter",
    }
    turned |= {b: a for a, b in turned.items()}
    there, back = compare(one, other), compare(other, one)
    assert sorted((d.time_s, d.finding, d.kind, round(d.by, 6)) for d in there) == sorted(
        (d.time_s, d.finding, turned[d.kind], round(d.by, 6)) for d in back
    )
    assert [d.time_s for d in there] == sorted(d.time_s for d in there)
    for d in there:
        assert label_of(d.finding) in d.words
        assert (d.before is None) <= (d.kind == "appears")
        assert (d.after is None) <= (d.kind == "vanishes")
        assert one.from_s <= d.time_s <= one.to_s
        assert one.time_s(d.index) <= d.time_s
    if one.events != other.events:
        counts = len(one.events) - len(other.events)
        gone = sum(d.after is None for d in there) - sum(d.before is None for d in there)
        assert counts == gone


def test_an_earlier_pull(tmp_path: Path) -> None:
    """A lower threshold pulls sooner, by as much as the steps say."""
    before = decided_of(tiled(2400, "pump_stop"), tmp_path)
    after = decide(before.log, edit(BRINDLE, LOWER))
    found = [d for d in compare(before, after) if d.action == "pull_timing"]
    assert found[0].kind == "earlier"
    steps = [
        next(
            s.time_s
            for event in d.events
            if event.finding == "under_delivery"
            for s in event.steps
            if Action[s.action.upper()] is Action.PULL_TIMING
        )
        for d in (before, after)
    ]
    assert found[0].by == pytest.approx(steps[0] - steps[1])
    assert found[0].words.startswith("pull timing of under-delivery: ")
    assert found[0].words.endswith("s earlier")


def test_what_vanishes(tmp_path: Path) -> None:
    """Two small faults: all that is missing, a wider gain of the sensor explains; and back.

    With nothing left to say events vanish; from the other rig to this one they appear.
    """
    before = decided_of(tiled(2400, "two_small_ones"), tmp_path)
    after = decide(before.log, edit(BRINDLE, "flow_sensor.gain_within = 30 %"))
    assert before.events
    gone = [d for d in compare(before, after) if d.after is None]
    assert {d.finding for d in gone} >= {"under_delivery"}
    under = next(d for d in gone if d.finding == "under_delivery")
    assert "under-delivery (" in under.words
    assert ") vanishes, was raised at " in under.words
    assert under.time_s == before.time_s(under.index)
    new = [d for d in compare(after, before) if d.before is None]
    assert [d.words.replace("appears, ", "vanishes, was ") for d in new] == [d.words for d in gone]


def test_logs_apart(before: Decided, tmp_path: Path) -> None:
    """Two logs can't be compared."""
    with pytest.raises(ValueError, match="two logs"):
        compare(before, decided_of(tiled(500), tmp_path))
