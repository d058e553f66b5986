"""A viewer's end of the socket to a guard, and starting a guard to view."""

import asyncio
import contextlib
import signal
import subprocess
import sys
from collections.abc import AsyncIterator, Callable, Iterator
from typing import Any, Final

import msgspec

from monitor.attach.endpoint import Endpoint, Kind, find_endpoint
from monitor.attach.order import ClassOrder, Order
from monitor.attach.protocol import LONGEST_LINE, Command, Message, decode, encode
from simulator.strict import BadInput

START_S = 20.0
_PROCESS: Final = {Kind.GUARD: "monitor.guard.process", Kind.CLASS: "monitor.drill.process"}


class ViewerLink:
    """Talks to one guard, or to a class of drills.

    Use as ``async with ViewerLink(endpoint) as link: async for message in link.messages(): ...``.

    Args:
        endpoint: Where it listens.
        kind: What it is, for messages.
    """

    def __init__(self, endpoint: Endpoint, kind: Kind = Kind.GUARD) -> None:
        self.endpoint = endpoint
        self.kind = kind
        self._reader: asyncio.StreamReader | None = None
        self._writer: asyncio.StreamWriter | None = None

    @property
    def called(self) -> str:
        """How messages call whom it talks to."""
        return f"{self.kind.words} {self.endpoint.pid}"

    async def __aenter__(self) -> "ViewerLink":
        """Attach.

        Raises:
            BadInput: The guard is gone.
        """
        try:
            if self.endpoint.path:
                opened = await asyncio.open_unix_connection(self.endpoint.path, limit=LONGEST_LINE)
            else:
                opened = await asyncio.open_connection(
                    "127.0.0.1", self.endpoint.port, limit=LONGEST_LINE
                )
        except OSError as error:
            raise BadInput(
                f"{self.called}: found {error.strerror}, expected a running {self.kind.words}"
            ) from None
        self._reader, self._writer = opened
        self.send(Command("attach", self.endpoint.token))
        return self

    async def __aexit__(self, *_: object) -> None:
        """Detach; the guard goes on."""
        if self._writer is not None:
            self._writer.close()
            with contextlib.suppress(OSError):
                await self._writer.wait_closed()

    async def messages(self) -> AsyncIterator[Message]:
        """Yield what the guard says until it ends, or its process does.

        Raises:
            BadInput: It says more in one line than any guard does.
        """
        if self._reader is None:
            return
        with contextlib.suppress(ConnectionError):
            while line := await self._next_line(self._reader):
                with contextlib.suppress(msgspec.MsgspecError, RecursionError):
                    yield decode(line)

    async def _next_line(self, reader: asyncio.StreamReader) -> bytes:
        try:
            return await reader.readline()
        except ValueError:
            raise BadInput(
                f"{self.called}: found a message over {LONGEST_LINE} bytes, expected less"
            ) from None

    def send(self, command: Command) -> None:
        """Say something to the guard."""
        if self._writer is not None:
            with contextlib.suppress(OSError, RuntimeError):
                self._writer.write(encode(command))


@contextlib.contextmanager
def sigterm_interrupts() -> Iterator[None]:
    """Let SIGTERM do here what Ctrl-C does, until a loop listens to it: a guard that we start ends.

    A program that is told to end and dies at once would leave its guard to nobody.
    """

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    try:
        before = signal.signal(signal.SIGTERM, interrupt)
    except ValueError:  # not the main thread: signals are somebody else's
        yield
        return
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextlib.contextmanager
def _signals_held() -> Iterator[list[int]]:
    """Put off Ctrl-C and SIGTERM; yields those that came."""
    held: list[int] = []
    before: list[tuple[int, Any]] = []
    try:
        before.extend(
            (number, signal.signal(number, lambda which, _: held.append(which)))
            for number in (signal.SIGINT, signal.SIGTERM)
        )
    except ValueError:  # not the main thread: signals are somebody else's
        yield held
        return
    try:
        yield held
    finally:
        for which, handler in before:
            signal.signal(which, handler)


def start_guard(
    order: Order, meanwhile: Callable[[], object] | None = None
) -> tuple["subprocess.Popen[bytes]", Endpoint]:
    """Start a guard in a process and session of its own; return it, and where to attach.

    It outlives whoever started it: a dead dashboard is no reason to stop watching the engine.

    Args:
        order: What it is to do.
        meanwhile: Done while it starts; must not raise.

    Raises:
        BadInput: It could not do what the order asks; the text is its own.
    """
    return _start(Kind.GUARD, order, meanwhile)


def start_class(
    order: ClassOrder, meanwhile: Callable[[], object] | None = None
) -> tuple["subprocess.Popen[bytes]", Endpoint]:
    """Start a class of drills as ``start_guard`` does a guard; ``PlaceLink`` attaches to it.

    Raises:
        BadInput: It could not do what the order asks; the text is its own.
    """
    return _start(Kind.CLASS, order, meanwhile)


def _start(
    kind: Kind, order: Order | ClassOrder, meanwhile: Callable[[], object] | None
) -> tuple["subprocess.Popen[bytes]", Endpoint]:
    process: subprocess.Popen[bytes] | None = None
    try:
        with _signals_held() as held:  # amid this, nobody could say which process to end
            process = subprocess.Popen(
                [sys.executable, "-m", _PROCESS[kind]],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
        if held:
            raise KeyboardInterrupt
        word, rest = _first_word(process, order, meanwhile)
    except BaseException:  # interrupted: nobody would know of it, so it doesn't stay
        if process is not None:
            end_guard(process)
        raise
    if word == "ready":
        try:
            return process, find_endpoint(process.pid, kind=kind)
        except BadInput:  # it ended as soon as it had begun
            _wait_for(process)
            raise
        except BaseException:
            end_guard(process)
            raise
    _wait_for(process)
    raise BadInput(
        rest if word == "error" else f"the {kind.words} process ended before it was ready"
    )


def _first_word(
    process: "subprocess.Popen[bytes]",
    order: Order | ClassOrder,
    meanwhile: Callable[[], object] | None,
) -> tuple[str, str]:
    """Hand a guard its order; return its answer's first word, and the rest."""
    if process.stdin is None or process.stdout is None:  # pragma: no cover (both are pipes)
        raise RuntimeError("no pipes")
    with contextlib.suppress(OSError):
        process.stdin.write(msgspec.json.encode(order) + b"\n")
        process.stdin.close()
    if meanwhile is not None:
        meanwhile()
    with process.stdout as said:
        word, _, rest = said.readline().decode(errors="replace").strip().partition(" ")
    return word, rest


def end_guard(process: "subprocess.Popen[bytes]") -> None:
    """End a guard that we started and that nobody watches yet."""
    process.terminate()
    _wait_for(process)


def _wait_for(process: "subprocess.Popen[bytes]") -> None:
    """Wait for a guard that has given up; one that hangs in doing so is killed."""
    try:
        process.wait(START_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
