"""Several logs read back at once: which are meant, what each is called, what was worst in them."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import inf
from pathlib import Path
from shlex import quote
from typing import Any, Final

from monitor.recorder.reader import is_session
from monitor.recorder.span import counted
from monitor.review.review import Review
from monitor.sources.logs.file_kind import SUFFIXES
from monitor.words.events import SAME_BOUT_S
from monitor.words.times import moment
from rules.events import Event
from rules.facts import Action
from simulator.strict import clean

MOST_NAMED: Final = 5
MOST_MOMENTS: Final = 10  # told in words
_MOST_KEPT: Final = 200


def logs_in(paths: Sequence[Path]) -> list[Path]:
    """Return the logs that are meant, each once; what is none is left for its reader to refuse.

    Args:
        paths: Logs, sessions' folders, and folders: these stand for the sessions and logs that lie
            in them, by name, and not for what lies deeper.
    """
    found: list[Path] = []
    for path in paths:
        inner: list[Path] = []
        if path.is_dir() and not is_session(path):
            inner = [one for one in sorted(path.iterdir()) if _is_log(one)]
        found += inner or [path]
    return list(dict.fromkeys(found))


def _is_log(path: Path) -> bool:
    return is_session(path) or (path.suffix.lower() in SUFFIXES and path.is_file())


def names_of(paths: Sequence[Path]) -> list[str]:
    """Return what each log is called: its name, or its path where another has that name too."""
    times = Counter(path.name for path in paths)
    return [path.name if times[path.name] == 1 else str(path) for path in paths]


def worst_first(results: Sequence[Review]) -> list[Review]:
    """Return reviews in order: the worst action first, then the most of a limit reached."""

    def how_bad(result: Review) -> tuple[float, ...]:
        return float(result.worst), _share(result.spray.debt_ml), _share(result.spray.evidence)

    return sorted(results, key=how_bad, reverse=True)


@dataclass(frozen=True, slots=True)
class Moment:
    """One of the worst moments of some logs.

    Attributes:
        source: What its log is called.
        path: Where that is.
        time_s: When, in its log's time.
        from_s: When its log starts.
        action: The worst that was done.
        share: How much of a limit was reached at most, 1 being all of it.
        what: What was found, or came near to its limit.
    """

    source: str
    path: Path
    time_s: float
    from_s: float
    action: Action
    share: float
    what: str

    @property
    def at(self) -> str:
        """When, as ``--at`` takes it."""
        return moment(self.time_s, self.from_s)

    @property
    def how_near(self) -> str:
        """What was done, or how near it came to that."""
        if self.action > Action.NO_ACTION:
            return self.action.word.replace("_", " ")
        return f"{100.0 * self.share:z.0f} % of its limit"

    def command(self, rig: str | None) -> str:
        """Return the command that shows it; ``rig`` as it was given."""
        judged_by = "" if rig is None else f" --rig {quote(rig)}"
        return f"flowdebt replay {quote(str(self.path))}{judged_by} --at {self.at}"

    def as_json(self, rig: str | None) -> dict[str, Any]:
        """Return plain JSON types."""
        return {
            "source": self.source,
            "time_s": self.time_s,
            "what": self.what,
            "action": self.action.word,
            "share_of_limit": self.share,
            "command": self.command(rig),
        }


def worst_moments(results: Sequence[Review]) -> list[Moment]:
    """Return the worst moments of all logs: the hardest action first, then the nearest to a limit.

    Findings that overlap are one moment, at the first of them. Of a pull in which nothing was done
    it is where it came nearest to a limit.
    """
    found = [one for result in results for one in _moments(result)]
    found.sort(key=lambda one: (one.action, one.share), reverse=True)
    return found[:_MOST_KEPT]


def _moments(result: Review) -> Iterator[Moment]:
    at = result.source, result.path
    from_s = result.span.from_s or 0.0
    for bout in _bouts(result.events):
        worst = max(event.action for event in bout)
        limit_ml = result.spray.debt_ml.limit
        share = max(1.0, max(event.debt_ml for event in bout) / limit_ml)
        labels = dict.fromkeys(event.what.label for event in sorted(bout, key=lambda e: -e.action))
        yield Moment(*at, bout[0].time_s, from_s, worst, share, ", ".join(labels))
    for pull in result.pulls:
        name, peak = pull.nearest()
        if pull.action is Action.NO_ACTION and peak.time_s is not None:
            yield Moment(*at, peak.time_s, from_s, Action.NO_ACTION, peak.share, name)
    evidence = result.spray.evidence
    if not result.pulls and not result.events and evidence.time_s is not None:
        yield Moment(*at, evidence.time_s, from_s, Action.NO_ACTION, evidence.share, "evidence")


def _bouts(events: Sequence[Event]) -> Iterator[list[Event]]:
    """Yield events that overlap, or nearly so, together."""
    bout: list[Event] = []
    ends_s = -inf
    for event in sorted(events, key=lambda one: one.clock_s):
        if bout and event.clock_s > ends_s + SAME_BOUT_S:
            yield bout
            bout, ends_s = [], -inf
        bout.append(event)
        ends_s = max(ends_s, inf if event.lasted_s is None else event.clock_s + event.lasted_s)
    if bout:
        yield bout


def moments_in_words(results: Sequence[Review], rig: str | None) -> Iterator[str]:
    """Yield the worst moments as lines, each with the command that shows it."""
    worst = worst_moments(results)
    if worst:
        yield f"worst moments of all, {min(len(worst), MOST_MOMENTS)} of {len(worst)}:"
    for number, one in enumerate(worst[:MOST_MOMENTS], start=1):
        yield f"  {number:2}. {clean(one.source)} at {one.at}: {clean(one.what)}, {one.how_near}"
        yield f"      {clean(one.command(rig), 1000)}"


def ranked_in_words(results: Sequence[Review], *, of: int) -> str:
    """Return which of several logs are worst, in a line.

    Args:
        results: Of those that could be judged.
        of: How many logs were to be read.
    """
    told = f"{len(results)} of {counted(of, 'log')} read" if of > len(results) else ""
    ranked = worst_first(results)
    named = [f"{clean(one.source)} {_worst_in_words(one)}" for one in ranked[:MOST_NAMED]]
    if len(ranked) > MOST_NAMED:
        named.append(f"and {len(ranked) - MOST_NAMED} more")
    order = f"worst first: {'; '.join(named)}" if named else ""
    return "; ".join(part for part in (told, order) if part)


def ranked_as_json(
    results: Sequence[Review], refused: dict[str, str], rig: str | None
) -> dict[str, Any]:
    """Return the same as plain JSON types: all of them, and why others could not be judged."""
    ranked = [
        {"source": one.source, "worst_action": one.worst.word, "time_s": _worst_s(one)}
        for one in worst_first(results)
    ]
    moments = [one.as_json(rig) for one in worst_moments(results)]
    return {"worst_first": ranked, "worst_moments": moments, "not_judged": refused}


def _share(peak: Any) -> float:
    return float(peak.share)


def _worst_s(result: Review) -> float | None:
    """When the worst action was first taken."""
    worst = [one.action_time_s for one in result.events if one.action is result.worst]
    return worst[0] if worst else None


def _worst_in_words(result: Review) -> str:
    at_s = _worst_s(result)
    if result.worst > Action.NO_ACTION and at_s is not None:
        return f"{result.worst.word.replace('_', ' ')} at {at_s:z.2f} s"
    return f"no action (evidence {100.0 * _share(result.spray.evidence):z.0f} % of its limit)"
