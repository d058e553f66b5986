"""The guard's loop and its listeners: each is told everything, in order; none has to be there."""

from math import inf
from pathlib import Path
from typing import Any

import pytest

from monitor.attach.listeners import Listener, ListenerFacts, RunningGuard
from monitor.attach.protocol import Bye, Ending, EventTurn, Frame, Message, Notice
from monitor.guard.loop import GuardLoop
from monitor.guard.recording import RATES_TOPIC, RecordingListener
from monitor.recorder.recorder import Recorder
from monitor.sources.fake import FakeSource
from monitor.sources.simulated import SimulatedSource
from rules.channels import Sample
from rules.step.state import Decision
from simulator.rig import RigFile
from simulator.scenario import load_scenario
from simulator.strict import BadInput
from tests.kit.listening import Told
from tests.kit.recordings import BRINDLE, kept_rows, noted


class Noting(Listener):
    """Notes what it is told, in order: rows by their number, messages themselves."""

    def __init__(self) -> None:
        self.told: list[Any] = []
        self.rows = 0
        self.decision: Decision | None = None

    def opened(self, guard: RunningGuard) -> None:
        """Report something, as outputs do."""
        guard.report(Notice("test", "open"))

    def decided(self, row: Sample, decision: Decision) -> None:
        """Count a row."""
        assert decision.time_s == row.time_s
        self.rows += 1
        self.decision = decision

    def handle(self, message: Message) -> None:
        """Note a message and the row that it came behind."""
        self.told.append((self.rows, message))

    def note(self, kind: str, facts: dict[str, Any]) -> None:
        """Note what is only for the record."""
        self.told.append((self.rows, kind, facts["turn"]))

    def enter(self, facts: ListenerFacts) -> None:
        """Enter a count."""
        facts.counts.recorded = self.rows

    def change(self, rig_file: RigFile) -> None:
        """Note another rig."""
        self.told.append((self.rows, rig_file))

    def ending(self, why: str) -> None:
        """Note why it ends."""
        self.told.append((self.rows, why))

    async def close(self, bye: Bye) -> None:
        """Note the goodbye."""
        self.told.append((self.rows, bye))


def pump_stop() -> SimulatedSource:
    """Return a drive that ends with spray missing, as fast as it can be."""
    return SimulatedSource(load_scenario("pump_stop"), seed=1, speed=inf)


@pytest.mark.asyncio
async def test_a_listener_is_told_everything_in_order() -> None:
    """An event comes behind the row that it is of; what is held is released before the goodbye."""
    noting = Noting()
    loop = GuardLoop(BRINDLE, pump_stop(), [noting])
    await loop.run()
    assert noting.rows == loop.statistics().decided == loop.statistics().recorded == 2400
    assert repr(noting.decision) == repr(loop.decision)
    first, *_ = noting.told
    assert first == (0, Notice("test", "open"))
    turns = [(at, one) for at, one, *_ in noting.told if isinstance(one, EventTurn)]
    assert turns
    assert all(at > 0 for at, _ in turns)
    assert [at for at, *_ in noting.told] == sorted(at for at, *_ in noting.told)
    at = noting.told.index((2400, "source ended"))
    left = [what for _, what, *_ in noting.told[at + 1 :] if what != "event"]
    assert isinstance(left[-1], Bye)
    assert left[-1].end is Ending.SOURCE_ENDED
    assert not any(isinstance(one, Frame) for _, one, *_ in noting.told)


@pytest.mark.asyncio
async def test_without_a_listener_it_decides_the_same() -> None:
    """Nothing that listens is needed, and none is asked for."""
    alone, heard = GuardLoop(BRINDLE, pump_stop()), GuardLoop(BRINDLE, pump_stop(), [Told()])
    await alone.run()
    await heard.run()
    assert repr(alone.decision) == repr(heard.decision)
    assert alone.listener_facts() == ListenerFacts()


@pytest.mark.asyncio
async def test_listeners_are_closed_where_the_source_cannot_be_opened() -> None:
    """They hear why, though they never heard that it was open."""

    class Shut(FakeSource):
        async def open(self) -> None:
            raise BadInput("no such port")

    noting = Noting()
    with pytest.raises(BadInput, match="no such port"):
        await GuardLoop(BRINDLE, Shut(), [noting]).run()
    (_, why), (_, bye) = noting.told
    assert why == "failed: no such port"
    assert bye.end is Ending.FAILED


@pytest.mark.asyncio
async def test_what_is_reported_is_recorded_but_rates_are_not(tmp_path: Path) -> None:
    """Rows, events and notices are in the session; rates can be reckoned from it again."""
    recorder = Recorder(tmp_path, BRINDLE, "test")

    class Asking(Listener):
        def opened(self, guard: RunningGuard) -> None:
            guard.report(Notice(RATES_TOPIC, "none yet"))
            guard.report(Notice("test", "seen"))

    await GuardLoop(BRINDLE, pump_stop(), [RecordingListener(recorder), Asking()]).run()
    lines = noted(recorder.path)
    assert [n["text"] for n in lines if n["kind"] == "notice" and n["topic"] == "test"] == ["seen"]
    assert not [n for n in lines if n.get("topic") == RATES_TOPIC]
    assert {n["turn"] for n in lines if n["kind"] == "event"} >= {"raised", "open at the end"}
    assert lines[-1]["kind"] == "end"
    assert "alarm_rates" not in lines[-1]["statistics"]
    assert kept_rows(recorder.path) == lines[-1]["statistics"]["decided"]
