"""What single cells say."""

import pytest

from monitor.sources.logs.cell_words import (
    are_clocks,
    is_clock,
    is_number,
    is_reading,
    says_nothing,
)


@pytest.mark.parametrize("cell", ["1", "-1.5", "+.5", "1.", " 2 ", "1e3", "nan", "NaN", "-inf"])
def test_numbers(cell: str) -> None:
    """What is one with a decimal point; NaN is a reading too."""
    assert is_number(cell, ".")
    assert is_reading(cell)
    assert not is_clock(cell)


@pytest.mark.parametrize("cell", ["1,5", "-,5", "1,5e3"])
def test_decimal_commas(cell: str) -> None:
    """One number with a decimal comma, none with a point."""
    assert (is_number(cell, ","), is_number(cell, ".")) == (True, False)
    assert is_reading(cell)


@pytest.mark.parametrize("cell", ["", "  ", "-", "---", "NA", "n/a", "null"])
def test_nothing(cell: str) -> None:
    """Empty, or a word for it: nothing, and no reading."""
    assert says_nothing(cell)
    assert not is_reading(cell)


@pytest.mark.parametrize("cell", ["x", "12 kPa", "1_0", "0x10", "12.03.2024", "1:2:3:4:5"])
def test_text(cell: str) -> None:
    """Neither number nor time nor nothing."""
    assert not is_reading(cell)
    assert not says_nothing(cell)


def test_a_column_of_clock_times() -> None:
    """More times than numbers; text doesn't count."""
    assert are_clocks(["10:00:00", "x", "", "10:00:01", "5"])
    assert not are_clocks(["10:00:00", "1", "2"])
    assert not are_clocks(["", "x"])
