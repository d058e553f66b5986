"""``watch --web``: a guard of our own or a running one, served until Ctrl-C."""

import asyncio
import contextlib
import signal
import subprocess
import sys
from collections.abc import Coroutine
from typing import Final

import msgspec

from monitor.attach.client import ViewerLink, end_guard, sigterm_interrupts, start_guard
from monitor.attach.endpoint import find_endpoint
from monitor.attach.order import Order
from monitor.attach.protocol import Bye, Command, Ending
from monitor.web.server import WebServer, bound_socket
from monitor.words.look import Look
from simulator.strict import BadInput, clean

GOODBYE_S: Final = 10.0
LONGEST_WHY: Final = 500


def serve_own(order: Order, port: int, look: Look, operator: str) -> int:
    """Start a guard and serve it; the guard ends with us, unless we are killed.

    The guard waits for our own link and for no visitor: an engine must not go unwatched until a
    browser is opened.

    Raises:
        BadInput: The order can't be carried out, or the port can't be had.
    """
    listening = bound_socket(port)  # before there is a guard that would be left running
    with sigterm_interrupts():
        try:
            process, endpoint = start_guard(msgspec.structs.replace(order, awaits_viewer=True))
        except BaseException:
            listening.close()
            raise
        try:
            code = asyncio.run(_serve(WebServer(endpoint, listening, look, operator), owner=True))
        except KeyboardInterrupt:  # before the server took over what a signal means
            end_guard(process)
            raise
    try:
        process.wait(GOODBYE_S)
    except subprocess.TimeoutExpired:  # pragma: no cover (a guard that hangs while closing)
        sys.stderr.write(f"guard {endpoint.pid} is still closing its recording\n")
    return code


def serve_running(pid: int | None, port: int, look: Look, operator: str) -> int:
    """Serve a running guard; ending leaves it running.

    Raises:
        BadInput: There is none, or the port can't be had.
    """
    endpoint = find_endpoint(pid)
    return asyncio.run(_serve(WebServer(endpoint, bound_socket(port), look, operator), owner=False))


async def _serve(serving: WebServer, *, owner: bool) -> int:
    endpoint = serving.endpoint
    leave = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(NotImplementedError):
            loop.add_signal_handler(number, leave.set)
    async with ViewerLink(endpoint) as link:
        hearing = asyncio.create_task(_goodbye(link))
        try:
            async with serving as server:
                _tell(
                    f"dashboard at {server.admission.address}\n"
                    "Whoever has this address can watch and acknowledge, from this machine only. "
                    "Ctrl-C ends the server" + (" and the guard." if owner else ".")
                )
                await _first_of(leave.wait(), _all_over(server, hearing))
        finally:
            bye = await _take_leave(link, hearing, stop=owner)
    if bye is None:
        if not owner and leave.is_set():
            return 0
        sys.stderr.write(f"flowdebt: guard {endpoint.pid} ended without a word\n")
        return 1
    if bye.end is Ending.FAILED:
        raise BadInput(bye.why)
    why = "stopped with the server" if owner and leave.is_set() else bye.why
    _tell(clean(f"guard {endpoint.pid}: {why}", LONGEST_WHY))
    return 0


async def _goodbye(link: ViewerLink) -> Bye | None:
    async for message in link.messages():
        if isinstance(message, Bye):
            return message
    return None


async def _all_over(server: WebServer, hearing: "asyncio.Task[Bye | None]") -> None:
    """Wait until the guard has ended, and then until the last visitor has left its last picture."""
    await asyncio.wait({hearing})
    server.ended = True
    if server.visitors:
        _tell("The guard has ended; the server does when the last page is closed, or on Ctrl-C.")
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
