"""What two decidings of one log do differently."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from math import inf
from typing import Final

from monitor.review.decided_log import Decided
from rules.events import Event, Turn
from rules.facts import Action
from rules.findings import label_of
from rules.step.state import FINDING_NAMES

AS_RECORDED: Final = "Readings stay as recorded: how the car would have answered is not known."
NEAR_S: Final = 2.0  # events of one finding that overlap, or are this near, are the same one
LEVELS: Final = (Action.WARN, Action.PULL_TIMING, Action.CUT_BOOST)
LEAST_DEG: Final = 0.05
LEAST_KPA: Final = 0.5
LEAST_S: Final = 0.0005  # smaller differences print as none


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that came out otherwise.

    Attributes:
        time_s: When, on the axis: the earlier of the two.
        index: Row at which the event it belongs to was raised, the earlier of the two.
        kind: ``appears``, ``vanishes``, ``earlier``, ``later``, ``deeper``, ``shallower``,
            ``longer`` or ``shorter``.
        finding: Name of the finding.
        action: Word of the action, as ``pull_timing``.
        by: How much; 0 where not fitting.
        words: All of it in one line.
        before: The event before; None where it appears.
        after: The event after; None where it vanishes.
        unit: Of ``by``: s for times, deg of timing or kPa of ceiling for depth; empty where 0.
    """

    time_s: float
    index: int
    kind: str
    finding: str
    action: str
    by: float
    words: str
    before: Event | None
    after: Event | None
    unit: str = ""


@dataclass(slots=True)
class Placed:
    """An event and where it stands on the axis: from, until and each step of its level."""

    event: Event
    index: int
    from_s: float
    until_s: float
    steps: list[tuple[float, Action]]

    def reached_s(self, level: Action) -> float | None:
        """Return when it first asked for this much, or more."""
        return next((at_s for at_s, step in self.steps if step >= level), None)

    def has_step(self, level: Action) -> bool:
        """Return whether it rose to just this much."""
        return any(step is level for _, step in self.steps)


def compare(before: Decided, after: Decided) -> list[Difference]:
    """Return what differs between two decidings of one log, by time; empty where nothing does.

    Raises:
        ValueError: They are not of one log.
    """
    found: list[Difference] = []
    for was, is_now in pairs(before, after):
        if was is not None and is_now is not None:
            found += _both(was, is_now)
        elif was is not None:
            found.append(_alone(was, "vanishes"))
        elif is_now is not None:
            found.append(_alone(is_now, "appears"))
    return sorted(found, key=lambda difference: difference.time_s)


def pairs(before: Decided, after: Decided) -> Iterator[tuple[Placed | None, Placed | None]]:
    """Yield the events of both, those together that are the same one.

    Raises:
        ValueError: They are not of one log.
    """
    if before.log is not after.log:
        raise ValueError("found decidings of two logs, expected of one")
    old, new = _placed(before), _placed(after)
    for finding in FINDING_NAMES:
        yield from _paired(old.get(finding, []), new.get(finding, []))


def _placed(decided: Decided) -> dict[str, list[Placed]]:
    placed: dict[int, Placed] = {}
    for turn in decided.turns:
        if turn.turn is Turn.RAISED:
            event = decided.events[turn.number]
            placed[turn.number] = Placed(event, turn.index, turn.time_s, inf, [])
        if turn.turn is Turn.CLEARED:
            placed[turn.number].until_s = turn.time_s
        else:
            step = turn.event.level
            placed[turn.number].steps.append((turn.time_s, step))
    by_finding: dict[str, list[Placed]] = {}
    for one in placed.values():
        by_finding.setdefault(one.event.finding, []).append(one)
    return by_finding


def _paired(old: list[Placed], new: list[Placed]) -> list[tuple[Placed | None, Placed | None]]:
    """Pair the events of one finding: those that overlap, the ones that begin nearest first."""
    # One finding has one event at a time, so both ends rise.
    begins, ends = [b.from_s for b in new], [b.until_s for b in new]
    near = [
        (abs(a.from_s - new[j].from_s), i, j)
        for i, a in enumerate(old)
        for j in range(
            bisect_left(ends, a.from_s - NEAR_S), bisect_right(begins, a.until_s + NEAR_S)
        )
    ]
    pairs: dict[int, int] = {}
    taken: set[int] = set()
    for _, i, j in sorted(near):
        if i not in pairs and j not in taken:
            pairs[i] = j
            taken.add(j)
    together: list[tuple[Placed | None, Placed | None]] = [
        (a, new[pairs[i]] if i in pairs else None) for i, a in enumerate(old)
    ]
    return together + [(None, b) for j, b in enumerate(new) if j not in taken]


