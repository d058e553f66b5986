"""A guard's statistics in words, for screens, lines and ``flowdebt status``."""

from collections.abc import Iterator
from typing import Final, NamedTuple

from monitor.attach.facts import Latency, Statistics

MOST_REASONS: Final = 6


class Line(NamedTuple):
    """One line of statistics; ``odd`` where it says that something went wrong."""

    name: str
    words: str
    odd: bool = False


def reasons_in_words(reasons: dict[str, int]) -> str:
    """Return counts by reason, the most common first: "bad number 2, too short 1"."""
    found = sorted(((r, n) for r, n in reasons.items() if n > 0), key=lambda pair: -pair[1])
    words = [f"{reason} {count}" for reason, count in found[:MOST_REASONS]]
    more = len(found) - MOST_REASONS
    return ", ".join(words) + (f" and {more} more reasons" if more > 0 else "")


def latency_in_words(latency: Latency) -> str:
    """Return how long deciding took: p50, p99, p99.9 and most."""
    return (
        f"p50 {latency.p50_ms:z.2f}, p99 {latency.p99_ms:z.2f}, p99.9 {latency.p999_ms:z.2f}, "
        f"most {latency.max_ms:z.2f} ms"
    )


def lines(facts: Statistics) -> Iterator[Line]:
    """Yield a guard's statistics, from the wire to the viewers."""
    headers = f", headers {facts.headers}" if facts.headers else ""
    yield Line("received", f"{facts.received}, of them decoded {facts.decoded}{headers}")
    refused = reasons_in_words(facts.rejected)
    yield Line("rejected", f"{facts.refused}: {refused}" if refused else "0", bool(refused))
    if facts.no_numbers:
        yield Line("no number", f"{facts.no_numbers} cells with text, never healthy", True)
    told = "by sequence numbers" if facts.lost else "as far as sequence numbers tell"
    yield Line("lost", f"{facts.lost} on the way, {told}", facts.lost > 0)
    yield Line("late", f"{facts.late} not used: older than what was decided on", facts.late > 0)
    waiting = f"waiting now {facts.waiting}, most {facts.most_waiting}"
    words = f"{facts.dropped} since deciding fell behind; {waiting}"
    yield Line("dropped", words, facts.dropped > 0)
    yield Line("decided", f"{facts.decided}, ticks for silence included")
    yield Line("latency", latency_in_words(facts.latency))
    yield from _kept(facts)
    times = "once" if facts.connects == 1 else f"{facts.connects} times"
    yield Line("connected", times, facts.connects > 1)
    clock = reasons_in_words(facts.clock)
    if clock or facts.drift_ppm is not None:
        parts = [clock] if clock else []
        if facts.drift_ppm is not None:
            parts.append(f"runs {facts.drift_ppm:+z.0f} ppm from ours")
        yield Line("its clock", ", ".join(parts), bool(clock))


def _kept(facts: Statistics) -> Iterator[Line]:
    if facts.recorded is not None:
        missing, waiting = facts.not_recorded or 0, _n(facts.recorder_waiting)
        words = f"{facts.recorded}, not recorded {missing}, waiting {waiting}"
        yield Line("recorded", words, missing > 0)
    words = f"{_n(facts.viewers)} attached, messages dropped {_n(facts.viewer_drops)}"
    odd = bool(facts.viewer_drops or facts.viewers_refused)
    yield Line("viewers", f"{words}, refused {_n(facts.viewers_refused)}", odd)


def _n(value: int | None) -> str:
    return "--" if value is None else str(value)
