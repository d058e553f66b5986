"""A guard's statistics in words, for screens, lines and ``flowdebt status``."""

from collections.abc import Iterator
from typing import Final, NamedTuple

from monitor.attach.message_parts import Latency, Statistics

MOST_REASONS: Final = 6


class Line(NamedTuple):
    """One line of statistics; ``odd`` where it says that something went wrong."""

    name: str
    words: str
    odd: bool = False


def reasons_in_words(reasons: dict[str, int] | None) -> str:
    """Return counts by reason, the most common first: "bad number 2, too short 1"."""
    found = [(reason, count) for reason, count in (reasons or {}).items() if count > 0]
    found.sort(key=lambda pair: -pair[1])
    words = [f"{reason} {count}" for reason, count in found[:MOST_REASONS]]
    more = len(found) - MOST_REASONS
    return ", ".join(words) + (f" and {more} more reasons" if more > 0 else "")


def latency_in_words(latency: Latency | None) -> str:
    """Return within how long how many decisions came."""
    if latency is None:
        return "not known"
    return (
        f"half in {latency.p50_ms:z.2f}, 99 % in {latency.p99_ms:z.2f}, 99.9 % in "
        f"{latency.p999_ms:z.2f}, all in {latency.max_ms:z.2f} ms"
    )


def lines(facts: Statistics) -> Iterator[Line]:
    """Yield a guard's statistics, from the wire to the viewers."""
    received = f"{in_words(facts.received)}, of them decoded {in_words(facts.decoded)}"
    yield Line("received", received + (f", headers {facts.headers}" if facts.headers else ""))
    refused = reasons_in_words(facts.rejected)
    yield Line("rejected", f"{facts.refused}: {refused}" if refused else "0", bool(refused))
    if facts.no_numbers:
        yield Line("no number", f"{facts.no_numbers} cells with text, never healthy", True)
    told = "by sequence numbers" if facts.lost else "as far as sequence numbers tell"
    yield Line("lost", f"{in_words(facts.lost)} on the way, {told}", bool(facts.lost))
    late = f"{in_words(facts.late)} not used: older than what was decided on"
    yield Line("late", late, bool(facts.late))
    waiting = f"waiting now {in_words(facts.waiting)}, most {in_words(facts.most_waiting)}"
    words = f"{in_words(facts.dropped)} since deciding fell behind; {waiting}"
    yield Line("dropped", words, bool(facts.dropped))
    yield Line("decided", f"{in_words(facts.decided)}, moments without data included")
    yield Line("latency", latency_in_words(facts.latency))
    yield from _kept(facts)
    times = "once" if facts.connects == 1 else f"{in_words(facts.connects)} times"
    yield Line("connected", times, (facts.connects or 0) > 1)
    clock = reasons_in_words(facts.clock)
    if clock or facts.drift_ppm is not None:
        parts = [clock] if clock else []
        if facts.drift_ppm is not None:
            parts.append(f"runs {facts.drift_ppm:+z.0f} ppm from ours")
        yield Line("its clock", ", ".join(parts), bool(clock))


def _kept(facts: Statistics) -> Iterator[Line]:
    if facts.recorded is not None:
        words = f"{facts.recorded}, not recorded {in_words(facts.not_recorded)}"
        words += f", waiting {in_words(facts.recorder_waiting)}"
        yield Line("recorded", words, bool(facts.not_recorded))
    drops, refused = facts.viewer_drops, facts.viewers_refused
    words = f"{in_words(facts.viewers)} attached, messages dropped {in_words(drops)}"
    yield Line("viewers", f"{words}, refused {in_words(refused)}", bool(drops or refused))


def in_words(count: int | None) -> str:
    """Return a count; ``--`` where it is unknown."""
    return "--" if count is None else str(count)
