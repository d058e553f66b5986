"""Sequence numbers: what was lost, came twice or too late, and a counter that starts again."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.sources.lines.sequence import (
    BAD_SEQUENCE,
    HIGHEST,
    MOST_LOST,
    OUT_OF_ORDER,
    REPEATED,
    RESTART_RUN,
    WINDOW,
    SequenceCheck,
)
from monitor.sources.lines.strict_numbers import Rejected


def run(numbers: list[int]) -> tuple[list[str | None], int, int]:
    """Return what a check says to each number, and how many were lost and how often it began."""
    check = SequenceCheck()
    return [check.fault(number) for number in numbers], check.lost, check.restarts


FRESH = None


@pytest.mark.parametrize(
    ("numbers", "said", "lost"),
    [
        ([0, 1, 2, 3], [FRESH] * 4, 0),
        ([700, 701], [FRESH] * 2, 0),
        ([1, 2, 5, 6], [FRESH] * 4, 2),
        ([1, 2, 2, 3], [FRESH, FRESH, REPEATED, FRESH], 0),
        ([1, 2, 4, 3, 5], [FRESH, FRESH, FRESH, OUT_OF_ORDER, FRESH], 1),
        ([1, 2, 3, 1, 2, 3, 4], [FRESH] * 3 + [OUT_OF_ORDER] * 2 + [REPEATED, FRESH], 0),
        ([65_534, 65_535, 0, 1], [FRESH] * 4, 0),
        ([65_533, 65_534, 1, 2], [FRESH] * 4, 2),
        ([65_534, 0, 65_535, 1], [FRESH, FRESH, OUT_OF_ORDER, FRESH], 1),
        ([65_535, 65_536, 65_537], [FRESH] * 3, 0),
        ([2**32 - 2, 2**32 - 1, 0, 1], [FRESH] * 4, 0),
        ([2**32 - 2, 1, 2], [FRESH] * 3, 2),
        ([2**32 - 1, 0, 2**32 - 1, 1], [FRESH, FRESH, OUT_OF_ORDER, FRESH], 0),
        ([1, 1 + MOST_LOST], [FRESH] * 2, MOST_LOST - 1),
    ],
)
def test_numbers_in_sequence(numbers: list[int], said: list[str | None], lost: int) -> None:
    """Gaps are lost; repeats and old numbers are not fresh; 16 and 32 bits wrap."""
    assert run(numbers) == (said, lost, 0)


@pytest.mark.parametrize("numbers", [[5000, 0, 1], [5000, 5000 - WINDOW - 1], [1, 2 + MOST_LOST]])
def test_a_counter_that_starts_again(numbers: list[int]) -> None:
    """Far away from where it was, it began anew: fresh, and nothing counted as lost."""
    said, lost, restarts = run(numbers)
    assert said == [FRESH] * len(numbers)
    assert (lost, restarts) == (0, 1)


def test_a_counter_that_starts_again_just_behind_itself() -> None:
    """A device that resets soon after its start is believed after a few old numbers in a row."""
    said, lost, restarts = run([*range(20), *range(20)])
    assert said[20:] == [OUT_OF_ORDER] * (RESTART_RUN - 1) + [FRESH] * (21 - RESTART_RUN)
    assert (lost, restarts) == (0, 1)


def test_a_stuck_counter_is_never_fresh() -> None:
    """The same line again and again is one reading."""
    said, _, restarts = run([9] * 1000)
    assert said == [FRESH] + [REPEATED] * 999
    assert restarts == 0


@given(st.lists(st.integers(0, 2**32 - 1), max_size=60))
def test_no_number_is_fresh_twice_in_a_row(numbers: list[int]) -> None:
    """Whatever comes, the same number right behind itself is not used again."""
    check = SequenceCheck()
    for number in numbers:
        if check.fault(number) is None:
            assert check.fault(number) == REPEATED
    assert check.lost >= 0


@given(
    st.integers(0, 2**32 - 1), st.lists(st.integers(1, 50), max_size=80), st.sampled_from([16, 32])
)
def test_what_is_lost_adds_up(first: int, steps: list[int], bits: int) -> None:
    """Over any wrap, steps less one are what was lost."""
    number = first % 2**bits
    check = SequenceCheck()
    check.fault(number)
    for step in steps:
        number = (number + step) % 2**bits
        assert check.fault(number) is None
    assert check.lost == sum(steps) - len(steps)


@pytest.mark.parametrize(
    "number", [True, "7", float("nan"), -1.0, 1.5, float(HIGHEST) + 1.0, float("inf")]
)
def test_what_is_no_number_of_a_sequence(number: float | bool | str) -> None:
    """It is rejected, and the count goes on where it was."""
    check = SequenceCheck()
    check.take(7.0)
    with pytest.raises(Rejected, match=BAD_SEQUENCE):
        check.take(number)
    check.take(8.0)
    with pytest.raises(Rejected, match=REPEATED):
        check.take(8.0)
    assert (check.lost, check.restarts) == (0, 0)
