"""A change is made where it says, and only there."""

import pytest

from rules.step import arithmetic
from tests.bench.mutation import MODULES, apply, changes


def test_a_change_swaps_what_it_names(monkeypatch: pytest.MonkeyPatch) -> None:
    """A comparison the other way round makes the larger the smaller, until it is undone."""
    monkeypatch.setattr(arithmetic.larger, "__code__", arithmetic.larger.__code__)
    of_larger = [one for one in changes("arithmetic") if one.function == "larger"]
    (swap,) = (one for one in of_larger if one.text().endswith("b > a -> b <= a"))
    assert arithmetic.larger(1.0, 2.0) == 2.0
    apply(swap)
    assert arithmetic.larger(1.0, 2.0) == 1.0
    monkeypatch.undo()
    assert arithmetic.larger(1.0, 2.0) == 2.0


@pytest.mark.parametrize("module", MODULES)
def test_every_module_that_decides_can_be_changed(module: str) -> None:
    """Each has changes to make, and none leaves the code as it was."""
    made = list(changes(module))
    assert len(made) >= 5
    for one in made[:: max(1, len(made) // 10)]:
        was, is_now = one.text().partition(" ")[2].split(" -> ")
        assert was != is_now
