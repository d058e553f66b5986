"""Whether a drill's scores are fair: ``python -m tests.bench drill``.

Made-up trainees drive every lesson with some seeds. Nobody, who always cuts, and who calls at
random have to score clearly less than the guard, and than an attentive rule of thumb.
"""

from statistics import fmean
from typing import Final

from simulator.drill.lesson import load_lesson, shipped_lessons
from simulator.drill.players import PLAYERS, scores
from tests.bench.table import show

SEEDS: Final = 4


def main() -> None:
    """Print the points of each player in each lesson, and over all of them."""
    rows: list[tuple[str, ...]] = []
    total: dict[str, list[float]] = {name: [] for name in PLAYERS}
    for lesson in [load_lesson(name) for name in shipped_lessons()]:
        first = 100 * lesson.number  # else one seed picks alike in every lesson
        found = [
            scores(lesson, seed, PLAYERS, compiled=True) for seed in range(first, first + SEEDS)
        ]
        means = {player: fmean(one[player].points for one in found) for player in PLAYERS}
        for player, points in means.items():
            total[player].append(points)
        rows.append(
            (f"{lesson.number} {lesson.name}", *(f"{points:z.0f}" for points in means.values()))
        )
    rows.append(("all", *(f"{fmean(points):z.0f}" for points in total.values())))
    show(f"Points of 100, means of {SEEDS} seeds", ("lesson", *PLAYERS), rows)
