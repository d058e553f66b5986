"""``flowdebt prove --device``: requirements that a failsafe device on the bench passes or fails."""

import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from monitor.commands.device_bench import device_ends
from monitor.proof.on_device import TOO_LATE_S, DeviceProof
from monitor.proof.store import Store
from monitor.recorder.span import counted
from monitor.send.serial import LineFormat
from simulator.logfile import mapped
from simulator.proof.outcomes import Cars
from simulator.proof.proving import Standing, end_silently
from simulator.proof.requirements import Requirements
from simulator.proof.results import Proof
from simulator.rig import RigFile
from simulator.strict import BadInput

MOST_RUNS = 100  # a row; each lasts as long as it is driven
_LATE_S = 0.02  # worth telling


def prove_device(
    asked: Requirements,
    cars: Cars,
    about: dict[str, Any],
    *,
    car_file: RigFile,
    ends: tuple[str | None, str | None, str, float, int | None],
    most_runs: int | None,
    folder: Path,
    progress: Callable[[Standing], None] | None,
) -> Proof:
    """Prove a device until each row is decided, or Ctrl-C.

    Args:
        asked: The requirements.
        cars: Which cars it is played.
        about: What the proof is about; what the device is goes in there too.
        car_file: The cars' rig.
        ends: What it reads, what listens to its output, which edge is its answer, how long a beat
            lasts (s), and a port's speed.
        most_runs: So many runs a row decide, or nothing does.
        folder: Where runs are kept.
        progress: Called after each run.

    Raises:
        BadInput: What is sent to, or listened to, is not named, not there, or went away; what was
            played until then is kept.
    """
    to, listen, answer, silence_s, baud = ends
    if to is None or listen is None:
        one, other = ("--device", "--listen") if to is None else ("--listen", "--device")
        raise BadInput(f"{one}: found none beside {other}, expected it too")
    names = mapped(cars.driven)
    target, ear = device_ends(to, listen, names, car_file, LineFormat(), answer, silence_s, baud)
    try:
        about["device"] = f"fed at {target.name}, its output {ear.name}"
        runs = MOST_RUNS if most_runs is None else most_runs
        proof = DeviceProof(asked, cars, runs, tells_action=ear.tells_action)
        store = Store(folder, about, chunk=1)
    except BaseException:
        target.close()
        raise
    unfinished = False
    with ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=end_silently) as ahead:
        try:
            kept = store.kept()
            proof.play(target, ear, ahead, kept=kept, keep=store.keep, progress=progress)
        except KeyboardInterrupt:
            unfinished = True
            sys.stderr.write(f"\nkept in {folder}: the same command goes on from there\n")
    if proof.late_s > _LATE_S:
        sys.stderr.write(
            f"samples were sent up to {proof.late_s:z.3f} s late, this machine being busy: times "
            "from the onset have that in them\n"
        )
    if proof.not_counted:
        sys.stderr.write(
            f"{counted(proof.not_counted, 'run')} not counted among healthy drives: a sample was "
            f"sent over {TOO_LATE_S:zg} s late\n"
        )
    return proof.proof(about, unfinished=unfinished)
