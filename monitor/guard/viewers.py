"""Viewers as a listener: what they are greeted with, the frames they are sent, their commands."""

import asyncio
import contextlib
from collections import deque
from typing import Final

from monitor.attach import protocol
from monitor.attach.endpoint import Endpoint
from monitor.attach.listeners import Listener, ListenerFacts, Tell
from monitor.attach.message_parts import DecisionHead, EventFacts
from monitor.attach.server import ViewerServer
from monitor.attach.terms import shown
from monitor.clock import now_s
from monitor.guard.alarm_desk import COMMANDS, name_of, operation
from monitor.guard.loop import GuardLoop
from monitor.guard.recording import RATES_TOPIC
from monitor.guard.reload import reload_rig
from rules.channels import CHANNEL_NAMES, OPERATOR_ACKNOWLEDGE, Sample, tick
from rules.explain import status
from rules.step.from_rig import witness_column
from rules.step.state import Decision
from simulator.strict import clean

HISTORY_ROWS: Final = 3000
HISTORY_ROWS_SENT: Final = 1500
UNATTENDED_S: Final = 30.0


class ViewersListener(Listener):
    """Shows a guard to every viewer that attaches, and obeys what they command.

    Args:
        guard: The guard.
        endpoint: Where viewers attach.
        unattended_ends: End the guard some time after the last viewer left (a demonstration).
    """

    def __init__(
        self, guard: GuardLoop, endpoint: Endpoint, *, unattended_ends: bool = False
    ) -> None:
        self._guard = guard
        self._server = ViewerServer(endpoint, lambda: [self._hello()], self._obey)
        self._reloading: asyncio.Task[None] | None = None
        self._unattended_ends = unattended_ends
        self._alone_since_s = now_s()
        self._fresh: list[tuple[float, ...]] = []
        self._history: deque[tuple[float, ...]] = deque(maxlen=HISTORY_ROWS)

    async def start(self) -> Endpoint:
        """Let viewers attach from now on; return where.

        Raises:
            BadInput: Nothing can listen there.
        """
        return await self._server.start()

    async def first_viewer(self, patience_s: float) -> None:
        """Wait for the first viewer, so that it misses nothing; not longer than ``patience_s``."""
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._server.first.wait(), patience_s)

    def decided(self, row: Sample, decision: Decision) -> None:
        """Keep a row for the next frame."""
        self._fresh.append(protocol.trace_row(decision))

    def handle(self, message: protocol.Message) -> None:
        """Send every viewer a message."""
        self._server.send(message)

    def tick(self) -> None:
        """Send a frame, where there is anybody."""
        rows, self._fresh = self._fresh, []
        self._history.extend(rows)
        if self._server.attached:
            self._alone_since_s = now_s()
            self._server.send(self._frame(rows))
        elif self._unattended_ends and now_s() - self._alone_since_s > UNATTENDED_S:
            self._guard.stop("nobody is watching")

    def enter(self, facts: ListenerFacts) -> None:
        """Enter how many viewers there are."""
        facts.counts.viewers = self._server.attached
        facts.counts.viewer_drops = self._server.dropped
        facts.counts.viewers_refused = self._server.refused

    def ending(self, why: str) -> None:
        """Change no rig any more."""
        if self._reloading is not None:
            self._reloading.cancel()

    async def close(self, bye: protocol.Bye) -> None:
        """Say goodbye to every viewer."""
        await self._server.close(bye)

    def _frame(self, rows: list[tuple[float, ...]]) -> protocol.Frame:
        every = -(-len(rows) // protocol.MOST_ROWS_A_FRAME) or 1
        guard, facts = self._guard, self._guard.listener_facts()
        return protocol.Frame(
            status=status(guard.rig, guard.decision),
            decision=DecisionHead.of(guard.rig, guard.decision),
            health=protocol.health_of(guard.rig, guard.decision),
            statistics=guard.statistics(),
            rows=[list(row) for row in rows[::every]],
            alarms=guard.news.alarms.standing(),
            sounding=guard.news.alarms.sounding,
            causes=guard.news.causes.ranked,
            outputs=facts.outputs,
            recording=facts.recording,
            publishing=facts.publishing,
        )

    def _hello(self) -> protocol.Hello:
        every = max(1, len(self._history) // HISTORY_ROWS_SENT)
        guard, facts = self._guard, self._guard.listener_facts()
        return protocol.Hello(
            protocol=protocol.PROTOCOL,
            pid=self._server.endpoint.pid,
            source=guard.source.name,
            source_kind=guard.source.kind,
            session=None if facts.recording is None else facts.recording.session,
            channels=[terms.name for terms in guard.rig.channels],
            witness=CHANNEL_NAMES[witness_column(guard.rig) - 1],
            trace=list(protocol.TRACE),
            history=[list(row) for row in list(self._history)[::every]],
            events=[EventFacts.of(event) for event in guard.news.events],
            outputs=facts.outputs,
            restored="" if guard.restored is None else guard.restored.words,
            **shown(guard.rig),
        )

    # --- commands -------------------------------------------------------------------------------

    def _obey(self, command: protocol.Command, answer: Tell) -> None:
        guard, alarms = self._guard, self._guard.news.alarms
        time_s = guard.decision.time_s
        if command.do in ("stop", "reload"):
            guard.note("operator", time_s=time_s, who=name_of(command), do=command.do)
        if command.do == "stop":
            guard.stop(f"stopped by {name_of(command) if command.who else 'a viewer'}")
        elif command.do == "reload":
            self._reload(command.rig, answer)
        elif command.do == "rates":
            for words in alarms.rates(time_s):
                guard.report(protocol.Notice(RATES_TOPIC, words))
        elif command.do not in COMMANDS:
            answer(protocol.Answer(clean(command.do), False, "found no such command"))
        elif guard.newest_s is None:
            answer(protocol.Answer(command.do, False, "found no reading yet, expected one first"))
        else:
            moved, refused = alarms.obey(command, time_s)
            guard.report(operation(command, time_s, refused), *moved)
            if alarms.gives_release(command, refused):
                # A hand on the button is a row like any other, so that a replay sees it too.
                guard.decide(tick(guard.newest_s, OPERATOR_ACKNOWLEDGE))

    def _reload(self, name: str, answer: Tell) -> None:
        if self._reloading is not None and not self._reloading.done():
            why = "found a reload under way, expected one at a time"
            answer(protocol.Answer("reload", False, why))
            return
        self._reloading = asyncio.create_task(reload_rig(self._guard, name, answer))
