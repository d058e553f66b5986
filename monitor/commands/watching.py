"""Watching: a guard of our own or a running one, on the dashboard, in lines, or headless."""

import asyncio
import contextlib
import os
import queue
import signal
import subprocess
import sys
import threading
from dataclasses import dataclass
from typing import Final

import msgspec

from monitor.attach.client import ViewerLink, end_guard, sigterm_interrupts, start_guard
from monitor.attach.endpoint import Endpoint, find_endpoint, running_endpoints
from monitor.attach.order import Order
from monitor.attach.protocol import COMMAND_LINE, Bye, Command, Ending, end_in_words
from monitor.clock import now_s
from monitor.words.lines import LineTalk
from monitor.words.look import USUAL, Look
from simulator.strict import BadInput, clean

GOODBYE_S: Final = 10.0
# To end takes a guard about a second, however long its recording (ten hours at 100 rows a second:
# 0.8 s); with a disk that hangs, 10 s more (``monitor.recorder.recorder.CLOSING_S``).
STOP_S: Final = 60.0
MOST_LINES_WAITING: Final = 10_000


def watch_own(
    order: Order, *, text: bool, as_json: bool, look: Look = USUAL, operator: str = ""
) -> int:
    """Start a guard and watch it; the guard ends with us, unless we are killed or detach.

    ``operator`` says who is at the keys.

    Raises:
        BadInput: The order can't be carried out.
    """
    in_text = _in_text(text, as_json)
    with sigterm_interrupts():
        process, endpoint = start_guard(
            msgspec.structs.replace(order, awaits_viewer=True), None if in_text else _load_screen
        )
        hand = _Hand(operator, look, owner=True)
        try:
            code = _view(endpoint, hand, text=text, as_json=as_json)
        except (BadInput, BrokenPipeError):  # the guard has ended, or was asked to
            _wait_for(process)
            raise
        except KeyboardInterrupt:  # before the view took over what a signal means
            end_guard(process)
            raise
    if code == DETACHED:
        sys.stderr.write(
            f"guard {endpoint.pid} goes on; flowdebt watch --attach joins it, "
            f"flowdebt stop --pid {endpoint.pid} ends it\n"
        )
        return 0
    _wait_for(process)
    return code


def _wait_for(process: "subprocess.Popen[bytes]") -> None:
    try:
        process.wait(GOODBYE_S)
    except subprocess.TimeoutExpired:  # pragma: no cover (a guard that hangs while closing)
        sys.stderr.write(f"guard {process.pid} is still closing its recording\n")


def watch_running(
    pid: int | None, *, text: bool, as_json: bool, look: Look = USUAL, operator: str = ""
) -> int:
    """Attach to a running guard and watch it; leaving leaves it running.

    ``operator`` says who is at the keys. Where no process is named, the dashboard joins by itself
    the guard that takes this one's place.

    Raises:
        BadInput: There is none.
    """
    endpoint = find_endpoint(pid)
    others = [other for other in running_endpoints() if other.pid != endpoint.pid]
    if pid is None and others:
        named = ", ".join(f"{other.pid} ({clean(other.source)})" for other in others)
        sys.stderr.write(f"joining guard {endpoint.pid}, the newest; with --pid also: {named}\n")
    hand = _Hand(operator, look, owner=False, joins_next=pid is None)
    return max(0, _view(endpoint, hand, text=text, as_json=as_json))


def stop_running(pid: int | None) -> int:
    """End a running guard, cleanly, and wait until its recording is finished.

    Raises:
        BadInput: There is none, or it has not ended within a minute.
    """
    return asyncio.run(_stop(find_endpoint(pid, "stop")))


async def _stop(endpoint: Endpoint) -> int:
    guard = f"guard {endpoint.pid}"
    heard = "it says nothing: it hangs"
    try:
        async with asyncio.timeout(STOP_S), ViewerLink(endpoint) as link:
            link.send(Command("stop", who=COMMAND_LINE))
            async for message in link.messages():
                heard = "it still runs"
                if isinstance(message, Bye):
                    heard = "it is still closing"
                    why = end_in_words(message.end, message.why)
                    sys.stderr.write(f"{guard}: {clean(why, 200)}\n")
    except TimeoutError:
        raise BadInput(
            f"{guard}: found no end within {STOP_S:zg} s ({heard}), expected one; stop it again to "
            f"wait longer, or kill process {endpoint.pid}: outputs are let go then, and of what is "
            "recorded at most the last 0.1 s is lost"
        ) from None
    return 0


