"""A person's marks on a log: JSON lines beside it, only ever added to."""

from dataclasses import dataclass, field

from monitor.replay.log import Log


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark.

    Attributes:
        number: Its own, from 1; never used again.
        time_s: Where it stands on the axis.
        text: What it says; one line, at most 400 characters.
        who: Who set it; at most 60.
    """

    number: int
    time_s: float
    text: str
    who: str


@dataclass(slots=True)
class Marks:
    """What a file of marks holds.

    Attributes:
        marks: Those standing, by time.
        faults: Lines that can't be read, one sentence each (at most 20); they stay in the file.
    """

    marks: list[Mark] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


def read_marks(log: Log) -> Marks:
    """Read a log's marks; none where there is no file.

    Raises:
        BadInput: The file is there and can't be read.
    """
    raise NotImplementedError


def add_mark(log: Log, time_s: float, text: str, who: str) -> Mark:
    """Add a mark.

    Raises:
        BadInput: No text, a time that is no number, too many marks, or the file can't be written.
    """
    raise NotImplementedError


def remove_mark(log: Log, number: int, who: str) -> None:
    """Take a mark away; its line stays, and one that says so is added.

    Raises:
        BadInput: No such mark, or the file can't be written.
    """
    raise NotImplementedError
