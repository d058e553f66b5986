"""The coverage matrix in words: a table of 80 columns, Markdown, JSON."""

import textwrap
from collections.abc import Iterable, Sequence
from math import isfinite
from typing import Any, Final

from rules.facts import Rig
from rules.findings import label_of
from simulator.coverage.expectation import Expectation
from simulator.coverage.matrix import Cell, State

_WIDE: Final = 80
_HEAD: Final = 24
_COLUMN: Final = 8
_LEGEND: Final = (
    (".21 .30", 'as expected: median s from onset to finding and to action ("no": none)'),
    ("quiet", "nothing demanded, nothing raised"),
    ("(.21)", 'nothing demanded, and what came may ("(some)": in under half of runs)'),
    ("miss 40", 'in 40 % of runs something expected did not come ("missed": in all)'),
    ("odd 40", 'in 40 % of runs something came that has no reason to ("odd": in all)'),
    ("-", "not tested: --why says why"),
    ("n/a", "does not apply: --why says why"),
)
_DIFFER: Final = (State.MISSED, State.ODD)
_LEFT_OUT: Final = (State.NOT_TESTED, State.NOT_APPLICABLE)


def cell_text(cell: Cell) -> str:
    """Return a cell's text, at most seven characters; a word marks whatever differs."""
    if cell.state is State.AS_EXPECTED:
        return f"{_seconds(cell.first_s)} {_seconds(cell.action_s)}"
    if cell.state is State.ALLOWED:
        return f"({_seconds(cell.first_s)})" if isfinite(cell.first_s) else "(some)"
    if cell.state is State.MISSED:
        return _share("miss", "missed", cell.missed, cell.runs)
    if cell.state is State.ODD:
        return _share("odd", "odd", cell.odd, cell.runs)
    return {State.QUIET: "quiet", State.NOT_TESTED: "-", State.NOT_APPLICABLE: "n/a"}[cell.state]


def as_table(rig: Rig, runs: int, seed: int, cells: Sequence[Cell], *, why: bool) -> list[str]:
    """Return the matrix as lines of at most 80 columns.

    Args:
        rig: The car.
        runs: Runs a cell.
        seed: Which set of seeds.
        cells: The matrix, row by row.
        why: Add the reasons behind every expectation and every cell left out.
    """
    points = _points(cells)
    lines = [_title(rig, runs, seed), ""]
    lines.append(" " * _HEAD + "".join(f"{point.key:>{_COLUMN}}" for point in points))
    for row in _rows(cells):
        texts = "".join(f"{cell_text(cell):>{_COLUMN}}" for cell in row)
        lines.append(f"{row[0].case.name:<{_HEAD}}{texts}")
    lines.append("")
    lines += [f"{sign:<8} {meaning}" for sign, meaning in _LEGEND]
    lines.append("")
    lines += [f"{point.key:<8} {point.what}" for point in points]
    for head, entries in _sections(runs, cells, why=why):
        lines += ["", *textwrap.wrap(head, _WIDE)]
        for entry in entries:
            lines += textwrap.wrap(entry, _WIDE, initial_indent="  ", subsequent_indent="    ")
    return [line.rstrip() for line in lines]


def as_markdown(rig: Rig, runs: int, seed: int, cells: Sequence[Cell], *, why: bool) -> list[str]:
    """Return the matrix as Markdown; see ``as_table``."""
    points = _points(cells)
    lines = [f"## {_title(rig, runs, seed)}", ""]
    lines.append(f"| fault | {' | '.join(point.key for point in points)} |")
    lines.append("|---|" + "---|" * len(points))
    for row in _rows(cells):
        texts = [f"**{cell_text(c)}**" if c.state in _DIFFER else cell_text(c) for c in row]
        lines.append(f"| {row[0].case.name} | {' | '.join(texts)} |")
    lines += ["", "| sign | meaning |", "|---|---|"]
    lines += [f"| {sign} | {meaning} |" for sign, meaning in _LEGEND]
    lines += ["", "| operating point | what it is |", "|---|---|"]
    lines += [f"| {point.key} | {point.what} |" for point in points]
    for head, entries in _sections(runs, cells, why=why):
        lines += ["", f"**{head}**", ""]
        lines += [f"- {entry}" for entry in entries]
    return lines


def as_json(rig: Rig, runs: int, seed: int, cells: Sequence[Cell]) -> dict[str, Any]:
    """Return the matrix as plain JSON types."""
    return {
        "rig": rig.name,
        "runs": runs,
        "seed": seed,
        "points": [{"key": point.key, "what": point.what} for point in _points(cells)],
        "summary": {state.value: count for state, count in _counts(cells)},
        "cells": [cell.as_json() for cell in cells],
    }


