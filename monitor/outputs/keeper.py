"""The process that holds the outputs: ``python -m monitor.outputs.keeper``, told by a guard.

Standard input: first the outputs as a JSON list of texts, then a line for each of the guard's
beats, ``1 NUMBER`` (hold) or ``0 NUMBER`` (release). The end of input releases and ends. Standard
output: a JSON line (``Kept``) ten times a second.

Each output has a thread of its own, so that a port that blocks holds up no other. No thread may
keep an output held by itself: each looks, every ``BEAT_S``, how old the guard's last word is.
"""

import contextlib
import os
import signal
import sys
import threading
from typing import Final

import msgspec

from monitor.clock import now_s
from monitor.outputs.base import BEAT_S, KEEPER_SILENT_S, SILENT_S, Output, OutputFault
from monitor.outputs.open import open_output
from monitor.scheduling import ask_for_short_slice
from simulator.strict import BadInput

STATUS_S: Final = 0.1
FIRST_WAIT_S: Final = 0.2
LONGEST_WAIT_S: Final = 2.0


class KeptOutput(msgspec.Struct, frozen=True):
    """One output, as the keeper sees it.

    Attributes:
        name: What and where.
        held: Whether it is held.
        fault: Why it can't be driven; empty where it can.
        stuck: Whether its thread hangs in a call: it may be held against our will.
    """

    name: str
    held: bool
    fault: str
    stuck: bool


class Kept(msgspec.Struct, frozen=True):
    """What the keeper says of itself: the last beat it heard, and its outputs."""

    beat: int
    outputs: list[KeptOutput]


class LastBeat:
    """The guard's last word, and how old it is."""

    def __init__(self) -> None:
        self.number = 0
        self._hold = False
        self._at_s = float("-inf")

    def take(self, hold: bool, number: int) -> bool:
        """Take a beat; return whether it says something else than the one before."""
        changed = hold != self._hold
        self.number = number
        self._at_s = now_s()
        self._hold = hold
        return changed

    @property
    def holds(self) -> bool:
        """Whether outputs may be held now."""
        return self._hold and now_s() - self._at_s < SILENT_S


class Worker(threading.Thread):
    """Drives one output from a thread of its own."""

    def __init__(self, output: Output, beat: LastBeat) -> None:
        super().__init__(name=output.name, daemon=True)
        self.fault = "not open yet"
        self.held = False
        self.wake = threading.Event()
        self.tried = threading.Event()
        self._output = output
        self._beat = beat
        self._ended = False
        self._opening = False
        self._alive_s = now_s()

    def end(self) -> None:
        """Release and close, soon."""
        self._ended = True
        self.wake.set()

    def seen(self) -> KeptOutput:
        """Return how it stands."""
        late = now_s() - self._alive_s > KEEPER_SILENT_S and not self._opening
        return KeptOutput(self._output.name, self.held, self.fault, late)

    def run(self) -> None:
        """Drive it until ``end``."""
        wait_s, due_s = FIRST_WAIT_S, 0.0
        opened = False
        while not self._ended:
            self._alive_s = now_s()
            try:
                if not opened and now_s() >= due_s:
                    self._opening = True
                    self._output.open()
                    self._opening = False
                    opened, self.fault, wait_s = True, "", FIRST_WAIT_S
                if opened:
                    hold = self._beat.holds
                    self._output.beat(hold)
                    self.held = hold
            except OutputFault as fault:
                self.fault, self.held, opened = str(fault), False, False
                self._output.close()
                self._opening = False
                due_s = now_s() + wait_s
                wait_s = min(2.0 * wait_s, LONGEST_WAIT_S)
            self.tried.set()
            self.wake.wait(BEAT_S)
            self.wake.clear()
        self.held = False
        self._output.close()


def keep(outputs: list[Output], beats: int, status: int) -> None:
    """Hold and release outputs as told until the input ends.

    Args:
        outputs: Not yet opened.
        beats: Descriptor the guard's beats come from.
        status: Descriptor that ``Kept`` lines go to.
    """
    beat = LastBeat()
    workers = [Worker(output, beat) for output in outputs]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.tried.wait()
    ended = threading.Event()
    teller = threading.Thread(target=_tell, args=(beat, workers, status, ended), daemon=True)
    teller.start()
    rest = b""
    while data := _read(beats):
        *lines, rest = (rest + data).split(b"\n")
        if lines and _take_line(beat, lines[-1]):
            for worker in workers:
                worker.wake.set()
    ended.set()
    for worker in workers:
        worker.end()
    for worker in workers:
        worker.join(1.0)


def _read(descriptor: int) -> bytes:
    try:
        return os.read(descriptor, 4096)
    except OSError:
        return b""


def _take_line(beat: LastBeat, line: bytes) -> bool:
    hold, _, number = line.partition(b" ")
    if hold not in (b"0", b"1") or not number.isdigit():
        return beat.take(False, beat.number)
    return beat.take(hold == b"1", int(number))


def _tell(beat: LastBeat, workers: list[Worker], status: int, ended: threading.Event) -> None:
    with contextlib.suppress(OSError):  # nobody reads: the guard is gone, and the input ends too
        while True:
            kept = Kept(beat.number, [worker.seen() for worker in workers])
            os.write(status, msgspec.json.encode(kept) + b"\n")
            if ended.wait(STATUS_S):
                return


def main() -> int:
    """Keep the outputs that the first line of standard input names; return the exit code."""
    ask_for_short_slice()
    # A Ctrl-C in the guard's terminal is the guard's business; its end ends our input.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    first = b""
    while not first.endswith(b"\n"):
        data = os.read(0, 1)
        if not data:
            return 2
        first += data
    try:
        outputs = [open_output(text) for text in msgspec.json.decode(first, type=list[str])]
    except (BadInput, msgspec.MsgspecError):
        return 2
    keep(outputs, 0, 1)
    return 0


if __name__ == "__main__":
    sys.exit(main())
