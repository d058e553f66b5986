"""The functions that make up a decision, and a hash of them. Loads no compiler."""

from types import ModuleType

from rules import channels, compiling
from rules.step import (
    arithmetic,
    bank,
    boost_and_command,
    charge,
    command,
    constants,
    evidence,
    expectation,
    followed,
    health,
    hydraulics,
    ladder,
    lasting,
    learning,
    limits,
    line,
    rig_doubts,
    state,
    step,
    surplus,
    watch,
    witnesses,
)

KERNEL_MODULES: tuple[ModuleType, ...] = (
    arithmetic,
    hydraulics,
    command,
    bank,
    expectation,
    health,
    learning,
    rig_doubts,
    evidence,
    charge,
    line,
    witnesses,
    followed,
    lasting,
    boost_and_command,
    surplus,
    watch,
    limits,
    ladder,
)


def fingerprint(compiler: str) -> str:
    """Return a short hash of the decision code, and of what compiles it."""
    return compiling.fingerprint((*KERNEL_MODULES, step), state, channels, constants, base=compiler)
