"""A proof in words: a table of 80 columns, its reasons, its worst runs."""

import textwrap
from collections.abc import Callable, Iterator
from math import isfinite, isnan
from typing import Any, Final

from monitor.recorder.span import counted
from simulator.proof.calm import hours_told
from simulator.proof.outcomes import Outcome
from simulator.proof.proportions import quantile
from simulator.proof.results import CalmResult, Proof, RowResult, Verdict, delay_s

WIDE: Final = 80
_NAME: Final = 25
QUANTILES: Final = (("p50", 0.5), ("p95", 0.95), ("p99", 0.99), ("most", 1.0))


def as_table(proof: Proof, replay: Callable[[int, int], str]) -> list[str]:
    """Return a proof as lines of at most 80 columns, but for commands.

    Args:
        proof: The proof.
        replay: The command that replays a run, by number of row (from 1; 0: the healthy drives)
            and of car.
    """
    about = proof.about
    car = "" if about["car_sha256"] == about["rig_sha256"] else f", on cars of {about['car']}"
    lines = textwrap.wrap(
        f"{about['requirements']}: {about['rig']} (rig {about['rig_sha256'][:12]}){car}, flowdebt "
        f"{about['version']}, {tried_on(about)}",
        WIDE,
    )
    head = "".join(f"{name:>6}" for name, _ in QUANTILES)
    lines += ["", f"{'requirement':<{_NAME}}verdict      of runs  share>={head}"]
    lines += [_row(row) for row in proof.rows]
    lines += [_calm(calm) for calm in proof.calms]
    lines += ["", "ms from the fault's onset to the action asked for (no: in that share, never)"]
    lines += ["", verdict_told(proof)]
    for name, reason in reasons(proof):
        lines += _hung(f"{name}: {reason}")
    worst = list(_worst(proof, replay))
    lines += ["", "the worst runs:", *worst] if worst else []
    return [*lines, "", *textwrap.wrap(proof.does_not_prove, WIDE)]


def tried_on(about: dict[str, Any]) -> str:
    """Return on what it was tried, beside the rig, as a clause."""
    if "logs" in about:
        return counted(len(about["logs"]), "log")
    cars = f"cars of set {about['seed_set']}"
    return f"a device {about['device']}, {cars}" if "device" in about else cars


def verdict_told(proof: Proof) -> str:
    """Return the verdict of all, and whether it is one."""
    return ("UNFINISHED, so far " if proof.unfinished else "") + proof.verdict.value.upper()


def reasons(proof: Proof) -> list[tuple[str, str]]:
    """Return the name of each row that has a reason, or a reckoning, and what it says."""
    found = [(row.requirement.name, row.reason) for row in proof.rows]
    found += [(calm.calm.name, calm.reason) for calm in proof.calms]
    found += [(row.requirement.name, row.reckoned) for row in proof.rows]
    found += [("the cars go beyond what the rig allows", clause) for clause in proof.beyond]
    return [(name, reason) for name, reason in found if reason]


def _row(row: RowResult) -> str:
    counts, least, *times = row_told(row)
    columns = f"{counts:>13}{least:>8}" + "".join(f"{time:>6}" for time in times)
    return f"{_named(row.requirement.name)}{row.verdict.value:<10}{columns}".rstrip()


def row_told(row: RowResult) -> tuple[str, ...]:
    """Return what its runs came to: passed, their least share, delays; empty where none began."""
    delays = row.delays_s
    if not delays:
        return ("", "", *("" for _ in QUANTILES))
    times = (ms(quantile(delays, share)) for _, share in QUANTILES)
    return f"{row.passed} of {len(delays)}", f"{100.0 * row.least:z.1f} %", *times


def _calm(result: CalmResult) -> str:
    return f"{_named(result.calm.name)}{result.verdict.value:<13}{calm_told(result)}".rstrip()


def calm_told(result: CalmResult) -> str:
    """Return what was counted where nothing is wrong, as a clause; empty where nothing was."""
    text = f"{result.count} in {hours_told(result.hours)}" if result.hours else ""
    most = f"{result.most:z.{0 if result.most > 99.5 else 2}f}"
    return text + (f", at most {most} in 100 h" if isfinite(result.most) else "")


def _named(name: str) -> str:
    return f"{textwrap.shorten(name, _NAME - 1, placeholder='...'):<{_NAME}}"


def ms(seconds: float) -> str:
    """Return a delay in whole milliseconds, "no" where it never came."""
    return f"{1e3 * seconds:z.0f}" if isfinite(seconds) else "no"


def _worst(proof: Proof, replay: Callable[[int, int], str]) -> Iterator[str]:
    for number, row in enumerate(proof.rows, 1):
        runs = row.worst if row.verdict is not Verdict.PASS else row.worst[:1]
        for outcome in runs:
            yield from _hung(f"{row.requirement.name}, {run_told(row, outcome)}")
            yield f"    {replay(number, outcome.number)}"
    for calm in proof.calms:
        for drive in calm.hit:
            yield from _hung(f"{calm.calm.name}, healthy drive {drive}")
            yield f"    {replay(0, drive)}"


def run_told(row: RowResult, outcome: Outcome) -> str:
    """Return what one run of a row showed, as a clause."""
    took = ms(delay_s(row.requirement, outcome))
    took = "no action" if took == "no" else f"{took} ms"
    cost = f", harm {outcome.harm:z.1f}, {outcome.work_lost_kj:z.0f} kJ lost"
    return f"run {outcome.number}: {took}{'' if isnan(outcome.harm) else cost}"


def _hung(text: str) -> list[str]:
    return textwrap.wrap(text, WIDE, initial_indent="  ", subsequent_indent="    ")
