"""A log judged as it is and with thresholds changed: what comes out otherwise."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from msgspec import to_builtins

from monitor.attach.message_parts import EventFacts
from monitor.recorder.span import Span, counted
from monitor.review.compare import AS_RECORDED, Difference, compare, plain
from monitor.review.decide_log import decide
from monitor.review.decided_log import Decided
from monitor.review.edit import edit, without_place
from monitor.review.log import Log, open_log
from monitor.review.tallies import Tallies
from rules.events import Event
from rules.facts import Action
from simulator.rig import Change, RigFile, changes
from simulator.strict import BadInput, clean


@dataclass(slots=True)
class Tried:
    """What other thresholds would have done in a log.

    Attributes:
        source: What the log is called.
        rig: Rig's name.
        changes: What is changed in it.
        span: How many rows the log holds, and over which time.
        judged: Of these, how many could be judged.
        events: As it is, and so changed.
        differences: What comes out otherwise, by time.
        tallies: The same, counted.
        cut: Why a session or a log ends early; None where it doesn't.
        reproduced: Whether a session's own decisions came out the same; None where not compared.
        changed_then: Whether a session's thresholds were changed while it ran.
    """

    source: str
    rig: str
    changes: tuple[Change, ...]
    span: Span
    judged: int
    events: tuple[list[Event], list[Event]]
    differences: list[Difference]
    tallies: Tallies
    cut: str | None
    reproduced: bool | None
    changed_then: bool

    @property
    def worst(self) -> Action:
        """The worst action so changed."""
        return _worst(self.events[1])

    @property
    def could_be_judged(self) -> bool:
        """Whether anything in it could be judged."""
        return bool(self.judged or any(self.events))

    def in_words(self) -> Iterator[str]:
        """Yield it as lines for people."""
        yield f"{clean(self.source)}: {self.span.in_words()}, judged by rig {clean(self.rig)}"
        told = ", ".join(change.words for change in self.changes)
        yield f"  what if: {told or 'nothing is changed: the rig says so already'}"
        if self.cut is not None:
            yield f"  the recording is not whole: {clean(self.cut, 1000)}"
        if self.reproduced is False:
            yield "  decisions DIFFER from those recorded; flowdebt review without --set says where"
        if self.changed_then:
            yield "  thresholds were changed while it ran; what if they had been these throughout"
        before, after = (plain(_worst(events).word) for events in self.events)
        yield f"  worst as it is: {before}; so changed: {after}"
        for difference in self.differences:
            yield f"  {difference.time_s:z9.2f} s  {difference.words}"
        if not self.differences:
            yield "  nothing comes out otherwise"

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON types."""
        return {
            "source": self.source,
            "rig": self.rig,
            "rows": self.span.readings,
            "judged": self.judged,
            "from_s": self.span.from_s,
            "to_s": self.span.to_s,
            "cut": self.cut,
            "reproduced": self.reproduced,
            "changes": [change._asdict() for change in self.changes],
            "before": _events_as_json(self.events[0]),
            "after": _events_as_json(self.events[1]),
            "differences": [_difference_as_json(one) for one in self.differences],
            **self.tallies.as_json(),
        }


class Trials:
    """Thresholds to try on logs, one after the other.

    Args:
        paths: The logs.
        rig: Rig file or shipped name; sessions bring their own.
        sets: Changes as ``edit`` takes them.

    Attributes:
        tallies: What differs in all logs that were tried so far.
        tried: How many these are.

    Raises:
        BadInput: The changes suit none of the logs' rigs.
    """

    def __init__(self, paths: Sequence[Path], rig: str | None, sets: Sequence[str]) -> None:
        self.tallies = Tallies()
        self.tried = 0
        self._sets = sets
        self._edited: dict[str, RigFile | BadInput] = {}
        self._opened: dict[Path, Log | BadInput] = {}
        for path in paths:
            try:
                self._opened[path] = log = open_log(path, rig)
            except BadInput as error:
                self._opened[path] = error
            else:
                self._edit(log.rig_file)
        refused = [one for one in self._edited.values() if isinstance(one, BadInput)]
        if refused and len(refused) == len(self._edited):
            raise refused[0]

    def of(self, path: Path, source: str) -> Tried:
        """Return what differs in one of the logs; ``source`` is what it is called.

        Raises:
            BadInput: It can't be read, or the changes don't suit its rig.
        """
        log = self._opened.pop(path)
        if isinstance(log, BadInput):
            raise log
        edited = self._edit(log.rig_file)
        if isinstance(edited, BadInput):
            raise BadInput(f"{clean(source, 200)}: {edited}")
        try:
            before = decide(log)
            after = decide(log, edited)
            self.tallies.take(before, after)
            self.tried += 1
            return _tried(source, before, after)
        finally:
            log.close()

    def in_words(self, *, of: int) -> Iterator[str]:
        """Yield what differs in all of them together, of so many, as lines for people."""
        if of > 1:
            read = f", {self.tried} of" if self.tried < of else ""
            yield f"in all{read} {counted(of, 'log')}:"
            for line in self.tallies.in_words():
                yield f"  {line}"
        yield f"  {AS_RECORDED}"

    def as_json(self, refused: dict[str, str]) -> dict[str, Any]:
        """Return the same as plain JSON types, and why others could not be judged."""
        return {"logs": self.tried, "not_judged": refused, **self.tallies.as_json()}

    def _edit(self, rig_file: RigFile) -> RigFile | BadInput:
        text = rig_file.text
        if text not in self._edited:
            try:
                self._edited[text] = edit(rig_file, *self._sets)
            except BadInput as error:
                self._edited[text] = BadInput(f"--set: {without_place(str(error), rig_file)}")
        return self._edited[text]


def _tried(source: str, before: Decided, after: Decided) -> Tried:
    log, tallies, span = before.log, Tallies(), Span()
    tallies.take(before, after)
    span.take(log.rows)
    return Tried(
        source=source,
        rig=before.rig_file.rig.name,
        changes=changes(before.rig_file, after.rig_file),
        span=span,
        judged=before.judged,
        events=(before.events, after.events),
        differences=compare(before, after),
        tallies=tallies,
        cut=log.cut,
        reproduced=before.reproduced,
        changed_then=log.own_terms and bool(log.rigs),
    )


def _worst(events: Sequence[Event]) -> Action:
    return max((event.action for event in events), default=Action.NO_ACTION)


def _events_as_json(events: Sequence[Event]) -> dict[str, Any]:
    return {
        "worst_action": _worst(events).word,
        "events": [to_builtins(EventFacts.of(event)) for event in events],
    }


def _difference_as_json(one: Difference) -> dict[str, Any]:
    return {
        "time_s": one.time_s,
        "kind": one.kind,
        "finding": one.finding,
        "action": one.action,
        "by": one.by,
        "unit": one.unit or None,
        "words": one.words,
    }
