"""What a log says of each pull: spray, how near to the limits, peaks, what was done about it."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import isfinite
from typing import Any, Final

import numpy as np

from monitor.review.judge import Judged
from monitor.review.log import Block
from monitor.review.parts import Parts
from monitor.review.pulls import Pull, PullFinder
from monitor.review.spray_account import Peak, SprayAccount, accounts_of
from monitor.review.spray_rows import SprayRows
from monitor.review.traces import PULL_PIECES, Thinner, Trace
from monitor.review.window import Floats
from rules.channels import COLUMN_OF, DELIVERED, TIME
from rules.events import Event
from rules.facts import Action, Rig
from rules.step.constants import Constants

_READ: Final = {
    "time_s": TIME,
    **{name: COLUMN_OF[name] for name in ("engine_speed_rpm", "throttle_pct", "boost_kpa")},
}
_PEAK: Final = "peak."
_JUDGED: Final = "judged"
_DRAWN: Final = "drawn"
_MOST_FINER: Final = 20
# By the name of its limit in a rig: where its readings are.
PEAKS: Final = {
    "boost_kpa": "boost_kpa",
    "intake_c": "value_intake_c",
    "knock": "value_knock",
    "injector_duty_pct": "value_injector_duty_pct",
}


@dataclass(slots=True)
class PullAccount:
    """A pull, and what came of it.

    Attributes:
        pull: When, through which engine speeds, in which gear.
        spray: What was sprayed in it.
        peaks: The highest of each channel that has a limit, to that limit; none where not read.
        judged: Its share of rows that could be judged, 0 to 1.
        action: The worst action in force in it.
        findings: What led to it, by name.
        first_clock_s: Its start by the guard's own time.
        last_clock_s: Its end.
    """

    pull: Pull
    spray: SprayAccount
    peaks: dict[str, Peak]
    judged: float
    action: Action = Action.NO_ACTION
    findings: list[str] = field(default_factory=list)
    first_clock_s: float = 0.0
    last_clock_s: float = 0.0

    @property
    def used_ml(self) -> float:
        """Fluid that was used: as the flow sensor counted it, or else as the rig expects it."""
        by_flow = self.spray.witness == DELIVERED
        return self.spray.delivered_ml if by_flow else self.spray.expected_ml

    def nearest(self) -> tuple[str, Peak]:
        """Return which limit it came nearest to, and its peak there.

        Of those that are far off while all is well; boost and heat never are.
        """
        peaks = {"evidence": self.spray.evidence, "debt": self.spray.debt_ml}
        if "knock" in self.peaks:
            peaks["knock"] = self.peaks["knock"]
        return max(peaks.items(), key=lambda one: one[1].share)

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON types."""
        pull, spray = self.pull, self.spray.as_json()
        rpm = [pull.low_rpm, pull.high_rpm]
        off = None if self.spray.worst is None else self.spray.off(self.spray.worst)
        return {
            "start_s": pull.start_s,
            "end_s": pull.end_s,
            "engine_speed_rpm": rpm if isfinite(pull.high_rpm) else None,
            "gear": pull.gear.number,
            "gear_told_by": pull.gear.why,
            "judged_share": self.judged,
            "used_ml": self.used_ml,
            "worst_shortfall": off,
            "action": self.action.word,
            "findings": self.findings,
            "peaks": {
                name: {
                    "value": peak.value,
                    "limit": peak.limit if isfinite(peak.limit) else None,
                    "time_s": peak.time_s,
                }
                for name, peak in self.peaks.items()
            },
            **{name: spray[name] for name in ("commanded_ml", "expected_ml", "delivered_ml")},
            **{name: spray[name] for name in ("peak_evidence", "peak_debt", "worst")},
        }


