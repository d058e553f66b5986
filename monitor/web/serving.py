"""``--web``: a guard or class of our own, or a running one, served until Ctrl-C."""

import asyncio
import contextlib
import signal
import subprocess
import sys
from collections.abc import Callable, Coroutine, Sequence
from typing import Final

import msgspec

from monitor.attach.client import (
    ViewerLink,
    end_guard,
    sigterm_interrupts,
    start_class,
    start_guard,
)
from monitor.attach.endpoint import Endpoint, find_endpoint
from monitor.attach.order import ClassOrder, Order
from monitor.attach.protocol import Bye, Command, Ending
from monitor.web.role import Role
from monitor.web.server import WebServer, bound_socket
from monitor.words.look import Look
from simulator.strict import BadInput, clean

GOODBYE_S: Final = 10.0
LONGEST_WHY: Final = 500


_ADDRESS: Final = {
    Role.VIEWER: (
        "dashboard at {}\n"
        "Whoever has this address can watch and acknowledge, from this machine only."
    ),
    Role.TRAINEE: (
        "drill at {}\nWhoever has this address can drive under an alias, from this machine only."
    ),
    Role.INSTRUCTOR: (
        "instructor at {}\n"
        "Whoever has this address sees the truth and leads the class: keep it to yourself."
    ),
}


def serve_own(order: Order, port: int, look: Look, operator: str) -> int:
    """Start a guard and serve it; the guard ends with us, unless we are killed.

    The guard waits for our own link and for no visitor: an engine must not go unwatched until a
    browser is opened.

    Raises:
        BadInput: The order can't be carried out, or the port can't be had.
    """
    order = msgspec.structs.replace(order, awaits_viewer=True)
    return _serve_started(lambda: start_guard(order), {Role.VIEWER: port}, look, operator)


def serve_own_class(order: ClassOrder, port: int, look: Look) -> int:
    """Start a class of drills and serve it; the class ends with us, unless we are killed.

    Trainees get the port. An instructor, where there is one, has an address of their own, on any
    free port: whoever knows the one doesn't know the other.

    Raises:
        BadInput: The order can't be carried out, or the port can't be had.
    """
    ports = {Role.TRAINEE: port}
    if order.instructed:
        ports[Role.INSTRUCTOR] = 0
    return _serve_started(lambda: start_class(order), ports, look, "")


def _serve_started(
    start: Callable[[], tuple["subprocess.Popen[bytes]", Endpoint]],
    ports: dict[Role, int],
    look: Look,
    operator: str,
) -> int:
    with contextlib.ExitStack() as bound, sigterm_interrupts():
        # Before there is a guard that would be left running.
        sockets = {p: bound.enter_context(bound_socket(port)) for p, port in ports.items()}
        process, endpoint = start()
        servers = [WebServer(endpoint, s, look, operator, p) for p, s in sockets.items()]
        try:
            code = asyncio.run(_serve(servers, owner=True))
        except KeyboardInterrupt:  # before the server took over what a signal means
            end_guard(process)
            raise
    try:
        process.wait(GOODBYE_S)
    except subprocess.TimeoutExpired:  # pragma: no cover (a guard that hangs while closing)
        sys.stderr.write(f"guard {endpoint.pid} is still closing its recording\n")
    return code


def serve_running(
    pid: int | None, port: int, look: Look, operator: str, role: Role = Role.VIEWER
) -> int:
    """Serve a running guard, or a place of a running class; ending leaves it running.

    Raises:
        BadInput: There is none, or the port can't be had.
    """
    endpoint = find_endpoint(pid, kind=role.of)
    server = WebServer(endpoint, bound_socket(port), look, operator, role)
    return asyncio.run(_serve([server], owner=False))


async def _serve(servers: Sequence[WebServer], *, owner: bool) -> int:
    endpoint, called = servers[0].endpoint, servers[0].role.of.words
    leave = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(NotImplementedError):
            loop.add_signal_handler(number, leave.set)
    async with ViewerLink(endpoint, servers[0].role.of) as link:
        hearing = asyncio.create_task(_goodbye(link))
        try:
            async with contextlib.AsyncExitStack() as stack:
                for server in servers:
                    await stack.enter_async_context(server)
                    _tell(_ADDRESS[server.role].format(server.admission.address))
                _tell("Ctrl-C ends the server" + (f" and the {called}." if owner else "."))
                await _first_of(leave.wait(), _all_over(servers, hearing))
        finally:
            bye = await _take_leave(link, hearing, stop=owner)
    if bye is None:
        if not owner and leave.is_set():
            return 0
        sys.stderr.write(f"flowdebt: {called} {endpoint.pid} ended without a word\n")
        return 1
    if bye.end is Ending.FAILED:
        raise BadInput(bye.why)
    why = "stopped with the server" if owner and leave.is_set() else bye.why
    _tell(clean(f"{called} {endpoint.pid}: {why}", LONGEST_WHY))
    return 0


async def _goodbye(link: ViewerLink) -> Bye | None:
    async for message in link.messages():
        if isinstance(message, Bye):
            return message
    return None


async def _all_over(servers: Sequence[WebServer], hearing: "asyncio.Task[Bye | None]") -> None:
    """Wait until the guard has ended, and then until the last visitor has left its last picture."""
    await asyncio.wait({hearing})
    for server in servers:
        server.ended = True
    if any(server.visitors for server in servers):
        called = servers[0].role.of.words
        _tell(
            f"The {called} has ended; the server does when the last page is closed, or on Ctrl-C."
        )
    for server in servers:
        await server.empty.wait()


async def _take_leave(
    link: ViewerLink, hearing: "asyncio.Task[Bye | None]", *, stop: bool
) -> Bye | None:
    """Stop the guard if it is ours to stop; return its goodbye if there was one."""
    if stop and not hearing.done():
        link.send(Command("stop"))
        await asyncio.wait({hearing}, timeout=GOODBYE_S)
    if not hearing.done():
        hearing.cancel()
        await asyncio.wait({hearing})
    return None if hearing.cancelled() else hearing.result()


async def _first_of(*waits: Coroutine[object, object, object]) -> None:
    tasks = {asyncio.create_task(wait) for wait in waits}
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def _tell(text: str) -> None:
    with contextlib.suppress(BrokenPipeError, ValueError):
        sys.stdout.write(text + "\n")
        sys.stdout.flush()
