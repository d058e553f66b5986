"""A guard's statistics in words, for screens, lines and ``flowdebt status``.

They come in messages, so nothing in them is relied upon: what is no count is shown as ``--``.
"""

from collections.abc import Iterator
from math import isfinite
from typing import Any, Final, NamedTuple

MOST_REASONS: Final = 6


class Line(NamedTuple):
    """One line of statistics; ``odd`` where it says that something went wrong."""

    name: str
    words: str
    odd: bool = False


def count(facts: Any, name: str) -> float:
    """Return a count, or NaN where there is none."""
    value = facts.get(name) if isinstance(facts, dict) else None
    if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) > 1e18:
        return float("nan")
    return float(value) if isfinite(value) else float("nan")


def by_reason(facts: Any, name: str) -> list[tuple[str, float]]:
    """Return counts by reason, the most common first; those that are nought are left out."""
    reasons = facts.get(name) if isinstance(facts, dict) else None
    if not isinstance(reasons, dict):
        return []
    found = [(str(reason), count(reasons, reason)) for reason in reasons]
    return sorted((pair for pair in found if pair[1] > 0.0), key=lambda pair: -pair[1])


def reasons_in_words(reasons: list[tuple[str, float]]) -> str:
    """Return reasons with their counts: "bad number 2, too short 1"."""
    words = [f"{reason} {_n(number)}" for reason, number in reasons[:MOST_REASONS]]
    more = len(reasons) - MOST_REASONS
    return ", ".join(words) + (f" and {more} more reasons" if more > 0 else "")


def latency_in_words(facts: Any) -> str:
    """Return how long deciding took: p50, p99, p99.9 and most."""
    found = facts.get("latency") if isinstance(facts, dict) else None
    shares = (("p50", "p50_ms"), ("p99", "p99_ms"), ("p99.9", "p999_ms"), ("most", "max_ms"))
    return ", ".join(f"{word} {_ms(count(found, name))}" for word, name in shares) + " ms"


def lines(facts: Any) -> Iterator[Line]:
    """Yield a guard's statistics, from the wire to the viewers."""
    received = f"{_n(count(facts, 'received'))}, of them decoded {_n(count(facts, 'decoded'))}"
    if count(facts, "headers") > 0.0:
        received += f", headers {_n(count(facts, 'headers'))}"
    yield Line("received", received)
    refused = by_reason(facts, "rejected")
    total = sum(number for _, number in refused)
    words = f"{_n(total)}: {reasons_in_words(refused)}" if refused else "0"
    yield Line("rejected", words, bool(refused))
    texts = count(facts, "no_numbers")
    if texts > 0.0:
        yield Line("no number", f"{_n(texts)} cells with text, never healthy", True)
    lost = count(facts, "lost")
    told = "by sequence numbers" if lost > 0.0 else "as far as sequence numbers tell"
    yield Line("lost", f"{_n(lost)} on the way, {told}", lost > 0.0)
    late = count(facts, "late")
    yield Line("late", f"{_n(late)} not used: older than what was decided on", late > 0.0)
    dropped = count(facts, "dropped")
    waiting = f"waiting now {_n(count(facts, 'waiting'))}, most {_n(count(facts, 'most_waiting'))}"
    yield Line("dropped", f"{_n(dropped)} since deciding fell behind; {waiting}", dropped > 0.0)
    yield Line("decided", f"{_n(count(facts, 'decided'))}, ticks for silence included")
    yield Line("latency", latency_in_words(facts))
    yield from _kept(facts)
    connects = count(facts, "connects")
    times = "once" if connects == 1.0 else f"{_n(connects)} times"
    yield Line("connected", times, connects > 1.0)
    clock = by_reason(facts, "clock")
    drift = count(facts, "drift_ppm")
    if clock or drift == drift:
        parts = [reasons_in_words(clock)] if clock else []
        parts += [f"runs {drift:+z.0f} ppm from ours"] if drift == drift else []
        yield Line("its clock", ", ".join(parts), bool(clock))


def _kept(facts: Any) -> Iterator[Line]:
    recorded, missing = count(facts, "recorded"), count(facts, "not_recorded")
    if recorded == recorded:
        words = f"{_n(recorded)}, not recorded {_n(missing)}"
        words += f", waiting {_n(count(facts, 'recorder_waiting'))}"
        yield Line("recorded", words, missing > 0.0)
    drops, refused = count(facts, "viewer_drops"), count(facts, "viewers_refused")
    words = f"{_n(count(facts, 'viewers'))} attached, messages dropped {_n(drops)}"
    yield Line("viewers", f"{words}, refused {_n(refused)}", drops > 0.0 or refused > 0.0)


def _n(value: float) -> str:
    return "--" if value != value else f"{value:z.0f}"


def _ms(value: float) -> str:
    return "--" if value != value else f"{value:z.2f}"