def _alone(placed: Placed, kind: str) -> Difference:
    event, appears = placed.event, kind == "appears"
    name, action = event.finding, event.action.word
    what = f"{label_of(name)} ({plain(action)}) {kind}"
    words = f"{what}, {'' if appears else 'was '}raised at {placed.from_s:z.2f} s"
    old, new = (None, event) if appears else (event, None)
    return Difference(placed.from_s, placed.index, kind, name, action, 0.0, words, old, new)


def _both(was: Placed, is_now: Placed) -> list[Difference]:
    old, new = was.event, is_now.event
    index = min(was.index, is_now.index)
    found = []

    def tell(time_s: float, kind: str, action: str, by: float, words: str, unit: str = "s") -> None:
        unit = unit if by else ""
        what = (time_s, index, kind, old.finding, action, by, words)
        found.append(Difference(*what, old, new, unit))

    of = label_of(old.finding)
    for level in LEVELS:
        if not (was.has_step(level) or is_now.has_step(level)):
            continue
        then_s, now_s = was.reached_s(level), is_now.reached_s(level)
        name = f"{plain(level.word)} of {of}"
        if then_s is None and now_s is not None:
            tell(now_s, "appears", level.word, 0.0, f"{name} appears at {now_s:z.2f} s")
        elif now_s is None and then_s is not None:
            tell(then_s, "vanishes", level.word, 0.0, f"{name} vanishes, was at {then_s:z.2f} s")
        elif then_s is not None and now_s is not None and abs(now_s - then_s) >= LEAST_S:
            by, kind = abs(now_s - then_s), "earlier" if now_s < then_s else "later"
            words = f"{name}: {seconds_in_words(by)} {kind}"
            tell(min(now_s, then_s), kind, level.word, by, words)
    at_s, word = min(was.from_s, is_now.from_s), new.action.word
    by = abs(new.retard_deg - old.retard_deg)
    if by >= LEAST_DEG:
        kind = "deeper" if new.retard_deg > old.retard_deg else "shallower"
        change = f"{old.retard_deg:z.1f} -> {new.retard_deg:z.1f} deg"
        words = f"{of}: pulls {by:z.1f} deg {_more(kind)} ({change})"
        tell(at_s, kind, word, by, words, "deg")
    if old.boost_ceiling_kpa is not None and new.boost_ceiling_kpa is not None:
        by = abs(new.boost_ceiling_kpa - old.boost_ceiling_kpa)
        if by >= LEAST_KPA:
            kind = "deeper" if new.boost_ceiling_kpa < old.boost_ceiling_kpa else "shallower"
            change = f"{old.boost_ceiling_kpa:z.0f} -> {new.boost_ceiling_kpa:z.0f} kPa"
            words = f"{of}: cuts boost {by:z.0f} kPa {_more(kind)} ({change})"
            tell(at_s, kind, word, by, words, "kPa")
    if was.until_s != is_now.until_s and abs(was.until_s - is_now.until_s) >= LEAST_S:
        tell(at_s, *_lasting(was, is_now, of, word))
    return found


def _lasting(was: Placed, is_now: Placed, of: str, word: str) -> tuple[str, str, float, str]:
    then_s, now_s = was.until_s, is_now.until_s
    kind = "longer" if now_s > then_s else "shorter"
    by = abs(now_s - then_s)
    if by == inf:
        whole = "lasts to the end" if kind == "longer" else f"clears at {now_s:z.2f} s"
        past = f"cleared at {then_s:z.2f} s" if kind == "longer" else "lasted to the end"
        return kind, word, 0.0, f"{of} {whole}, {past}"
    return (
        kind,
        word,
        by,
        f"{of} clears {seconds_in_words(by)} {'later' if kind == 'longer' else 'earlier'}",
    )


def _more(kind: str) -> str:
    return "more" if kind == "deeper" else "less"


def plain(name: str) -> str:
    """Return an action's word as people write it."""
    return name.replace("_", " ")


def seconds_in_words(span_s: float) -> str:
    """Return a short span, in ms where it is below 10 ms."""
    return f"{span_s:z.2f} s" if span_s >= 0.0095 else f"{1000.0 * span_s:z.1f} ms"
