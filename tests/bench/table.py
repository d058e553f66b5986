"""A plain table, for pasting into a note."""

import sys
from collections.abc import Sequence


def show(title: str, head: tuple[str, ...], rows: Sequence[tuple[object, ...]]) -> None:
    """Print a Markdown table."""
    out = [f"\n### {title}", f"| {' | '.join(head)} |", f"|{'---|' * len(head)}"]
    out += [f"| {' | '.join(str(cell) for cell in row)} |" for row in rows]
    sys.stdout.write("\n".join(out) + "\n")
    sys.stdout.flush()


def note(text: str) -> None:
    """Print one line."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()
