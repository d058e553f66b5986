"""A class of drills as a process: places, an instructor from a second process, a clean end."""

import asyncio
import contextlib
import os
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from monitor.attach.client import ViewerLink, end_guard, start_class
from monitor.attach.drilling import Brief, ClassState, Debriefing, DrillState
from monitor.attach.endpoint import (
    Endpoint,
    Kind,
    find_endpoint,
    running_endpoints,
    runtime_folder,
)
from monitor.attach.order import ClassOrder
from monitor.attach.place import PlaceLink
from monitor.attach.protocol import Bye, Command, Ending, Frame, Hello, Message
from monitor.drill import host
from monitor.drill.process import run_class
from monitor.drill.results import read_results
from simulator.strict import BadInput
from tests.kit.drills import short_lesson
from tests.kit.patience import PATIENCE_S

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="POSIX sockets and signals")

INSTRUCTOR = """
import asyncio, sys
from monitor.attach.drilling import ClassState
from monitor.attach.endpoint import Kind, find_endpoint
from monitor.attach.place import PlaceLink
from monitor.attach.protocol import Command

async def main():
    async with PlaceLink(find_endpoint(None, "test", Kind.CLASS), "instruct") as link:
        link.send(Command("begin"))
        injected = False
        async for message in link.messages():
            if not isinstance(message, ClassState):
                continue
            if message.time_s > 1.0 and not injected:
                injected = True
                link.send(Command("inject", what="empty_tank"))
            if len(message.faults) == 2 and message.faults[1].active:
                print(message.faults[1].words)
                return

asyncio.run(main())
"""


@pytest.fixture(autouse=True)
def _own_runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))


@contextlib.contextmanager
def a_class(order: ClassOrder) -> Iterator[Endpoint]:
    """Start a class; end it at the end. Yields its endpoint."""
    process, endpoint = start_class(order)
    try:
        yield endpoint
    finally:
        end_guard(process)


async def until(messages: AsyncIterator[Message], wanted: type[Message]) -> Message:
    """Return the next message of a kind."""
    async for message in messages:
        if isinstance(message, wanted):
            return message
    raise AssertionError(f"no {wanted.__name__} came")


def test_a_trainee_drives_alone_to_the_debriefing(tmp_path: Path) -> None:
    """Begun, called and ended over the socket; what is left behind is the result alone."""
    lesson = short_lesson(tmp_path, "one_pull")
    order = ClassOrder([str(lesson)], speed=2.0, results=str(tmp_path / "kept"))

    async def drive(endpoint: Endpoint) -> tuple[list[type[Message]], Debriefing, Bye]:
        async with PlaceLink(endpoint, "join", "ann") as link:
            messages = link.messages()
            first = [type(await anext(messages)) for _ in range(3)]
            link.send(Command("begin"))
            await until(messages, Frame)
            with pytest.raises(BadInput, match="begun without it"):
                await PlaceLink(endpoint, "instruct").__aenter__()
            link.send(Command("call", what="pump"))
            found = await until(messages, Debriefing)
            link.send(Command("stop"))
            bye = await until(messages, Bye)
        assert isinstance(found, Debriefing)
        assert isinstance(bye, Bye)
        return first, found, bye

    process, endpoint = start_class(order)
    assert running_endpoints() == []  # of guards
    assert find_endpoint(None, "test", Kind.CLASS) == endpoint
    told = Path(f"/proc/{process.pid}/cmdline")
    if told.exists():
        assert "one_pull" not in told.read_text(encoding="utf-8")
    names = {file.name for file in runtime_folder().iterdir()}
    first, found, bye = asyncio.run(asyncio.wait_for(drive(endpoint), PATIENCE_S))
    process.wait(PATIENCE_S)
    assert process.returncode == 0
    assert first == [Hello, Brief, DrillState]
    assert found.alias == "ann"
    assert "pump" in found.truth
    assert bye.end is Ending.STOPPED
    assert [one.alias for one in read_results(tmp_path / "kept")] == ["ann"]
    assert list(runtime_folder().iterdir()) == []
    assert all(name.startswith(str(process.pid)) for name in names)


