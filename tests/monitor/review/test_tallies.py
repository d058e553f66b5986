"""What differs over several logs, added up: as many as one by one, and mirrored the other way."""

import pytest

from monitor.review.compare import compare
from monitor.review.decide_log import decide
from monitor.review.decided_log import Decided
from monitor.review.edit import edit
from monitor.review.tallies import Tallies
from rules.facts import Action
from tests.kit.recordings import BRINDLE
from tests.kit.replays import LOWER, decided_of, tiled

MILD = ("debt.cut = 600 s", "ladder.shortfall_outlasts = 600 s", "ladder.margin = 2", LOWER)


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Decided, Decided]:
    """A log of pump stops and air slugs, decided as it is and never cut by a debt."""
    before = decided_of(tiled(9600), tmp_path_factory.mktemp("log"))
    return before, decide(before.log, edit(BRINDLE, *MILD))


def test_counts_are_those_of_events(both: tuple[Decided, Decided]) -> None:
    """Before, after, and the way from one to the other; moves are those that compare tells."""
    tallies = Tallies()
    tallies.take(*both)
    for level, tally in tallies.of.items():
        counts = [sum(event.action >= level for event in decided.events) for decided in both]
        assert [tally.before, tally.after] == counts
        assert tally.after - tally.before == tally.appears - tally.vanishes
    assert tallies.of[Action.CUT_BOOST].vanishes > 0
    told = [(d.by, d.kind) for d in compare(*both) if d.kind in {"earlier", "later"}]
    moved_s = [by_s for tally in tallies.of.values() for by_s in tally.moved_s]
    mirrored = sorted((abs(by_s), "earlier" if by_s < 0.0 else "later") for by_s in moved_s)
    assert mirrored
    assert set(told) <= set(mirrored)  # a level that both rose past in one step is told once
    deeper = [d.by for d in compare(*both) if "pulls" in d.words and d.kind == "deeper"]
    assert sorted(by for by in tallies.deeper_deg if by > 0.0) == pytest.approx(sorted(deeper))


def test_the_other_way_round_it_is_the_opposite(both: tuple[Decided, Decided]) -> None:
    """What vanished appears, what came earlier comes later, what was deeper is less so."""
    there, back = Tallies(), Tallies()
    there.take(*both)
    back.take(*reversed(both))
    for level, tally in there.of.items():
        other = back.of[level]
        assert (tally.before, tally.appears) == (other.after, other.vanishes)
        assert sorted(tally.moved_s) == pytest.approx(sorted(-by_s for by_s in other.moved_s))
    assert sorted(there.deeper_deg) == pytest.approx(sorted(-by for by in back.deeper_deg))


def test_words() -> None:
    """Each action in a line: how often, what appears and vanishes, by how much the rest moves."""
    tallies = Tallies(deeper_deg=[1.0, -0.5, 2.0], deeper_kpa=[-3.0])
    warn, pull, cut = tallies.of.values()
    pull.before, pull.after, pull.appears, pull.moved_s = 1, 3, 2, [0.004]
    cut.before, cut.vanishes, cut.moved_s = 2, 1, [-0.5, -0.2, 0.1]
    assert warn.before == 0
    assert list(tallies.in_words()) == [
        "warn: never as it is, never so changed",
        "pull timing: once as it is, 3 times so changed; 2 appear; 1 comes later, by 4.0 ms",
        "cut boost: 2 times as it is, never so changed; 1 vanishes; 2 come earlier, by 0.20 s to "
        "0.50 s; 1 comes later, by 0.10 s",
        "1 pulls less, by 0.5 deg; 2 pull more, by 1.0 deg to 2.0 deg",
        "1 cuts boost less, by 3.0 kPa",
    ]
