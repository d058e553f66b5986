"""What a proof rests on and what each row asks for, in words: the same in every report."""

from collections.abc import Iterator
from math import inf, isfinite
from typing import Any

from rules.facts import Action
from simulator.coverage.matrix import evaluation_seed
from simulator.plant import Fault
from simulator.proof.population import MOST_RUNS
from simulator.proof.requirements import Calm, Requirement
from simulator.proof.results import Proof

ADVISES = "flowdebt advises: it is no certified safety device."


def basis(proof: Proof) -> list[tuple[str, str]]:
    """Return what a proof rests on, each with its name."""
    about = proof.about
    runs = sum(len(row.outcomes) for row in proof.rows)
    return [
        ("requirements", f"{about['requirements']}, sha256 {about['requirements_sha256']}"),
        ("rig", f"{about['rig']}, sha256 {about['rig_sha256']}"),
        *_tried_on(about),
        ("flowdebt", f"{about['version']}, code {about['code']}"),
        ("runs", f"{runs}"),
    ]


def _tried_on(about: dict[str, Any]) -> Iterator[tuple[str, str]]:
    if "logs" in about:
        yield "logs", ", ".join(about["logs"])
        if about["marks_not_used"]:
            yield "marks not used", "; ".join(about["marks_not_used"])
        return
    yield "cars", f"{about['car']}, sha256 {about['car_sha256']}"
    first = evaluation_seed(about["seed_set"] * MOST_RUNS)
    yield "seeds", f"set {about['seed_set']}: {first} + the run's number"
    if "device" in about:
        yield "device", about["device"]


def fault_told(row: Requirement) -> str:
    """Return what goes wrong, without where."""
    return " and ".join(" ".join(_fault(fault)) for fault in row.faults)


def fault_named(fault: Fault) -> str:
    """Return which fault it is, and how great: as a mark on a log names it."""
    named = fault.kind.word.replace("_", " ")
    if fault.channel:
        named += f" of {fault.channel}"
    return named + (f" {100.0 * fault.magnitude:zg} %" if fault.magnitude != 1.0 else "")


def _fault(fault: Fault) -> Iterator[str]:
    yield fault_named(fault)
    if fault.ramp_s:
        yield f"over {fault.ramp_s:zg} s"
    if isfinite(fault.for_s):
        yield f"for {fault.for_s:zg} s"


def asked(row: Requirement) -> str:
    """Return what a requirement asks for, in one sentence."""
    low, high = row.command
    where = row.point.what
    if row.point.gear:
        where += f", gear {row.point.gear}" if "gear" not in where else ""
    if low > 0.0 or high < inf:
        most = f"{100.0 * high:zg}" if high < inf else "100"
        where += f", {100.0 * low:zg} to {most} % of full flow commanded"
    wanted = ", ".join(_wanted(row))
    return (
        f"{fault_told(row)} at {where}: {wanted}; in {100.0 * row.share:zg} % of runs, at "
        f"{100.0 * row.confidence:zg} % confidence."
    )


def _wanted(row: Requirement) -> Iterator[str]:
    if row.at_least is not Action.NO_ACTION:
        yield f"{_word(row.at_least)} or more within {1e3 * row.within_s:zg} ms of the onset"
    if row.at_most is Action.NO_ACTION:
        yield "no action"
    elif row.at_most is not Action.CUT_BOOST:
        yield f"nothing harder than {_word(row.at_most)}"
    if isfinite(row.harm_at_most):
        yield f"knock harm at most {row.harm_at_most:zg}"
    if isfinite(row.work_lost_at_most_kj):
        yield f"at most {row.work_lost_at_most_kj:zg} kJ of work lost"


def calm_asked(calm: Calm) -> str:
    """Return what a row without a fault asks for, in one sentence."""
    return (
        f"Nothing wrong: {_word(calm.action)} or more at most {calm.at_most_per_100_h:zg} in 100 h "
        f"of {calm.of}, at {100.0 * calm.confidence:zg} % confidence."
    )


def _word(action: Action) -> str:
    return action.word.replace("_", " ")
