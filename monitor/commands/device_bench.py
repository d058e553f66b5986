"""``flowdebt feed --listen``: drives played to a device, and a table of its answers."""

import json
import sys
from dataclasses import dataclass

from monitor.device.base import Ear
from monitor.device.summary import Summary, run_as_json
from monitor.device.trial import Played, device_runs
from monitor.send.paced import Target
from simulator.plant import Scenario


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


def time_answers(bench: Bench, target: Target, ear: Ear) -> int:
    """Play the runs, tell of them; Ctrl-C keeps those that are done.

    Returns:
        0 where every fault was answered and nothing else; else 1; 130 after Ctrl-C.
    """
    summary = Summary(ear)
    drives = (Played(i, bench.scenario, bench.seed + i) for i in range(bench.times))
    code = 0
    try:
        for run in device_runs(drives, target, ear):
            summary.runs.append(run)
            if bench.as_json:
                _write(json.dumps(run_as_json(run), allow_nan=False))
            elif sys.stderr.isatty():
                sys.stderr.write(f"\r{len(summary.runs)} of {bench.times} runs\r")
                sys.stderr.flush()
    except KeyboardInterrupt:
        code = 130
    if bench.as_json:
        _write(json.dumps(summary.as_json(), allow_nan=False))
    else:
        for line in summary.in_words():
            _write(line)
    return code or int(not summary.all_answered or summary.false_answers > 0)


def _write(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()