def test_two_trainees_and_an_instructor_in_a_process_of_its_own(tmp_path: Path) -> None:
    """The instructor begins and injects; both cars have the fault; each has its own answers."""
    order = ClassOrder([str(short_lesson(tmp_path))], instructed=True, speed=2.0)

    async def drive(endpoint: Endpoint) -> None:
        ann, ben = (PlaceLink(endpoint, "join", alias) for alias in ("ann", "ben"))
        async with ann, ben:
            heard, other = ann.messages(), ben.messages()
            refused = PlaceLink(endpoint, "join", "ann")
            with pytest.raises(BadInput, match="in use"):
                await refused.__aenter__()
            teacher = await asyncio.create_subprocess_exec(
                sys.executable, "-c", INSTRUCTOR, stdout=subprocess.PIPE
            )
            await until(heard, Frame)
            ben.send(Command("act", what="lift"))
            ben.send(Command("call", what="tank_or_air"))
            said, _ = await teacher.communicate()
            assert said.decode().strip() == "the tank runs out"
            mine, his = await until(heard, Debriefing), await until(other, Debriefing)
            assert isinstance(mine, Debriefing)
            assert isinstance(his, Debriefing)
            assert "tank" in mine.truth
            assert (mine.truth, mine.onset_s) == (his.truth, his.onset_s)
            assert mine.did == []
            assert [did.what for did in his.did] == ["lift", "tank_or_air"]

    with a_class(order) as endpoint:
        asyncio.run(asyncio.wait_for(drive(endpoint), PATIENCE_S))


def test_who_attaches_is_told_no_truth_at_the_door(tmp_path: Path) -> None:
    """Nothing at all; what is no command of the door's is refused."""
    order = ClassOrder([str(short_lesson(tmp_path))], instructed=True)

    async def knock(endpoint: Endpoint) -> None:
        async with ViewerLink(endpoint) as door:
            messages = door.messages()
            door.send(Command("inject", what="pump_stop"))
            answer = await anext(messages)
            assert "no such command" in str(answer)
            async with PlaceLink(endpoint, "instruct") as teacher:
                state = await until(teacher.messages(), ClassState)
                assert isinstance(state, ClassState)
                assert state.truth
            with pytest.raises(BadInput, match="no alias"):
                await PlaceLink(endpoint, "join", "").__aenter__()

    with a_class(order) as endpoint:
        asyncio.run(asyncio.wait_for(knock(endpoint), PATIENCE_S))
    assert list(runtime_folder().iterdir()) == []


def test_what_a_killed_class_left_is_cleared_away(tmp_path: Path) -> None:
    """Sockets of places, too; whoever looks for a class is told that there is none."""
    process, endpoint = start_class(ClassOrder([str(short_lesson(tmp_path))]))

    async def join() -> None:
        async with PlaceLink(endpoint, "join", "ann"):
            process.kill()

    asyncio.run(asyncio.wait_for(join(), PATIENCE_S))
    process.wait(PATIENCE_S)
    assert len(list(runtime_folder().iterdir())) == 4
    with pytest.raises(BadInput, match="--join: found no running class, expected one started by"):
        find_endpoint(None, "--join", Kind.CLASS)
    assert list(runtime_folder().iterdir()) == []
    with pytest.raises(BadInput, match="expected a running class"):
        asyncio.run(asyncio.wait_for(join(), PATIENCE_S))


@pytest.mark.asyncio
async def test_a_class_that_nobody_attends_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is nobody's; nothing of it stays."""
    monkeypatch.setattr(host, "UNATTENDED_S", 0.0)
    ready: list[str] = []
    async with asyncio.timeout(PATIENCE_S):
        await run_class(ClassOrder([str(short_lesson(tmp_path))]), ready.append)
    assert ready == [str(os.getpid())]
    assert list(runtime_folder().iterdir()) == []


@pytest.mark.parametrize(
    ("order", "words"),
    [
        (ClassOrder(["no such lesson"]), 'found lesson "no such lesson"'),
        (ClassOrder([]), "found no lesson"),
    ],
)
def test_an_order_that_can_t_be_carried_out_is_refused(order: ClassOrder, words: str) -> None:
    """In one line, and nothing is left running."""
    with pytest.raises(BadInput, match=words):
        start_class(order)
    assert list(runtime_folder().iterdir()) == []
