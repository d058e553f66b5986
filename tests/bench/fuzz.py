"""A million mutated inputs for each decoder: what was refused, how fast, and that nothing broke."""

from tests.bench.table import note, show
from tests.kit.fuzzing import TARGETS, fuzz

COUNT = 1_000_000
CONNECTIONS = 200_000  # of some five lines each
SEED = 20_260


def main() -> None:
    """Give every target its share; a broken promise ends the run with the input that broke it."""
    rows = []
    for i, name in enumerate(TARGETS):
        count = CONNECTIONS if name == "whole connection" else COUNT
        tally = fuzz(name, count, SEED + i)
        reasons = ", ".join(f"{why} {count}" for why, count in tally.rejected.most_common(6))
        rows.append(
            (
                name,
                f"{tally.inputs:,}",
                f"{tally.said_yes:,}",
                reasons or "-",
                f"{tally.took_s:.0f}",
                f"{tally.slowest_s * 1e3:.1f}",
            )
        )
        note(f"{name}: {tally.inputs:,} inputs, nothing broke")
    show(
        "Fuzzing the decoders (a wrong verdict or another error than a refusal ends the run)",
        ("decoder", "inputs", "used *", "refused, by reason (most often)", "s", "slowest ms"),
        rows,
    )
    note(
        "* healthy to a new guard, by another reading of the same bytes too; with a CRC, samples "
        "that were never sent (2**-16 of the lines whose CRC field was hit); of the framer, inputs "
        "with lines."
    )
