"""What a replay tells the screen is what a guard would have told it in that row."""

from pathlib import Path

import numpy as np
import pytest

from monitor.attach.message_parts import EventFacts, Statistics
from monitor.attach.protocol import Command, Frame, decode, encode, trace_row
from monitor.guard.alarm_desk import AlarmDesk
from monitor.guard.cause_desk import CauseDesk
from monitor.review.decide_log import decide
from monitor.review.decided_log import Decided
from monitor.review.log import Stopped, open_log
from monitor.review.messages import frame_at, hello_of
from monitor.screen.picture import Picture
from rules.channels import BOOST, OPERATOR
from rules.events import EventTracker, Turn
from rules.explain import status
from rules.step.from_rig import constants_of
from rules.step.state import Decision
from tests.kit.recordings import BRINDLE
from tests.kit.replays import LOWER, decided_of, session_of, tiled, troubled

ROWS = 12_500


@pytest.fixture(scope="module")
def decided(tmp_path_factory: pytest.TempPathFactory) -> Decided:
    """A log with a troubled clock and an acknowledgement, decided."""
    return decided_of(troubled(20_000)[:ROWS], tmp_path_factory.mktemp("log"))


@pytest.fixture(scope="module")
def decisions(decided: Decided) -> list[Decision]:
    """All decisions."""
    return [Decision.of_flat(row) for row in decided.decisions(0, ROWS).tolist()]


def test_alarms_are_those_of_a_desk_that_heard_every_row(
    decided: Decided, decisions: list[Decision]
) -> None:
    """The few rows it is fed with here are enough, delays and a hand on the button included."""
    desk = AlarmDesk(BRINDLE.rig.command.start_boost_kpa)
    states = set()
    for index, decision in enumerate(decisions):
        desk.feed(decision)
        if decided.log.rows[index, OPERATOR] == 1.0:
            desk.obey(Command("acknowledge"), decision.time_s)
        assert decided.alarms_at(index) == (desk.standing(), desk.sounding), index
        states |= {alarm.state for alarm in desk.standing()}
    assert len(states) >= 3


def test_causes_are_those_of_a_desk_that_heard_every_row(
    decided: Decided, decisions: list[Decision]
) -> None:
    """Nothing before they are worked out; stopped and gone on with, the same."""
    assert decided.causes_at(5000) is None
    asked = iter((False, True))
    with pytest.raises(Stopped):
        decided.work_out_causes(stop=lambda: next(asked))
    assert decided.causes_at(8191) is not None
    assert decided.causes_at(8192) is None
    heard: list[float] = []
    decided.work_out_causes(heard.append)
    assert heard[-1] == 1.0
    desk = CauseDesk(BRINDLE.rig)
    found = 0
    for index, decision in enumerate(decisions):
        desk.feed(decision)
        desk.work()
        assert decided.causes_at(index) == desk.ranked
        found += bool(desk.ranked)
    assert found > 100


def test_a_frame(decided: Decided, decisions: list[Decision]) -> None:
    """Status, head and health are the guard's; and it travels as a message."""
    for index in range(0, ROWS, 97):
        frame = frame_at(decided, index)
        decision = decisions[index]
        assert frame.status == status(BRINDLE.rig, decision)
        assert frame.decision.debt_ml == decision.debt_ml
        assert frame.health["boost_kpa"] == "healthy" or decision.health[BOOST] > 0.0
        late = sum(d.late > 0.0 for d in decisions[: index + 1])
        assert frame.statistics == Statistics(decided=index + 1, late=late, drift_ppm=None)
        row = [decided.time_s(index), *trace_row(decision)[1:]]
        assert np.array(frame.rows).tobytes() == np.array([row]).tobytes()
        assert isinstance(decode(encode(frame)), Frame)
    assert decisions[ROWS - 1].late == 0.0
    assert decided.late_until(ROWS - 1) == sum(d.late for d in decisions) > 30


def test_turns_of_events_are_a_guard_s(decided: Decided, decisions: list[Decision]) -> None:
    """Raised, worsened and cleared in their rows, each event as it stood then."""
    tracker = EventTracker(BRINDLE.rig)
    expected: list[tuple[int, Turn, EventFacts]] = []
    for index, decision in enumerate(decisions):
        if decision.changed:
            turns = tracker.feed(decision)
            expected += [(index, turn, EventFacts.of(event)) for turn, event in turns]
    assert [(t.index, t.turn, t.event) for t in decided.turns] == expected


def test_a_picture_is_built_of_them(decided: Decided) -> None:
    """The screen's own picture takes the messages, and shows that row."""
    index = next(t.index for t in decided.turns if t.event.action == "cut_boost")
    picture = Picture(0.0)
    picture.take(hello_of(decided, index), 0.0)
    picture.take(frame_at(decided, index), 0.0)
    assert picture.action == int(decided.decision(index).action) == 3
    assert picture.decision.debt_ml == decided.decision(index).debt_ml
    hello = hello_of(decided, index)
    assert [e.time_s for e in hello.events] == [
        e.time_s for e, i in zip(decided.events, decided.raised_at, strict=True) if i <= index
    ]
    assert hello_of(decided).events == []
    assert hello.source == "log.parquet, recorded"


def test_a_greeting_names_the_rig_in_force(tmp_path: Path) -> None:
    """In a session whose rig was changed, thresholds are those of the row."""
    from monitor.review.edit import edit

    other = edit(BRINDLE, LOWER, "debt.cut = 0.5 s")
    decided = decide(open_log(session_of(tmp_path, other=other)))
    first, last = hello_of(decided, 0), hello_of(decided, decided.rows - 1)
    for greeting, rig in ((first, BRINDLE.rig), (last, other.rig)):
        k = constants_of(rig)
        assert (greeting.thresholds.warn_nats, greeting.thresholds.pull_nats) == (
            k.warn_nats,
            k.limit_nats,
        )
        assert greeting.thresholds.cut_s == pytest.approx(rig.debt.cut_s)
    assert first.thresholds.pull_nats > last.thresholds.pull_nats
    assert first.session == str(decided.log.path)


def test_a_healthy_log_has_nothing_to_tell(tmp_path: Path) -> None:
    """No events, no alarms, no causes."""
    decided = decided_of(tiled(2000, "healthy_pulls"), tmp_path)
    decided.work_out_causes()
    assert decided.events == []
    assert decided.turns == []
    for index in (0, 1000, 1999):
        assert decided.alarms_at(index) == ([], False)
        assert decided.causes_at(index) == []
        assert frame_at(decided, index).causes == []
