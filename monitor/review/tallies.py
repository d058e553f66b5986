"""How often each action appears, vanishes or moves under other thresholds, over several logs."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from monitor.review.compare import (
    LEAST_DEG,
    LEAST_KPA,
    LEAST_S,
    LEVELS,
    pairs,
    plain,
    seconds_in_words,
)
from monitor.review.decided_log import Decided
from rules.events import Event
from rules.facts import Action


@dataclass(slots=True)
class Tally:
    """What became of one action: of the events that asked for it, or for a worse one.

    Attributes:
        before: How many did before.
        after: And after.
        appears: How many do only after.
        vanishes: How many did only before.
        moved_s: By how much later, s, where both do, at another time; negative where earlier.
    """

    before: int = 0
    after: int = 0
    appears: int = 0
    vanishes: int = 0
    moved_s: list[float] = field(default_factory=list)


@dataclass(slots=True)
class Tallies:
    """What differs over several logs, added up.

    Attributes:
        of: By action, from the mildest.
        deeper_deg: By how much more timing was pulled where both did; negative where less.
        deeper_kpa: By how much lower boost was cut; negative where less far.
    """

    of: dict[Action, Tally] = field(default_factory=lambda: {level: Tally() for level in LEVELS})
    deeper_deg: list[float] = field(default_factory=list)
    deeper_kpa: list[float] = field(default_factory=list)

    def take(self, before: Decided, after: Decided) -> None:
        """Add what differs between two decidings of one log.

        Raises:
            ValueError: They are not of one log.
        """
        for was, is_now in pairs(before, after):
            for level, tally in self.of.items():
                then_s = None if was is None else was.reached_s(level)
                now_s = None if is_now is None else is_now.reached_s(level)
                tally.before += then_s is not None
                tally.after += now_s is not None
                if then_s is not None and now_s is not None:
                    if abs(now_s - then_s) >= LEAST_S:
                        tally.moved_s.append(now_s - then_s)
                else:
                    tally.appears += now_s is not None
                    tally.vanishes += then_s is not None
            if was is not None and is_now is not None:
                self._take_depth(was.event, is_now.event)

    def add(self, other: "Tallies") -> None:
        """Add what differs over further logs."""
        for level, tally in self.of.items():
            more = other.of[level]
            tally.before += more.before
            tally.after += more.after
            tally.appears += more.appears
            tally.vanishes += more.vanishes
            tally.moved_s += more.moved_s
        self.deeper_deg += other.deeper_deg
        self.deeper_kpa += other.deeper_kpa

    def _take_depth(self, old: Event, new: Event) -> None:
        if abs(by_deg := new.retard_deg - old.retard_deg) >= LEAST_DEG:
            self.deeper_deg.append(by_deg)
        if old.boost_ceiling_kpa is not None and new.boost_ceiling_kpa is not None:
            by_kpa = old.boost_ceiling_kpa - new.boost_ceiling_kpa
            if abs(by_kpa) >= LEAST_KPA:
                self.deeper_kpa.append(by_kpa)

    def in_words(self) -> Iterator[str]:
        """Yield a line for each action, and for depth where that differs."""
        for level, tally in self.of.items():
            before, after = _times(tally.before), _times(tally.after)
            found = [f"{plain(level.word)}: {before} as it is, {after} so changed"]
            if tally.appears:
                found.append(_verb(tally.appears, "appear"))
            if tally.vanishes:
                found.append(_verb(tally.vanishes, "vanish", "vanishes"))
            found += _split(tally.moved_s, "s", ("come", "comes"), ("earlier", "later"))
            yield "; ".join(found)
        for by, unit in ((self.deeper_deg, "deg"), (self.deeper_kpa, "kPa")):
            verb = ("pull", "pulls") if unit == "deg" else ("cut boost", "cuts boost")
            if by:
                yield "; ".join(_split(by, unit, verb, ("less", "more")))

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON types."""
        return {
            "actions": {
                level.word: {
                    "before": tally.before,
                    "after": tally.after,
                    "appears": tally.appears,
                    "vanishes": tally.vanishes,
                    "moved_s": tally.moved_s,
                }
                for level, tally in self.of.items()
            },
            "deeper_deg": self.deeper_deg,
            "deeper_kpa": self.deeper_kpa,
        }


def _times(count: int) -> str:
    return {0: "never", 1: "once"}.get(count, f"{count} times")


def _verb(count: int, plural: str, singular: str = "") -> str:
    return f"{count} {(singular or plural + 's') if count == 1 else plural}"


def _split(
    by: list[float], unit: str, verb: tuple[str, str], words: tuple[str, str]
) -> Iterator[str]:
    """Yield how many are below nought and how many above, and from how much to how much."""
    for sign, word in zip((-1.0, 1.0), words, strict=True):
        sizes = sorted(sign * one for one in by if sign * one > 0.0)
        if not sizes:
            continue
        told = [seconds_in_words(size) if unit == "s" else f"{size:z.1f} {unit}" for size in sizes]
        span = told[0] if told[0] == told[-1] else f"{told[0]} to {told[-1]}"
        yield f"{_verb(len(sizes), *verb)} {word}, by {span}"
