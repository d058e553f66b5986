"""A class of drills in this process: no socket, no clock, and links onto it as over the wire."""

from collections.abc import Sequence
from pathlib import Path
from typing import TypeVar

from monitor.attach.drilling import Phase
from monitor.attach.protocol import FRAME_S, Bye, Command, Ending, Message, decode, encode
from monitor.drill.debriefing import Debriefer
from monitor.drill.drill_class import DrillClass
from monitor.drill.trainee import Trainee
from monitor.screen.fake_link import FakeLink
from simulator.strict import BadInput
from tests.kit.screen_messages import statistics

M = TypeVar("M", bound=Message)


class School:
    """A class under a clock of its own, which goes on only in ``advance``.

    Args:
        lessons: Names or files of lessons.
        seed: Of the first drive.
        instructed: Whether there is an instructor.
        results: Folder to keep results in.
    """

    def __init__(
        self,
        *lessons: str | Path,
        seed: int = 1,
        instructed: bool = False,
        results: Path | None = None,
    ) -> None:
        self._debriefer = Debriefer(None if results is None else str(results))
        self.drill = DrillClass(
            [str(lesson) for lesson in lessons],
            pid=7,
            seed=seed,
            instructed=instructed,
            results=self._debriefer.results,
        )
        self.drill.compiled = True
        self.instructors: list[ClassLink] = []
        self.drill.instructors = lambda message: self._tell(self.instructors, [message])
        self.places: dict[str, list[ClassLink]] = {}

    def link(self, do: str, alias: str = "") -> "ClassLink":
        """Return a link onto the class, as ``PlaceLink`` is one."""
        return ClassLink(self, do, alias)

    def advance(self, seconds: float) -> None:
        """Let time pass, frame by frame; what is due is done."""
        for _ in range(round(seconds / FRAME_S)):
            self.drill.advance(FRAME_S)
            self.drill.show()
            self.debrief()

    def drive_out(self) -> None:
        """Let time pass until the drive is over."""
        while self.drill.phase is Phase.DRIVING:
            self.advance(1.0)

    def debrief(self) -> None:
        """Make and write every debriefing that is due."""
        for trainee in list(self.drill.due):
            self.drill.debriefed(trainee, self._debriefer.make(self.drill, trainee))
        for trainee in list(self.drill.writing):
            self.drill.written(trainee, *self._debriefer.write(self.drill.drive, trainee))

    def obey(self, link: "ClassLink", command: Command) -> None:
        """Do what was said over a link."""
        trainee = None if link.alias is None else self.drill.trainees[link.alias]
        self.drill.obey(trainee, command, link.hear)
        self.debrief()
        if self.drill.stopped:
            bye = Bye(Ending.STOPPED, self.drill.stopped, statistics())
            for links in (self.instructors, *self.places.values()):
                self._tell(links, [bye])

    def seat(self, link: "ClassLink", alias: str) -> Trainee:
        """Give a link a trainee's place, and greet it.

        Raises:
            BadInput: There is none.
        """
        trainee = self.drill.join(alias)
        links = self.places.setdefault(trainee.alias, [])
        links.append(link)
        trainee.tell = lambda message: self._tell(links, [message])
        trainee.attached = len(links)
        self._tell([link], self.drill.greeting(trainee))
        self._tell(self.instructors, [self.drill.state()])
        return trainee

    def unseat(self, link: "ClassLink") -> None:
        """Take a link's place away."""
        for alias, links in self.places.items():
            if link in links:
                links.remove(link)
                self.drill.trainees[alias].attached = len(links)
        if link in self.instructors:
            self.instructors.remove(link)

    @staticmethod
    def _tell(links: Sequence["ClassLink"], messages: Sequence[Message]) -> None:
        for link in links:
            for message in messages:
                link.hear(message)


class ClassLink(FakeLink):
    """A viewer's link onto a class in this process.

    Attributes:
        alias: The trainee's; None before one is seated, and of the instructor.
        heard: Every line that came, as over the wire.
    """

    def __init__(self, school: School, do: str, alias: str) -> None:
        super().__init__(bye_on_stop=False)
        self._school = school
        self._asking = (do, alias)
        self.alias: str | None = None
        self.heard: list[bytes] = []

    async def __aenter__(self) -> "ClassLink":
        """Take the place.

        Raises:
            BadInput: There is none.
        """
        await super().__aenter__()
        self.take_place()
        return self

    def take_place(self) -> None:
        """Take the place, outside any loop.

        Raises:
            BadInput: There is none.
        """
        do, alias = self._asking
        if do == "instruct":
            self._school.instructors.append(self)
            self.hear(self._school.drill.state())
        elif do == "join":
            self.alias = self._school.seat(self, alias).alias
        else:
            raise BadInput(f"found {do}, expected join or instruct")

    async def __aexit__(self, *_: object) -> None:
        """Leave the place."""
        await super().__aexit__()
        self._school.unseat(self)

    def hear(self, message: Message) -> None:
        """Take a message as it comes over the wire."""
        line = encode(message)
        self.heard.append(line)
        self.feed(decode(line))

    def told(self, kind: type[M]) -> list[M]:
        """Return all that came of one kind."""
        return [said for line in self.heard if isinstance(said := decode(line), kind)]

    def newest(self, kind: type[M]) -> M:
        """Return the newest that came of one kind."""
        return self.told(kind)[-1]

    def send(self, command: Command) -> None:
        """Say something to the class."""
        self.sent.append(command)
        self._school.obey(self, command)


# A pull of 4 s in third; the pump stops 3 s into the drive, or nothing happens. Some 8 s in all.
LESSON = """
title = "One pull"
brief = "One pull in third gear."
goal = "What a pump that stops looks like."
rig = "brindle"
failsafe = "{failsafe}"
{more}

[[drive]]
do = "cruise"
for = "1 s"
gear = 3

[[drive]]
do = "pull"
for = "5 s"
gear = 3

[[drive]]
do = "lift"
for = "1 s"

[[cases]]
debrief = "The pump lost its drive; flow and line pressure fell together."

[[cases.faults]]
kind = "pump_stop"
at = "3 s"
"""
HEALTHY = """
[[cases]]
debrief = "Nothing was wrong."
weight = 1e-3
"""


def short_lesson(
    folder: Path, name: str = "one_pull", *, failsafe: str = "on", more: str = "", cases: str = ""
) -> Path:
    """Write a short lesson down; return its file."""
    path = folder / f"{name}.toml"
    path.write_text(LESSON.format(failsafe=failsafe, more=more) + cases, encoding="utf-8")
    return path
