"""A process that carries out one order: read from its standard input, ended by signals."""

import asyncio
import contextlib
import signal
import sys
from collections.abc import Callable, Coroutine
from typing import Any, Final, TypeVar

import msgspec

from monitor.attach.order import ClassOrder, Order
from monitor.wake import WakeUp
from simulator.strict import BadInput

LONGEST_ORDER: Final = 1 << 16  # bytes
Ready = Callable[[str], None]  # told the process that viewers can attach to
AnyOrder = TypeVar("AnyOrder", Order, ClassOrder)


def carry_out(
    kind: type[AnyOrder], run: Callable[[AnyOrder, Ready], Coroutine[Any, Any, None]]
) -> int:
    """Read an order from standard input, carry it out; return the exit code.

    Says ``ready PID`` or ``error TEXT`` on standard output, one line.

    Args:
        kind: Of the order.
        run: Carries it out, to the end; may raise ``BadInput``.
    """
    try:
        order = msgspec.json.decode(sys.stdin.buffer.readline(LONGEST_ORDER), type=kind)
        asyncio.run(run(order, lambda where: _say(f"ready {where}")))
    except BadInput as error:
        _say(f"error {error}")
        return 2
    except msgspec.MsgspecError as error:
        _say(f"error order: {error}")
        return 2
    return 0


def _say(line: str) -> None:
    with contextlib.suppress(OSError, ValueError):  # whoever launched us may be gone
        sys.stdout.write(line + "\n")
        sys.stdout.flush()


def stop_on_signals(stop: Callable[[str], None]) -> None:
    """Have ``stop`` told why, on the running loop, when a signal asks this process to end."""
    running = asyncio.get_running_loop()
    wake = WakeUp(lambda: stop("stopped"))
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is None:
            continue
        try:
            running.add_signal_handler(number, stop, f"stopped by {name}")
        except (NotImplementedError, RuntimeError, ValueError):  # Windows, or not the main thread
            with contextlib.suppress(ValueError):
                signal.signal(number, lambda *_: wake.ask())