def _sections(runs: int, cells: Sequence[Cell], *, why: bool) -> Iterable[tuple[str, list[str]]]:
    differing = list(_differences(cells))
    yield "differs from what is expected:", differing or ["nothing"]
    counts = ", ".join(f"{count} {state.value}" for state, count in _counts(cells))
    bound_pct = 100.0 * (1.0 - 0.05 ** (1.0 / runs))
    yield (
        f"{len(cells)} cells: {counts}",
        [
            f"a cell without a miss in {runs} runs supports, at 95 % confidence, that fewer than "
            f"{bound_pct:z.0f} % of such cars are missed; no more",
        ],
    )
    if why:
        yield "why:", [reason for row in _rows(cells) for reason in _reasons(row)]


def _differences(cells: Sequence[Cell]) -> Iterable[str]:
    """Yield one entry for each case and way to differ, with its operating points."""
    for row in _rows(cells):
        name = row[0].case.name
        missed = [cell for cell in row if cell.missed]
        for needs in dict.fromkeys(cell.expectation.needs for cell in missed):
            there = [cell for cell in missed if cell.expectation.needs == needs]
            raised = sorted({label for cell in there for label in cell.raised})
            instead = f"raised: {_labels(raised)}" if raised else "nothing was raised"
            low, high = min(cell.harm for cell in there), max(cell.harm for cell in there)
            yield (
                f"{name}: missed at {_keys(there)}: expected {_groups(needs)}; {instead}; knock "
                f"harm {low:z.1f} to {high:z.1f}"
            )
        odd = [cell for cell in row if cell.odd]
        if odd:
            names = sorted({name for cell in odd for name in _odd(cell)})
            yield f"{name}: odd at {_keys(odd)}: {_labels(names)}"


def _reasons(row: Sequence[Cell]) -> Iterable[str]:
    """Yield the expectations of one case, alike ones together, and why cells are left out."""
    name = row[0].case.name
    usual: dict[Expectation, list[Cell]] = {}
    left_out: dict[str, list[Cell]] = {}
    for cell in row:
        if cell.state in _LEFT_OUT:
            left_out.setdefault(f"{cell.state.value}: {cell.why}", []).append(cell)
        else:
            usual.setdefault(cell.expectation, []).append(cell)
    for expectation, there in usual.items():
        at = "" if len(there) == len(row) else f" at {_keys(there)}"
        least_pct = 100.0 * expectation.least_missing
        only = f" where {least_pct:z.0f} % of the spray is missing" if least_pct else ""
        yield f"{name}{at}: expects {_groups(expectation.needs)}{only}: {expectation.why}"
    for reason, there in left_out.items():
        at = "" if len(there) == len(row) else f" at {_keys(there)}"
        yield f"{name}{at}: {reason}"


def _title(rig: Rig, runs: int, seed: int) -> str:
    return f"Fault coverage: {rig.name}, {runs} run{'s' * (runs != 1)} a cell, seed set {seed}"


def _rows(cells: Sequence[Cell]) -> list[list[Cell]]:
    width = len(_points(cells))
    return [list(cells[i : i + width]) for i in range(0, len(cells), width)]


def _points(cells: Sequence[Cell]) -> list[Any]:
    return list(dict.fromkeys(cell.point for cell in cells))


def _counts(cells: Sequence[Cell]) -> list[tuple[State, int]]:
    return [(state, sum(cell.state is state for cell in cells)) for state in State]


def _odd(cell: Cell) -> set[str]:
    return set(cell.raised) - cell.expectation.may.union(*cell.expectation.needs)


def _keys(cells: Sequence[Cell]) -> str:
    return ", ".join(cell.point.key for cell in cells)


def _labels(names: Iterable[str]) -> str:
    return ", ".join(label_of(name) for name in names)


def _groups(needs: Sequence[frozenset[str]]) -> str:
    if not needs:
        return "nothing"
    return " and ".join(" or ".join(label_of(name) for name in sorted(group)) for group in needs)


def _share(some: str, all_: str, count: int, runs: int) -> str:
    return all_ if count == runs else f"{some} {max(1, round(100.0 * count / runs))}"


def _seconds(value: float) -> str:
    """Return seconds in at most three characters."""
    if not isfinite(value):
        return "no"
    if value < 0.995:
        return f"{value:z.2f}"[1:]
    return f"{value:z.1f}" if value < 9.95 else f"{min(value, 999.0):z.0f}"
