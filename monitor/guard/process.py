"""The guard as a process: ``python -m monitor.guard.process`` with its order on standard input."""

import asyncio
import contextlib
import gc
import sys
from pathlib import Path

from monitor.attach.carrying_out import Ready, carry_out, stop_on_signals
from monitor.attach.endpoint import new_endpoint, publish, withdraw
from monitor.attach.listeners import Listener, Tell, TellListener
from monitor.attach.order import Order as Order
from monitor.guard.loop import GuardLoop
from monitor.guard.recording import RecordingListener
from monitor.guard.viewers import ViewersListener
from monitor.guard.warm import is_warm, warm_elsewhere
from monitor.recorder.recorder import SEGMENT_ROWS, Recorder
from monitor.recorder.restored import Restored, restored_from
from monitor.scheduling import ask_for_short_slice
from monitor.sources.open import open_source
from simulator.rig import RigFile
from simulator.strict import BadInput

AWAIT_VIEWER_S = 5.0
AWAIT_VIEWER_OF_NO_ENGINE_S = 60.0  # nothing is missed meanwhile


async def run_order(
    order: Order,
    tell: Tell | None = None,
    ready: Ready | None = None,
) -> None:
    """Carry out an order in this process: decide, record, let viewers attach, until the end.

    Args:
        order: What to do.
        tell: Told events, notices and the goodbye.
        ready: Told the process that viewers can attach to, once they can.

    Raises:
        BadInput: Anything asked for can't be used.
    """
    rig_file, source = open_source(order.source, order.rig, order.speed, order.baud, order.seed)
    loop = GuardLoop(rig_file, source)
    if order.learned is not None:
        loop.know(_restored(order, order.learned, rig_file))
    listeners = loop.listeners
    listeners += await _listeners(order, loop)
    endpoint = new_endpoint(source.name)
    viewers = ViewersListener(loop, endpoint, unattended_ends=order.unattended_ends)
    listeners.append(viewers)
    if tell is not None:
        listeners.append(TellListener(tell))
    if is_warm():
        loop.use_compiled()
    else:
        warm_elsewhere()
    ask_for_short_slice()
    listening = await viewers.start()

    async def opened() -> None:
        publish(listening)
        # What exists by now lives as long as the guard: collections needn't look at it again.
        gc.collect()
        gc.freeze()
        if ready is not None:
            ready(str(endpoint.pid))
        if order.awaits_viewer:
            await viewers.first_viewer(
                AWAIT_VIEWER_S if source.kind.live else AWAIT_VIEWER_OF_NO_ENGINE_S
            )

    stop_on_signals(loop.stop)
    try:
        await loop.run(opened)
    finally:
        withdraw(endpoint)


def _restored(order: Order, learned: str, rig_file: RigFile) -> Restored:
    """Return what is to be known of the car; before the first drive there is no folder yet."""
    sessions = Path(learned)
    if order.record is not None and sessions == Path(order.record):
        with contextlib.suppress(OSError):  # the recorder tells why
            sessions.mkdir(parents=True, exist_ok=True)
    return restored_from(sessions, rig_file)


async def _listeners(order: Order, loop: GuardLoop) -> list[Listener]:
    """Return the recording, outputs and publisher that an order asks for, started."""
    rig_file, source = loop.rig_file, loop.source
    listeners: list[Listener] = []
    if order.arm and not order.outputs:
        raise BadInput("--arm: found no --output, expected one to arm")
    if order.arm and not source.kind.may_act:
        raise BadInput("--arm: found a recorded log, expected a live source: the past must not act")
    if order.outputs:
        from monitor.outputs.desk import OutputDesk

        desk = OutputDesk(rig_file.rig, order.outputs, armed=order.arm)
        await asyncio.to_thread(desk.start)
        listeners.append(desk)
    try:
        if order.publish is not None:
            from monitor.outputs.publisher import Publisher

            publisher = Publisher(order.publish, source.name)
            publisher.start()
            listeners.append(publisher)
        if order.record is not None:
            rows = order.segment_rows or SEGMENT_ROWS
            known = loop.restored is not None and loop.restored.learned is not None
            state = loop.state() if known else ()
            recorder = Recorder(
                Path(order.record), rig_file, source.name, segment_rows=rows, state=state
            )
            listeners.insert(0, RecordingListener(recorder))
    except BadInput:
        for listener in listeners:
            listener.ending("not started")
        raise
    return listeners


def main() -> int:
    """Carry out the order on standard input; return the exit code."""
    return carry_out(Order, lambda order, ready: run_order(order, ready=ready))


if __name__ == "__main__":
    sys.exit(main())
