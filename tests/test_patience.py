"""No test depends on speed: limits come from one place, and nothing is asserted of a clock."""

import ast
from pathlib import Path

import pytest
from hypothesis import settings

from tests.kit.paths import ROOT

HERE = ROOT / "tests"
FILES = sorted(path for path in HERE.rglob("*.py") if "bench" not in path.parts)
WAITS = ("timeout", "wait", "wait_for", "join", "communicate", "settimeout", "Timer")
CLOCKS = ("monotonic", "perf_counter", "monotonic_ns", "perf_counter_ns", "now_s")
POLL_S = 1.0  # shorter is a pause between two looks, not a limit


def called(node: ast.AST) -> str:
    """Return what a call calls, without what it belongs to."""
    if not isinstance(node, ast.Call):
        return ""
    return getattr(node.func, "attr", "") or getattr(node.func, "id", "")


def limits_in(tree: ast.AST) -> list[int]:
    """Return the lines where something is waited for with a limit of its own."""
    found = []
    for node in ast.walk(tree):
        given: list[ast.expr] = []
        if isinstance(node, ast.Call):
            given = [
                k.value for k in node.keywords if k.arg in ("timeout", "within_s", "patience_s")
            ]
            given += node.args if called(node) in WAITS else []
        if isinstance(node, ast.Assign):
            named = [getattr(target, "id", "") for target in node.targets]
            given = [node.value] if {"PATIENCE_S", "TIMEOUT_S"} & set(named) else []
        for value in given:
            number = value.value if isinstance(value, ast.Constant) else None
            if isinstance(number, (int, float)) and number >= POLL_S:
                found.append(value.lineno)
    return found


def durations_in(tree: ast.AST) -> list[int]:
    """Return the lines where something is asserted of how long something took."""
    return [
        node.lineno
        for node in ast.walk(tree)
        if isinstance(node, ast.Assert)
        for inner in ast.walk(node.test)
        if isinstance(inner, ast.BinOp)
        and isinstance(inner.op, ast.Sub)
        and any(called(part) in CLOCKS for part in ast.walk(inner))
    ]


def test_no_example_of_a_property_has_a_deadline() -> None:
    """Hypothesis would fail one that takes 200 ms, as on a busy machine any may."""
    assert settings().deadline is None


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_only_patience_limits_a_wait(path: Path) -> None:
    """Whatever must come is waited for with ``tests.kit.patience``, and not timed."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert limits_in(tree) == []
    assert durations_in(tree) == []


def test_limits_and_durations_are_seen() -> None:
    """The check finds what it is for."""
    limits = "x.wait(5)\nrun(timeout=30.0)\nPATIENCE_S = 9.0\nasyncio.timeout(10)\nx.wait(0.01)\n"
    assert sorted(limits_in(ast.parse(limits))) == [1, 2, 3, 4]
    assert durations_in(ast.parse("assert time.monotonic() - at_s < 0.5")) == [1]
    assert durations_in(ast.parse("assert time.monotonic() < until_s")) == []
