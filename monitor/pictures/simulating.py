"""Running a scenario for ``flowdebt simulate``: the log, the report, and what a picture needs."""

import textwrap
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, replace
from math import isfinite, isnan
from typing import Any, Final

import numpy as np

from rules.facts import Action, Rig
from rules.findings import FINDINGS
from rules.step.state import Decision
from simulator.plant import Report, Scenario
from simulator.plant.tuning import Spent, tune
from simulator.runs import Block, Drive, Span

MOST_DRAWN: Final = 200_000  # samples; more say nothing in one picture


@dataclass(frozen=True, slots=True)
class First:
    """The first time an action was asked for.

    Attributes:
        action: The action.
        finding: Index of the finding behind it.
        at_s: When, seconds since the start.
    """

    action: Action
    finding: int
    at_s: float


@dataclass(slots=True)
class Outcome:
    """What came of a run.

    Attributes:
        scenario: What was driven.
        seed: Its seed.
        guarded: Whether the guard acted, or only watched.
        samples: Rows in the log.
        report: What the run cost.
        twin: What the same car's drive costs without fault and without guard.
        overdrawn: Where the rig claims more timing for its spray than that buys in this car.
        spans: The faults, and when each was active.
        firsts: The first time of each action, mildest first.
    """

    scenario: Scenario
    seed: int
    guarded: bool
    report: Report
    twin: Report
    overdrawn: Spent | None = None
    samples: int = 0
    spans: tuple[Span, ...] = ()
    firsts: list[First] = field(default_factory=list)

    @property
    def lost_kj(self) -> float:
        """Work lost against the twin, kJ."""
        return self.twin.work_kj - self.report.work_kj

    def as_json(self) -> dict[str, Any]:
        """Return the report as plain JSON types."""
        return {
            "scenario": self.scenario.name,
            "rig": self.scenario.rig.name,
            "seed": self.seed,
            "guarded": self.guarded,
            "duration_s": self.scenario.duration_s,
            "samples": self.samples,
            "faults": [
                {
                    "kind": span.kind.word,
                    "channel": span.channel or None,
                    "begins_s": span.begins_s if isfinite(span.begins_s) else None,
                    "ends_s": span.ends_s if isfinite(span.begins_s) else None,
                }
                for span in self.spans
            ],
            "actions": [
                {
                    "action": first.action.word,
                    "at_s": first.at_s,
                    "finding": FINDINGS[first.finding].name,
                }
                for first in self.firsts
            ],
            "knock": {
                "harm": self.report.harm,
                "cycles": self.report.knocks,
                "heavy_cycles": self.report.heavy_knocks,
                "harm_of_twin": self.twin.harm,
            },
            "work": {
                "kj": self.report.work_kj,
                "kj_of_twin": self.twin.work_kj,
                "lost_kj": self.lost_kj,
            },
            "peaks": {
                "intake_c": self.report.peak_charge_c,
                "exhaust_c": self.report.peak_exhaust_c,
                "boost_kpa": self.report.peak_boost_kpa,
            },
            "fluid_used_ml": self.report.used_ml,
            "timing_claimed_beyond_spray": self.overdrawn and asdict(self.overdrawn),
        }

    def in_words(self) -> list[str]:
        """Return the report as lines of at most 80 columns."""
        report, twin = self.report, self.twin
        doing = "acts on the car" if self.guarded else "watches only (--guarded lets it act)"
        lines = [
            f"{self.scenario.name}: {self.scenario.rig.name}, seed {self.seed}, "
            f"{self.scenario.duration_s:zg} s, {self.samples} samples",
            *[_row("fault", _span(span)) for span in self.spans],
            _row("guard", doing),
        ]
        lines += [_row("", self._first(first)) for first in self.firsts]
        if not self.firsts:
            lines.append(_row("", "nothing to say"))
        share_pct = 100.0 * self.lost_kj / twin.work_kj if twin.work_kj > 0.0 else 0.0
        cycles = "1 knocking cycle" if report.knocks == 1 else f"{report.knocks} knocking cycles"
        knock = f"harm {report.harm:z.1f}, {cycles}, {report.heavy_knocks} heavy"
        work = f"{report.work_kj:z.0f} kJ at the crank"
        if self.spans or self.guarded:
            knock += f"; healthy twin: harm {twin.harm:z.1f}"
            kj = f"{abs(self.lost_kj):z.0f}"
            less = "less" if self.lost_kj >= 0.0 else "more"
            lost = f"{kj} kJ ({abs(share_pct):z.1f} %) {less} than"
            work += f", {lost if kj != '0' else 'as much as'} its healthy twin"
        lines += [
            _row("knock", knock),
            _row("work", work),
            _row(
                "peaks",
                f"intake {report.peak_charge_c:z.0f} degC, exhaust {report.peak_exhaust_c:z.0f} "
                f"degC, boost {report.peak_boost_kpa:z.0f} kPa",
            ),
            _row("fluid used", f"{report.used_ml:z.0f} mL"),
        ]
        if self.overdrawn is not None:
            told = textwrap.wrap(f"[paid] {self.overdrawn.in_words()}", 66)
            lines += [_row("" if i else "tune", line) for i, line in enumerate(told)]
        return lines

    def _first(self, first: First) -> str:
        onsets = [span.begins_s for span in self.spans if span.begins_s <= first.at_s]
        since = f", {first.at_s - max(onsets):z.2f} s after the fault" if onsets else ""
        finding = FINDINGS[first.finding].label
        return f"{first.action.word.replace('_', ' ')} at {first.at_s:z.2f} s{since}: {finding}"


