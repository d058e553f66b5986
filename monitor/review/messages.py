"""What a guard would have sent at a row: the messages a screen is built from."""

from bisect import bisect_right
from typing import Final

from monitor.attach import protocol
from monitor.attach.message_parts import DecisionHead, Statistics
from monitor.attach.terms import shown
from monitor.review.decided_log import Decided
from monitor.source_facts import SourceKind
from rules.channels import CHANNEL_NAMES
from rules.explain import status
from rules.step.from_rig import witness_column

NEWEST_EVENTS: Final = 50  # as many as a guard tells whoever joins


def hello_of(decided: Decided, index: int = 0) -> protocol.Hello:
    """Return the greeting of a guard that has come as far as a row, without history.

    Its events are those raised before the row or in it, as they stood then (the newest 50).
    """
    until = bisect_right(decided.turns, index, key=lambda turn: turn.index)
    events = {turn.number: turn.event for turn in decided.turns[:until]}
    rig = decided.rig_at(index)
    return protocol.Hello(
        protocol=protocol.PROTOCOL,
        pid=0,
        source=f"{decided.log.name}, recorded",
        source_kind=SourceKind.RECORDED,
        session=str(decided.log.path) if decided.log.session else None,
        channels=[terms.name for terms in rig.channels],
        witness=CHANNEL_NAMES[witness_column(rig) - 1],
        trace=list(protocol.TRACE),
        history=[],
        events=list(events.values())[-NEWEST_EVENTS:],
        **shown(rig),
    )


def frame_at(decided: Decided, index: int) -> protocol.Frame:
    """Return the frame of a guard that has just decided a row: status, decision, health, alarms.

    Its one trace row is that of the decision, with its time on the axis. Causes are empty where not
    yet worked out.
    """
    decision = decided.decision(index)
    rig = decided.rig_at(index)
    alarms, sounding = decided.alarms_at(index)
    return protocol.Frame(
        status=status(rig, decision),
        decision=DecisionHead.of(rig, decision),
        health=protocol.health_of(rig, decision),
        statistics=Statistics(decided=index + 1, late=decided.late_until(index), drift_ppm=None),
        rows=[[decided.time_s(index), *protocol.trace_row(decision)[1:]]],
        alarms=alarms,
        sounding=sounding,
        causes=decided.causes_at(index) or [],
    )
