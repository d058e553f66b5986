"""Which seeds tune and which judge: two halves that no number can be in at once.

A threshold chosen on the very cars it is judged by looks better than it is. So whatever is fitted,
tuned or looked at while rules are written takes tuning seeds, and whatever is reported takes
evaluation seeds. The seeds that scenario files name lie in the tuning half.
"""

from typing import Final

HALF: Final = 2**31


def tuning_seed(index: int) -> int:
    """Return the seed of tuning run ``index``.

    Args:
        index: 0 to 2**31 - 1.

    Raises:
        ValueError: Out of range.
    """
    return _checked(index)


def evaluation_seed(index: int) -> int:
    """Return the seed of evaluation run ``index``.

    Args:
        index: 0 to 2**31 - 1.

    Raises:
        ValueError: Out of range.
    """
    return HALF + _checked(index)


def judges(seed: int) -> bool:
    """Whether a seed, 0 to 2**32 - 1, is one of the evaluation seeds."""
    return seed >= HALF


def _checked(index: int) -> int:
    if not 0 <= index < HALF:
        raise ValueError(f"seed index: found {index}, expected 0 to {HALF - 1}")
    return index
