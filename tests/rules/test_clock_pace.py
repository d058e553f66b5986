"""How a clock that runs wrong is told of."""

from math import nan

from rules.clock_pace import pace_in_words


def test_a_pace_in_words() -> None:
    """Plain words, whatever it is."""
    assert pace_in_words(0.001) == "1000 times too slow"
    assert pace_in_words(0.5) == "2 times too slow"
    assert pace_in_words(3.5) == "3.5 times too fast"
    assert pace_in_words(nan) == "at no known pace"
