"""A small requirements file, quickly decided, and runs that nobody drove."""

from math import inf
from typing import Any, Final

from simulator.proof.outcomes import Outcome
from simulator.proof.requirements import Requirements, requirements_from_text
from simulator.rig import RigFile, find_rig, load_rig

QUICK: Final = """
name = "Quick"

[[requirements]]
name = "pump stop"
at = "high"
faults = [{ kind = "pump_stop" }]
action_at_least = "pull_timing"
within = "400 ms"
share = "70 %"
confidence = "60 %"

[[requirements]]
name = "nothing to do"
at = "part"
faults = [{ kind = "wire_noise", magnitude = "1 %" }]
action_at_most = "warn"
share = "70 %"
confidence = "60 %"
"""


def brindle() -> RigFile:
    """Return a rig file that ships."""
    return load_rig(find_rig("brindle"))


def requirements(text: str = QUICK, rig: str = "brindle") -> Requirements:
    """Return requirements from their text, for a rig that ships."""
    return requirements_from_text(text, "req.toml", load_rig(find_rig(rig)))


def ran(number: int = 0, pull_s: float = 0.2, **more: Any) -> Outcome:
    """Return what a run would have shown that pulled timing after so long."""
    given: dict[str, Any] = {"found_s": pull_s, "warn_s": pull_s, "pull_s": pull_s}
    given |= {"onset_s": 3.0, "worst": 2 if pull_s < inf else 0}
    return Outcome(number, **(given | more))
