"""The guard's end of the outputs: judges, tells the keeper, watches it, says what happens."""

import contextlib
import os
import subprocess
import sys
import threading
from typing import Final

import msgspec

from monitor.attach.listeners import Listener, ListenerFacts, RunningGuard
from monitor.attach.message_parts import OutputState
from monitor.attach.protocol import Notice
from monitor.clock import now_s
from monitor.outputs.base import BEAT_S, CAUTION, KEEPER_SILENT_S
from monitor.outputs.keeper import Kept
from monitor.outputs.may_hold import Holder
from monitor.outputs.open import open_output
from rules.channels import Sample
from rules.facts import Rig
from rules.step.state import Decision
from simulator.rig import RigFile
from simulator.strict import BadInput

START_S: Final = 15.0
AGAIN_S: Final = 1.0
CLOSE_S: Final = 2.0


class OutputDesk(Listener):
    """Holds outputs while the guard is content. Nothing is driven unless they are armed.

    Args:
        rig: The rig.
        texts: The outputs, as ``open_output`` reads them.
        armed: Drive them; otherwise only say what would be done (dry run).

    Raises:
        BadInput: A text that is no output.
    """

    def __init__(self, rig: Rig, texts: list[str], *, armed: bool) -> None:
        self._texts = texts
        self._names = [open_output(text).name for text in texts]
        self._armed = armed
        self._holder = Holder(rig)
        self._guard: RunningGuard | None = None
        self._number = 0
        self._beat_s = float("-inf")
        self._keeper: subprocess.Popen[bytes] | None = None
        self._answered_s = 0.0
        self._again_s = 0.0
        self._first_word = threading.Event()
        self._kept: Kept | None = None
        self._faults: list[str] = [""] * len(texts)

    def start(self) -> None:
        """Start the keeper, where armed; wait until it has tried every output.

        Raises:
            BadInput: An output that can't be opened: whoever arms it must know.
        """
        if not self._armed:
            return
        self._launch()
        self._first_word.wait(START_S)
        faults = ["the keeper of the outputs did not start"]
        if self._kept is not None:
            faults = [output.fault for output in self._kept.outputs if output.fault]
        if faults:
            self.ending("")
            raise BadInput(f"--arm: {faults[0]}, expected an output that can be driven")

    # --- listening to the guard -----------------------------------------------------------------

    def opened(self, guard: RunningGuard) -> None:
        """Report what is armed."""
        self._guard = guard
        for name in self._names:
            armed = "ARMED" if self._armed else "dry run, nothing is driven"
            self._report(f"{name}: {armed}")
        if self._armed:
            self._report(CAUTION, "caution")

    def change(self, rig_file: RigFile) -> None:
        """Be as patient with blindness from now on as another rig is."""
        self._holder.change(rig_file.rig)

    def decided(self, row: Sample, decision: Decision) -> None:
        """Judge a decision; a change goes out at once."""
        if self._holder.feed(decision):
            self._beat()
            would = "" if self._armed else "would be "
            held = "held" if self._holder.held else "released"
            self._report(f"{would}{held}: {self._holder.why}")
        elif now_s() - self._beat_s >= BEAT_S:
            self._beat()

    def alive(self) -> None:
        """Say again what holds: the loop that decides is alive."""
        if now_s() - self._beat_s >= 0.5 * BEAT_S:
            self._beat()

    def tick(self) -> None:
        """See that the keeper answers; kill and replace one that doesn't."""
        if not self._armed:
            return
        if self._keeper is None:
            if now_s() >= self._again_s:
                self._launch()
            return
        kept = self._kept
        if self._keeper.poll() is not None:
            self._lose("ended by itself")
        elif now_s() - self._answered_s > KEEPER_SILENT_S:
            self._lose("did not answer and was killed")
        elif kept is not None:
            if any(output.stuck for output in kept.outputs):
                self._lose("hung in a port and was killed")
            self._report_faults(kept)

    def shown(self) -> list[OutputState]:
        """Return every output: whether it is armed and held, why, and its fault."""
        return [
            OutputState(
                output=name,
                armed=self._armed,
                held=self._held(i),
                why=self._holder.why,
                fault=self._faults[i],
            )
            for i, name in enumerate(self._names)
        ]

    def enter(self, facts: ListenerFacts) -> None:
        """Enter every output."""
        facts.outputs += self.shown()

    def ending(self, why: str) -> None:
        """Release everything and end the keeper."""
        keeper, self._keeper = self._keeper, None
        if keeper is None or keeper.stdin is None:
            return
        with contextlib.suppress(OSError):
            keeper.stdin.close()
        try:
            keeper.wait(CLOSE_S)
        except subprocess.TimeoutExpired:
            keeper.kill()
            keeper.wait()
        if why:
            self._report(f"released: {why}")

    def _report(self, text: str, topic: str = "output") -> None:
        if self._guard is not None:
            self._guard.report(Notice(topic, text))

    # --- the keeper -------------------------------------------------------------------------------

    def _held(self, index: int) -> bool:
        if self._armed:
            return self._kept is not None and self._kept.outputs[index].held
        return self._holder.held

    def _launch(self) -> None:
        self._keeper = keeper = subprocess.Popen(
            [sys.executable, "-m", "monitor.outputs.keeper"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        if keeper.stdin is None:  # pragma: no cover (it is a pipe)
            raise RuntimeError("no pipe")
        with contextlib.suppress(OSError):
            keeper.stdin.write(msgspec.json.encode(self._texts) + b"\n")
            keeper.stdin.flush()
        with contextlib.suppress(OSError, AttributeError):  # not everywhere can pipes do that
            os.set_blocking(keeper.stdin.fileno(), False)
        self._kept = None
        self._first_word.clear()
        self._answered_s = now_s() + START_S
        threading.Thread(target=self._read, args=(keeper,), name="outputs", daemon=True).start()

    def _beat(self) -> None:
        self._number += 1
        self._beat_s = now_s()
        keeper = self._keeper
        if keeper is not None and keeper.stdin is not None:
            # Full or broken: the keeper doesn't read, so it releases by itself, or is killed.
            with contextlib.suppress(OSError):
                os.write(keeper.stdin.fileno(), b"%d %d\n" % (self._holder.held, self._number))

    def _read(self, keeper: "subprocess.Popen[bytes]") -> None:
        """Read what a keeper says until it ends (a thread of its own)."""
        if keeper.stdout is None:  # pragma: no cover (it is a pipe)
            return
        with keeper.stdout as said, contextlib.suppress(OSError, ValueError):
            while line := said.readline():
                with contextlib.suppress(msgspec.MsgspecError):
                    kept = msgspec.json.decode(line, type=Kept)
                    if keeper is self._keeper:
                        self._take(kept)
        self._first_word.set()

    def _take(self, kept: Kept) -> None:
        # An answer counts where the keeper has heard something new, or there is nothing newer.
        before = self._kept
        if before is None or kept.beat > before.beat or kept.beat >= self._number:
            self._answered_s = now_s()
        self._kept = kept
        self._first_word.set()

    def _report_faults(self, kept: Kept) -> None:
        for i, output in enumerate(kept.outputs):
            if output.fault != self._faults[i]:
                self._faults[i] = output.fault
                self._report(output.fault or f"{output.name}: back")

    def _lose(self, why: str) -> None:
        keeper, self._keeper = self._keeper, None
        self._kept = None
        self._again_s = now_s() + AGAIN_S
        if keeper is not None:
            keeper.kill()
            keeper.wait()
            if keeper.stdin is not None:
                with contextlib.suppress(OSError):
                    keeper.stdin.close()
        self._report(f"released: the keeper {why}; starting another")