class Run:
    """One run of a scenario: blocks for the log, and afterwards its outcome.

    Args:
        scenario: What to drive.
        seed: 0 or more.
        guarded: Whether the guard acts.
        compiled: Which way to run; the bits are the same.
        keep: Keep what a picture needs.
        guard_rig: What the guard takes the car for; otherwise it knows the car's own rig.
    """

    def __init__(
        self,
        scenario: Scenario,
        seed: int,
        *,
        guarded: bool,
        compiled: bool,
        keep: bool,
        guard_rig: Rig | None = None,
    ) -> None:
        self._drive = Drive(scenario, seed, guarded=guarded, compiled=compiled, guard_rig=guard_rig)
        self._keep = keep
        self._compiled = compiled
        self.kept: list[Block] = []
        peak_kpa = scenario.peak_boost_kpa
        self.outcome = Outcome(
            scenario,
            seed,
            guarded,
            report=self._drive.report,
            twin=self._drive.report,
            overdrawn=tune(scenario.rig, None if isnan(peak_kpa) else peak_kpa).overdrawn,
        )

    def blocks(self) -> Iterator[Block]:
        """Drive, block by block; the outcome is complete when they are through."""
        outcome = self.outcome
        for block in self._drive:
            outcome.samples += int(np.count_nonzero(block.sent))
            _note(outcome.firsts, block)
            if self._keep:
                self.kept.append(block)
            yield block
        outcome.spans = self._drive.spans
        outcome.report = outcome.twin = self._drive.report
        if outcome.scenario.faults or outcome.guarded:
            healthy = replace(outcome.scenario, faults=())
            twin = Drive(healthy, outcome.seed, guarded=False, compiled=self._compiled)
            for _ in twin:
                pass
            outcome.twin = twin.report


def _note(firsts: list[First], block: Block) -> None:
    """Add the first time of each action that this block brings."""
    named = Decision.named(block.decisions)
    for action in (Action.WARN, Action.PULL_TIMING, Action.CUT_BOOST):
        rows = np.flatnonzero(named["action"] >= action)
        if not len(rows) or any(first.action >= action for first in firsts):
            continue
        decision = named[rows[0]]
        reached = Action(int(decision["action"]))
        at_s = float(block.came_s[rows[0]])
        firsts.append(First(reached, int(decision["finding"]), at_s))


def _row(head: str, text: str) -> str:
    return f"  {head:<11} {text}"


def _span(span: Span) -> str:
    what = span.kind.word.replace("_", " ")
    if span.channel:
        what += f" ({span.channel})"
    if not isfinite(span.begins_s):
        return f"{what}: its conditions never held"
    return f"{what} from {span.begins_s:z.2f} s to {span.ends_s:z.2f} s"
