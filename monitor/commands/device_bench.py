"""``flowdebt feed --listen``: drives played to a device, and a table of its answers."""

import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.device.base import Ear
from monitor.device.open import open_ear
from monitor.device.summary import Summary, run_as_json
from monitor.device.trial import Played, device_runs
from monitor.send.open import open_target
from monitor.send.paced import Target
from monitor.send.serial import LineFormat
from simulator.plant import Scenario
from simulator.rig import RigFile
from simulator.strict import BadInput


@dataclass(frozen=True, slots=True)
class Bench:
    """What is played, how often, and how it is told.

    Attributes:
        scenario: The drive.
        seed: Of the first run; each next one has the next.
        times: How many runs.
        as_json: JSON lines: each run, then all.
    """

    scenario: Scenario
    seed: int
    times: int
    as_json: bool


def device_ends(
    to: str,
    listen: str,
    names: Sequence[str],
    rig_file: RigFile,
    form: LineFormat,
    answer: str,
    silence_s: float,
    baud: int | None,
) -> tuple[Target, Ear]:
    """Return what sends samples to a device, open, and what listens to its output, not yet open.

    Raises:
        BadInput: Either isn't there, or is none.
    """
    target = open_target(to, names, rig_file, baud, form)
    try:
        baud = baud or rig_file.serial.baud
        rises = answer == "rises"
        return target, open_ear(listen, silence_s=silence_s, rises=rises, baud=baud, fed=target)
    except BadInput:
        target.close()
        raise


def time_answers(bench: Bench, target: Target, ear: Ear) -> int:
    """Play the runs and tell of them: after Ctrl-C, or where an end went away, of those done.

    Returns:
        0 where every fault was answered and nothing else; else 1; 130 after Ctrl-C.

    Raises:
        BadInput: What is sent to, or listened to, is not there, or went away.
    """
    summary = Summary(ear)
    drives = (Played(i, bench.scenario, bench.seed + i) for i in range(bench.times))
    interrupted = False
    try:
        for run in device_runs(drives, target, ear):
            summary.runs.append(run)
            if bench.as_json:
                _write(json.dumps(run_as_json(run), allow_nan=False))
            elif sys.stderr.isatty():
                sys.stderr.write(f"\r{len(summary.runs)} of {bench.times} runs\r")
                sys.stderr.flush()
    except KeyboardInterrupt:
        interrupted = True
    finally:
        if summary.runs:
            _tell(summary, as_json=bench.as_json)
    if interrupted:
        return 130
    return int(not summary.all_answered or summary.false_answers > 0)


def _tell(summary: Summary, *, as_json: bool) -> None:
    for line in [json.dumps(summary.as_json(), allow_nan=False)] if as_json else summary.in_words():
        _write(line)


def _write(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()
