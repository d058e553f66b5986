"""A class of drills as a process: ``python -m monitor.drill.process``, its order on its input."""

import asyncio
import contextlib
import os
import signal
import sys
from collections.abc import Callable
from typing import Final

import msgspec

from monitor.attach.order import ClassOrder
from monitor.drill import warm
from monitor.drill.debriefing import Debriefer
from monitor.drill.drill_class import DrillClass
from monitor.drill.host import ClassHost
from simulator.strict import BadInput

LONGEST_ORDER: Final = 1 << 16


async def run_class(order: ClassOrder, ready: Callable[[str], None] | None = None) -> None:
    """Carry out an order in this process, until the class ends.

    Args:
        order: What to do.
        ready: Told the process that viewers can attach to, once they can.

    Raises:
        BadInput: Anything asked for can't be used.
    """
    if not order.lessons:
        raise BadInput("drill: found no lesson, expected at least one")
    debriefer = Debriefer(order.results)
    drill = DrillClass(
        order.lessons,
        pid=os.getpid(),
        seed=order.seed,
        instructed=order.instructed,
        speed=order.speed,
        results=debriefer.results,
    )
    host = ClassHost(drill, debriefer)
    loop = asyncio.get_running_loop()
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None:
            with contextlib.suppress(NotImplementedError, RuntimeError, ValueError):
                loop.add_signal_handler(number, host.stop, f"stopped by {name}")

    async def load() -> None:
        drill.compiled = await asyncio.to_thread(warm.load)

    loading = asyncio.create_task(load())  # while the brief is read
    try:
        await host.run(ready)
    finally:
        loading.cancel()


def main() -> int:
    """Read an order from standard input, carry it out; return the exit code.

    Says ``ready PID`` or ``error TEXT`` on standard output, one line.
    """

    def say(line: str) -> None:
        with contextlib.suppress(OSError, ValueError):  # whoever launched us may be gone
            sys.stdout.write(line + "\n")
            sys.stdout.flush()

    try:
        order = msgspec.json.decode(sys.stdin.buffer.readline(LONGEST_ORDER), type=ClassOrder)
        asyncio.run(run_class(order, ready=lambda where: say(f"ready {where}")))
    except BadInput as error:
        say(f"error {error}")
        return 2
    except msgspec.MsgspecError as error:
        say(f"error order: {error}")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
