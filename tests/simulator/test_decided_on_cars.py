"""Every shipped scenario is decided as it is written down in ``tests/decided.txt``."""

import pytest

from tests.kit.drives import KEPT, decided, drives


def kept() -> dict[str, str]:
    """Return what is written down, by drive."""
    parts = KEPT.read_text(encoding="utf-8").split("\n\n")
    return {part.partition(" (")[0]: part.rstrip("\n") + "\n" for part in parts}


def test_every_drive_is_written_down() -> None:
    """No more and no fewer: ``python -m tests.kit.drives`` writes them anew."""
    assert tuple(kept()) == drives()


@pytest.mark.parametrize("drive", drives())
def test_a_drive_is_decided_as_written_down(drive: str) -> None:
    """Since when what is found, and every figure to four digits."""
    assert decided(drive) == kept()[drive]