DETACHED: Final = -1


@dataclass(frozen=True, slots=True)
class _Hand:
    """Who watches and how: name, look, whose the guard is, whether its follower is joined."""

    operator: str
    look: Look
    owner: bool
    joins_next: bool = False


def _in_text(text: bool, as_json: bool) -> bool:
    """Whether no dashboard is wanted, or there is nowhere to draw one."""
    return text or as_json or not sys.stdout.isatty() or os.environ.get("TERM") == "dumb"


def _load_screen() -> None:
    """Load what the dashboard needs; both processors are free for that while a guard starts."""
    import monitor.screen.app  # noqa: F401  # loaded now, used later


def _view(endpoint: Endpoint, hand: _Hand, *, text: bool, as_json: bool) -> int:
    if _in_text(text, as_json):
        return asyncio.run(_view_lines(endpoint, hand, as_json=as_json))
    from monitor.screen.app import Dashboard
    from monitor.screen.rejoin import NextGuard

    app = Dashboard(
        lambda: ViewerLink(endpoint),
        hand.owner,
        operator=hand.operator,
        look=hand.look,
        next_guard=NextGuard(endpoint, by_itself=hand.joins_next),
    )
    last = app.run()
    if last:
        sys.stderr.write(last + "\n")
    return DETACHED if app.owner and app.detached else 0


async def _view_lines(endpoint: Endpoint, hand: _Hand, *, as_json: bool) -> int:
    gone = False

    def write(line: str) -> None:
        nonlocal gone
        if gone:
            return
        try:
            sys.stdout.write(line + "\n")
            sys.stdout.flush()
        except (BrokenPipeError, ValueError):
            gone = True

    talk = LineTalk(write, as_json=as_json, now_s=now_s, units=hand.look.figures)
    async with ViewerLink(endpoint) as link:
        leave = asyncio.Event()

        def asked_to_leave() -> None:
            if hand.owner and not leave.is_set():
                link.send(Command("stop", who=clean(hand.operator)))
            leave.set()

        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            with contextlib.suppress(NotImplementedError):
                loop.add_signal_handler(number, asked_to_leave)
        async for message in link.messages():
            talk.handle(message)
            if gone:
                asked_to_leave()
            if leave.is_set() and not hand.owner:
                break
    if gone:
        raise BrokenPipeError
    if talk.ended is None:
        if leave.is_set():
            return 0
        sys.stderr.write(f"flowdebt: guard {endpoint.pid} ended without a word\n")
        return 1
    if talk.ended.end is Ending.FAILED:
        raise BadInput(talk.ended.why)
    return 0


def watch_headless(order: Order, *, as_json: bool, look: Look = USUAL) -> int:
    """Run the guard alone, in this process, writing its events as lines.

    Writing is a thread's business: a reader that stalls costs lines (counted), never samples.

    Raises:
        BadInput: The order can't be carried out.
    """
    from monitor.guard.process import run_order  # heavy: here alone this process decides

    waiting: queue.SimpleQueue[str | None] = queue.SimpleQueue()
    lost = 0

    def put(line: str) -> None:
        nonlocal lost
        if waiting.qsize() >= MOST_LINES_WAITING:
            lost += 1
        else:
            waiting.put(line)

    def write_lines() -> None:
        while (line := waiting.get()) is not None:
            try:
                sys.stdout.write(line + "\n")
                sys.stdout.flush()
            except (OSError, ValueError):
                return

    talk = LineTalk(put, as_json=as_json, now_s=now_s, units=look.figures)
    writer = threading.Thread(target=write_lines, name="lines", daemon=True)
    writer.start()

    try:
        asyncio.run(run_order(order, tell=talk.handle))
    finally:
        waiting.put(None)
        writer.join(1.0)
    if lost:
        sys.stderr.write(f"{lost} lines not written: whoever reads them fell behind\n")
    return 0
