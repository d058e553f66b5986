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
from monitor.review.in_processes import BYTES_WORTH_IT, each
from monitor.review.log import Progress, open_log
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
    """Thresholds to try on logs.

    Args:
        paths: The logs.
        names: What each is called.
        rig: Rig file or shipped name; sessions bring their own.
        sets: Changes as ``edit`` takes them.

    Attributes:
        tallies: What differs in all logs that were tried so far.
        tried: How many these are.

    Raises:
        BadInput: The changes suit none of the logs' rigs.
    """

    def __init__(
        self, paths: Sequence[Path], names: Sequence[str], rig: str | None, sets: Sequence[str]
    ) -> None:
        self.tallies = Tallies()
        self.tried = 0
        self._paths = paths
        self._try = _Try(dict(zip(paths, names, strict=True)), rig, tuple(sets))
        refused = None
        for rig_file in _rigs_of(paths, rig):
            try:
                _edited(rig_file, sets)
            except BadInput as error:
                refused = refused or error
            else:
                return
        if refused is not None:
            raise refused

    def each(self, jobs: int, progress: Progress | None = None) -> Iterator[Tried | BadInput]:
        """Yield what differs in each log, or why it can't be tried, in the order of the logs.

        Args:
            jobs: Processes at most, as ``in_processes.each`` takes them.
            progress: Told now and then how much is done, as a share of all bytes.
        """
        for found in each(self._try, self._paths, jobs, BYTES_WORTH_IT, progress):
            if isinstance(found, Tried):
                self.tallies.add(found.tallies)
                self.tried += 1
            yield found

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


@dataclass(frozen=True, slots=True)
class _Try:
    """Thresholds to try on a log, in whatever process."""

    names: dict[Path, str]
    rig: str | None
    sets: tuple[str, ...]

    def __call__(self, path: Path, progress: Progress | None) -> Tried | BadInput:
        """Return what differs in a log, or why it can't be tried."""
        source = self.names[path]
        try:
            log = open_log(path, self.rig)
            try:
                try:
                    edited = _edited(log.rig_file, self.sets)
                except BadInput as error:
                    return BadInput(f"{clean(source, 200)}: {error}")
                before = decide(log, progress=_part(progress, 0.0))
                return _tried(source, before, decide(log, edited, progress=_part(progress, 0.5)))
            finally:
                log.close()
        except BadInput as error:
            return error


def _part(progress: Progress | None, before: float) -> Progress | None:
    return None if progress is None else lambda share: progress(before + 0.5 * share)


def _rigs_of(paths: Sequence[Path], rig: str | None) -> Iterator[RigFile]:
    """Yield each log's rig; one that can't be opened is told when it is tried."""
    for path in paths:
        try:
            log = open_log(path, rig)
        except BadInput:
            continue
        log.close()
        yield log.rig_file


def _edited(rig_file: RigFile, sets: Sequence[str]) -> RigFile:
    try:
        return edit(rig_file, *sets)
    except BadInput as error:
        raise BadInput(f"--set: {without_place(str(error), rig_file)}") from None


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
