"""What a device did in many runs: how soon it answers each fault, in words and as JSON."""

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from math import ceil, isfinite
from typing import Any, Final

from monitor.device.base import Ear
from monitor.device.trial import DeviceRun, FaultAnswer
from monitor.recorder.index import length_in_words
from monitor.recorder.span import counted
from simulator.strict import clean

SHARES: Final = {"p50": 0.5, "p95": 0.95, "p99": 0.99, "worst": 1.0}
_ACTIONS: Final = {"warn_s": "warn", "pull_s": "pull timing", "cut_s": "cut boost"}
_LATE_S: Final = 0.02  # worth telling


def within_s(delays_s: Sequence[float], share: float) -> float:
    """Return the least time within which so great a share was answered, by nearest rank.

    Args:
        delays_s: One at least; infinite where no answer came.
        share: Above 0, up to 1.
    """
    return sorted(delays_s)[ceil(share * len(delays_s) - 1e-9) - 1]


class Summary:
    """Adds up runs.

    Attributes:
        runs: All of them.
    """

    def __init__(self, ear: Ear) -> None:
        self.runs: list[DeviceRun] = []
        self._ear = ear
        told = tuple(_ACTIONS) if ear.tells_action else ("cut_s",)
        self._levels = {level: _ACTIONS[level] if ear.tells_action else "let go" for level in told}

    @property
    def false_answers(self) -> int:
        """How often the output was let go with no fault there."""
        return sum(run.false_answers for run in self.runs)

    @property
    def all_answered(self) -> bool:
        """Whether every fault that began was answered by timing pulled, or more."""
        return all(
            answer.held and isfinite(answer.pull_s)
            for run in self.runs
            for answer in run.answers
            if isfinite(answer.onset_s)
        )

    def in_words(self) -> Iterator[str]:
        """Yield lines for people."""
        yield f"{counted(len(self.runs), 'run')}, listening to {clean(self._ear.name)}"
        for answers in self._by_fault():
            yield from self._fault_in_words(answers)
        calm_s = sum(run.calm_s for run in self.runs)
        late = [run for run in self.runs if run.late_s > _LATE_S]
        of_late = sum(run.false_answers for run in late)
        held_up = f" ({of_late} where this machine sent late)" if of_late else ""
        yield (
            f"  let go with no fault there: {self.false_answers}{held_up} in "
            f"{length_in_words(calm_s)}"
        )
        if late:
            yield (
                f"  samples were sent up to {max(run.late_s for run in late):z.3f} s late in "
                f"{counted(len(late), 'run')}, this machine being busy: times from the onset have "
                "that in them"
            )
        if self._ear.late_s:
            yield f"  the line was looked at every {1000.0 * self._ear.late_s:z.1f} ms or sooner"
        yield "  The car is simulated and hears no answer: these are a device's times, not a car's."

    def _fault_in_words(self, answers: list[FaultAnswer]) -> Iterator[str]:
        fault = clean(answers[0].fault.replace("_", " "), 60)
        began = [answer for answer in answers if isfinite(answer.onset_s)]
        timed = [answer for answer in began if answer.held]
        yield f"  {fault}: began in {counted(len(began), 'run')}"
        if len(timed) < len(began):
            yield (
                f"    in {len(began) - len(timed)} the output was not held then, so nothing can be "
                "timed: does the device need a reset by hand, or longer to come back?"
            )
        if not timed:
            return
        heads = "".join(f"{name:>10}" for name in SHARES)
        yield f"    {'':<34}{'answered':>10}{heads}"
        for level, what in self._levels.items():
            sent_s = [getattr(answer, level) for answer in timed]
            onset_s = [getattr(answer, level) + answer.sent_after_s for answer in timed]
            count = f"{sum(map(isfinite, sent_s))}/{len(timed)}"
            for since, delays_s in (("sample sent", sent_s), ("onset", onset_s)):
                cells = "".join(f"{_seconds(within_s(delays_s, s)):>10}" for s in SHARES.values())
                yield f"    {f'{what}, from the {since}':<34}{count:>10}{cells}"

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON types; null where no answer came."""
        return {
            "runs": len(self.runs),
            "listened_to": self._ear.name,
            "tells_action": self._ear.tells_action,
            "false_answers": self.false_answers,
            "calm_s": sum(run.calm_s for run in self.runs),
            "sent_late_s": max((run.late_s for run in self.runs), default=0.0),
            "seen_late_s": self._ear.late_s,
            "faults": [self._fault_as_json(answers) for answers in self._by_fault()],
        }

    def _fault_as_json(self, answers: list[FaultAnswer]) -> dict[str, Any]:
        began = [answer for answer in answers if isfinite(answer.onset_s)]
        timed = [answer for answer in began if answer.held]
        facts: dict[str, Any] = {
            "fault": answers[0].fault,
            "began": len(began),
            "held": len(timed),
        }
        for level in self._levels:
            delays_s = [getattr(answer, level) for answer in timed]
            from_onset_s = [getattr(answer, level) + answer.sent_after_s for answer in timed]
            facts[level] = {
                "answered": sum(map(isfinite, delays_s)),
                "from_sent": _shares_as_json(delays_s),
                "from_onset": _shares_as_json(from_onset_s),
            }
        return facts

    def _by_fault(self) -> list[list[FaultAnswer]]:
        """Return the answers of all runs, fault by fault of the scenario."""
        return [list(answers) for answers in zip(*(run.answers for run in self.runs), strict=True)]


def run_as_json(run: DeviceRun) -> dict[str, Any]:
    """Return a run as plain JSON types; null where no answer came, or no fault began."""
    facts = asdict(run)
    facts["answers"] = [
        {key: _finite(value) for key, value in answer.items()} for answer in facts["answers"]
    ]
    return facts


def _shares_as_json(delays_s: list[float]) -> dict[str, float | None] | None:
    if not delays_s:
        return None
    return {f"{name}_s": _finite(within_s(delays_s, share)) for name, share in SHARES.items()}


def _finite(value: Any) -> Any:
    return None if isinstance(value, float) and not isfinite(value) else value


def _seconds(delay_s: float) -> str:
    return f"{delay_s:z.3f} s" if isfinite(delay_s) else "never"
