"""A class of drills as a process: ``python -m monitor.drill.process``, its order on its input."""

import asyncio
import os
import sys

from monitor.attach.carrying_out import Ready, carry_out, stop_on_signals
from monitor.attach.order import ClassOrder
from monitor.drill import warm
from monitor.drill.debriefing import Debriefer
from monitor.drill.drill_class import DrillClass
from monitor.drill.host import ClassHost
from simulator.strict import BadInput


async def run_class(order: ClassOrder, ready: Ready | None = None) -> None:
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
    stop_on_signals(host.stop)

    async def load() -> None:
        drill.compiled = await asyncio.to_thread(warm.load)

    loading = asyncio.create_task(load())  # while the brief is read
    try:
        await host.run(ready)
    finally:
        loading.cancel()


def main() -> int:
    """Carry out the order on standard input; return the exit code."""
    return carry_out(ClassOrder, run_class)


if __name__ == "__main__":
    sys.exit(main())