class PullAccounts:
    """Finds a log's pulls block by block, and accounts for each.

    Args:
        rig: The rig that the log begins with.

    Attributes:
        of: Those that are over, in order.
    """

    def __init__(self, rig: Rig) -> None:
        self.of: list[PullAccount] = []
        self.finder = PullFinder(rig)
        self._finer: list[tuple[float, Trace]] = []

    def take(
        self, block: Block, judged: Judged, spray: SprayRows | None, drawn: Floats | None = None
    ) -> None:
        """Take a block of rows as judged.

        Args:
            block: The rows.
            judged: What was judged of them.
            spray: What each adds to an account; None where there are none.
            drawn: What is drawn of each.
        """
        if spray is None:
            return
        columns: dict[str, Any] = {name: block.rows[:, at] for name, at in _READ.items()}
        columns |= {name: block.extra[name] for name in ("gear", "speed_kmh") if block.extra}
        columns |= spray
        columns |= {_PEAK + name: judged.every[column] for name, column in PEAKS.items()}
        columns[_JUDGED] = judged.judged
        if drawn is not None:
            columns[_DRAWN] = drawn
        self._account(self.finder.take(columns), judged.rig_file.rig, judged.constants)

    def finish(self, events: Sequence[Event], rig: Rig, k: Constants) -> None:
        """Account for the last, and say of each what was done in it."""
        self._account(self.finder.finish(), rig, k)
        _note_actions(self.of, events)

    def _account(self, pulls: Sequence[Pull], rig: Rig, k: Constants) -> None:
        if not pulls:
            return
        accounts = _accounts_of(pulls, rig, k)
        self.of += accounts
        for one in accounts:
            if _DRAWN in one.pull.rows:
                self._draw(one)
            one.pull.rows = {}

    def _draw(self, one: PullAccount) -> None:
        """Keep what is drawn of the pulls that came nearest to a limit."""
        rows = one.pull.columns
        thinner = Thinner(PULL_PIECES)
        thinner.take(rows["time_s"], rows["clock_s"], rows[_DRAWN])
        self._finer.append((one.nearest()[1].share, thinner.trace()))
        self._finer.sort(key=lambda pair: -pair[0])
        del self._finer[_MOST_FINER:]

    @property
    def finer(self) -> list[Trace]:
        """What is drawn of the worst pulls."""
        return [trace for _, trace in self._finer]


def _accounts_of(pulls: Sequence[Pull], rig: Rig, k: Constants) -> list[PullAccount]:
    """Return what came of pulls that one block ended."""
    rows = dict(pulls[0].rows)
    parts = Parts([pull.at.start for pull in pulls], [pull.at.stop for pull in pulls])
    judged = parts.reduced(np.add, rows[_JUDGED])
    mapped = {channel.name for channel in rig.channels}
    peaks: list[dict[str, Peak]] = [{} for _ in pulls]
    for name in PEAKS:
        if name not in mapped:
            continue
        values, at = parts.highest(rows[_PEAK + name])
        times_s = rows["guard_time_s"][at]
        limit = getattr(rig.limits, name).above
        for found, value, time_s in zip(peaks, values.tolist(), times_s.tolist(), strict=True):
            if isfinite(value):
                found[name] = Peak(value, limit, time_s)
    told = zip(pulls, accounts_of(k, rows, parts), peaks, judged.tolist(), strict=True)
    clock_s = rows["clock_s"]
    return [
        PullAccount(
            pull=pull,
            spray=spray,
            peaks=highest,
            judged=share / (pull.at.stop - pull.at.start),
            first_clock_s=float(clock_s[pull.at.start]),
            last_clock_s=float(clock_s[pull.at.stop - 1]),
        )
        for pull, spray, highest, share in told
    ]


def _note_actions(accounts: Sequence[PullAccount], events: Sequence[Event]) -> None:
    """Note what was in force within each pull, worst first."""
    waiting = sorted(events, key=lambda event: event.clock_s)
    waiting.reverse()
    begun: list[Event] = []
    for one in accounts:
        while waiting and waiting[-1].clock_s <= one.last_clock_s:
            begun.append(waiting.pop())
        begun = [event for event in begun if _ended_s(event) >= one.first_clock_s]
        found = [(_done_by(event, one.last_clock_s), event.finding) for event in begun]
        found.sort(key=lambda pair: -pair[0])
        one.action = found[0][0] if found else Action.NO_ACTION
        one.findings = list(dict.fromkeys(name for _, name in found))


def _ended_s(event: Event) -> float:
    return float("inf") if event.lasted_s is None else event.clock_s + event.lasted_s


def _done_by(event: Event, clock_s: float) -> Action:
    """Return the worst an event had led to by then; what became of it later was not yet done."""
    behind_s = event.time_s - event.clock_s
    steps = [step.action for step in event.steps if step.time_s - behind_s <= clock_s]
    return max((Action.named(action) for action in steps), default=Action.WARN)
