"""Several logs read back at once: which are meant, what each is called, and which is worst."""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from monitor.recorder.reader import is_session
from monitor.recorder.span import counted
from monitor.review.review import Review
from monitor.sources.logs.open import SUFFIXES
from rules.facts import Action
from simulator.strict import clean

MOST_NAMED: Final = 5


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


def ranked_as_json(results: Sequence[Review], refused: dict[str, str]) -> dict[str, Any]:
    """Return the same as plain JSON types: all of them, and why others could not be judged."""
    ranked = [
        {"source": one.source, "worst_action": one.worst.word, "time_s": _worst_s(one)}
        for one in worst_first(results)
    ]
    return {"worst_first": ranked, "not_judged": refused}


def _share(peak: Any) -> float:
    return float(peak.value / peak.limit)


def _worst_s(result: Review) -> float | None:
    """When the worst action was first taken."""
    worst = [one.action_time_s for one in result.events if one.action is result.worst]
    return worst[0] if worst else None


def _worst_in_words(result: Review) -> str:
    at_s = _worst_s(result)
    if result.worst > Action.NO_ACTION and at_s is not None:
        return f"{result.worst.word.replace('_', ' ')} at {at_s:z.2f} s"
    return f"no action (evidence {100.0 * _share(result.spray.evidence):z.0f} % of its limit)"
