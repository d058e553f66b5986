"""A class of drills over sockets: one where places are asked for, one for each place."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from monitor.attach.drilling import Phase, Place
from monitor.attach.endpoint import Endpoint, Kind, new_endpoint, publish, withdraw
from monitor.attach.listeners import Tell
from monitor.attach.message_parts import Statistics
from monitor.attach.protocol import FRAME_S, Answer, Bye, Command, Ending, Message
from monitor.attach.server import ViewerServer
from monitor.clock import now_s
from monitor.drill.debriefing import Debriefer
from monitor.drill.drill_class import DrillClass
from monitor.drill.trainee import Trainee
from monitor.drill.view import SOURCE
from simulator.strict import BadInput, clean

UNATTENDED_S: Final = 60.0
_INSTRUCTOR: Final = 999  # place of the instructor; trainees have 1, 2...


@dataclass
class _Served:
    """A place that is served: whose it is, and where."""

    trainee: Trainee
    server: ViewerServer


class ClassHost:
    """Serves a class until it is stopped, or nobody has been there for some time.

    Args:
        drill: The class.
        debriefer: Makes debriefings, and keeps results.
    """

    def __init__(self, drill: DrillClass, debriefer: Debriefer) -> None:
        self._drill = drill
        self._debriefer = debriefer
        self._door = ViewerServer(new_endpoint(SOURCE), list, self._obey_at_door)
        self._instructor = ViewerServer(
            new_endpoint(SOURCE, _INSTRUCTOR), lambda: [drill.state()], self._obey_instructor
        )
        self._places: dict[str, _Served] = {}
        self._opening: set[asyncio.Task[None]] = set()
        self._stopping = asyncio.Event()
        drill.instructors = self._instructor.send

    def stop(self, why: str) -> None:
        """End soon, cleanly."""
        self._drill.stopped = self._drill.stopped or why
        self._stopping.set()

    async def run(self, ready: Callable[[str], None] | None = None) -> None:
        """Serve, from now to the end.

        Args:
            ready: Told the process that viewers can attach to, once they can.

        Raises:
            BadInput: Nothing can listen, or a drive can't be driven.
        """
        end, why = Ending.FAILED, ""
        try:
            await self._instructor.start()
            publish(await self._door.start(), Kind.CLASS)
            if ready is not None:
                ready(str(self._door.endpoint.pid))
            await self._drive()
            end, why = Ending.STOPPED, self._drill.stopped
        except BaseException as error:
            why = str(error)
            raise
        finally:
            withdraw(self._door.endpoint)
            bye = Bye(end, why, Statistics(drift_ppm=None))
            for task in self._opening:
                task.cancel()
            servers = [self._door, self._instructor, *(s.server for s in self._places.values())]
            await asyncio.gather(*(server.close(bye) for server in servers))
            for server in servers:
                withdraw(server.endpoint)

    async def _drive(self) -> None:
        drill, before_s, alone_since_s = self._drill, now_s(), now_s()
        while not drill.stopped:
            steady_s = now_s()
            drill.advance(steady_s - before_s)
            before_s = steady_s
            drill.show()
            if drill.due:
                await self._debrief()
            elif drill.writing:
                await self._write()
            if drill.phase is not Phase.DRIVING:
                before_s = now_s()
            if self._count_attached():
                alone_since_s = steady_s
            elif steady_s - alone_since_s > UNATTENDED_S:
                self.stop("nobody is there")
            try:
                async with asyncio.timeout(0.0 if drill.behind else FRAME_S):
                    await self._stopping.wait()
            except TimeoutError:
                continue

    async def _debrief(self) -> None:
        """Make the debriefing that is due next, while everybody can still be heard."""
        trainee = self._drill.due[0]
        made = await asyncio.to_thread(self._debriefer.make, self._drill, trainee)
        self._drill.results = self._debriefer.results
        self._drill.debriefed(trainee, made)

    async def _write(self) -> None:
        """Write the debriefing that is wanted next."""
        trainee = self._drill.writing[0]
        files, refused = await asyncio.to_thread(self._debriefer.write, self._drill.drive, trainee)
        self._drill.written(trainee, files, refused)

    def _count_attached(self) -> int:
        """Return how many viewers there are; tell the instructor where a trainee came or left."""
        moved = False
        for served in self._places.values():
            attached = served.server.attached
            moved = moved or attached != served.trainee.attached
            served.trainee.attached = attached
        if moved:
            self._instructor.send(self._drill.state())
        places = [self._door, self._instructor, *(s.server for s in self._places.values())]
        return sum(server.attached for server in places)

    # --- what is commanded ----------------------------------------------------------------------

    def _obey_at_door(self, command: Command, answer: Tell) -> None:
        if command.do == "join":
            task = asyncio.create_task(self._join(command.who, answer))
            self._opening.add(task)
            task.add_done_callback(self._opening.discard)
        elif command.do == "instruct" and not self._drill.instructed:
            why = "--instructor: found a class begun without it, expected one begun with it"
            answer(Answer(command.do, False, why))
        elif command.do == "instruct":
            answer(_place(command.do, "", self._instructor.endpoint))
        elif command.do == "stop":
            self.stop("the class was ended")
        else:
            answer(Answer(clean(command.do), False, "found no such command, expected join"))

    async def _join(self, alias: str, answer: Tell) -> None:
        try:
            served = await self._served(alias)
        except BadInput as error:
            answer(Answer("join", False, str(error)))
            return
        answer(_place("join", served.trainee.alias, served.server.endpoint))

    async def _served(self, alias: str) -> _Served:
        """Return a trainee's place, served from now on.

        Raises:
            BadInput: The class has none for this alias, or nothing can listen.
        """
        self._count_attached()
        trainee = self._drill.join(alias)
        known = self._places.get(trainee.alias)
        if known is not None:
            return known

        def obey(command: Command, answer: Tell) -> None:
            self._obey(trainee, command, answer)

        def greeting() -> list[Message]:
            return self._drill.greeting(trainee)

        place = new_endpoint(SOURCE, len(self._places) + 1)
        served = _Served(trainee, ViewerServer(place, greeting, obey))
        self._places[trainee.alias] = served
        trainee.tell = served.server.send
        await served.server.start()
        self._instructor.send(self._drill.state())
        return served

    def _obey_instructor(self, command: Command, answer: Tell) -> None:
        self._obey(None, command, answer)

    def _obey(self, trainee: Trainee | None, command: Command, answer: Tell) -> None:
        self._count_attached()  # who has just attached may begin at once
        self._drill.obey(trainee, command, answer)
        if self._drill.stopped:
            self._stopping.set()


def _place(do: str, alias: str, endpoint: Endpoint) -> Place:
    return Place(do, alias, endpoint.path, endpoint.port, endpoint.token)
