"""What tests of the world around the decision have ready."""

from collections.abc import Iterator

import pytest

from monitor.review import judge
from rules.guard import Guard
from simulator import machine_code


@pytest.fixture(scope="package", autouse=True)
def _reviews_decide_compiled() -> Iterator[None]:
    """Have reviews decide by compiled code, as they do once a process has it loaded.

    A short log would be stepped row by row, forty times as slow and the same to the bit, unless
    a test before had a long one; where that is the question, tests say ``compiles_from``.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Guard, "machine_code", Guard.machine_code)
        patch.setattr(judge._Loaded, "now", True)
        machine_code.load()
        yield
