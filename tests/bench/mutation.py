"""How many mistakes in the decision code its tests would find: ``python -m tests.bench mutation``.

One change at a time, as a slip of the hand makes it (a comparison, a sign, a number, a line left
out), is made in one function of the code that decides; then the tests of ``tests/rules`` run until
one fails. A change that none notices survives, and is printed: either a test is missing, or the
change means nothing. Known tools of this kind wrap each function, which compiled code can't be; so
the code object of a function is exchanged in a forked process instead.

``python -m tests.bench.mutation evidence bank --of 60`` takes sixty changes of those two modules,
``--all`` every one.
"""

import argparse
import ast
import copy
import os
import resource
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, FunctionType, ModuleType
from typing import Any, Final

import hypothesis
import numpy as np
import pytest

from rules.guard import Guard
from rules.step import from_rig, kernels, step
from simulator.proof.proportions import wilson
from tests.bench.table import note, show
from tests.kit.decisions import matrix_of
from tests.kit.drives import driven, drives
from tests.kit.paths import ROOT
from tests.test_house import TESTED_IN

SEED: Final = 20_261
SAMPLE: Final = 400
LONGEST_S: Final = 120  # of computing: a change that makes a loop endless is found by that
MODULES: Final = {
    module.__name__.rpartition(".")[2]: module
    for module in (*kernels.KERNEL_MODULES, step, from_rig)
}
# Quick ones, which notice most.
FIRST: Final = (
    *(f"rules/step/test_{of}_at_the_limit" for of in ("bank", "findings", "ladder", "witnesses")),
    "rules/step/test_at_the_limit",
    "rules/step/test_charge_by_hand",
    "rules/step/test_worked_by_hand",
    "simulator/test_decided_on_cars",
)

_COMPARISONS: Final[dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
}
_OPERATORS: Final[dict[type[ast.operator], type[ast.operator]]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
}
_CALLS: Final = {"larger": "smaller", "smaller": "larger", "min": "max", "max": "min"}


@dataclass(frozen=True, slots=True)
class Change:
    """One change of a module's code.

    Attributes:
        module: Name of the module.
        line: Where, from 1 on.
        function: In which function; empty for a constant of the module.
        place: Of the changed node in ``ast.walk`` of the module's tree.
        way: Which of the changes that this node allows.
    """

    module: str
    line: int
    function: str
    place: int
    way: int

    def text(self) -> str:
        """Return it in one line: where, what was there, what is there now."""
        tree = _tree(self.module)
        node = list(ast.walk(tree))[self.place]
        was = ast.unparse(node)
        _ways(node)[self.way]()
        return f"{self.module}.py:{self.line} {was} -> {ast.unparse(node) or 'nothing'}"


def _tree(module: str) -> ast.Module:
    path = MODULES[module].__file__
    assert path is not None
    return ast.parse(Path(path).read_text())


def _ways(node: ast.AST) -> list[Callable[[], None]]:
    """Return what can be done to a node, in place."""
    ways: list[Callable[[], None]] = []

    def put(name: str, value: object) -> Callable[[], None]:
        return lambda: setattr(node, name, value)

    if isinstance(node, ast.Compare) and len(node.ops) == 1:
        ways += [put("ops", [kind()]) for kind in _COMPARISONS.get(type(node.ops[0]), ())]
    elif isinstance(node, ast.BinOp | ast.AugAssign) and type(node.op) in _OPERATORS:
        ways.append(put("op", _OPERATORS[type(node.op)]()))
    elif isinstance(node, ast.BoolOp):
        ways.append(put("op", ast.Or() if isinstance(node.op, ast.And) else ast.And()))
    elif isinstance(node, ast.IfExp):
        ways.append(put("test", ast.UnaryOp(ast.Not(), node.test)))
    elif isinstance(node, ast.Constant) and type(node.value) is int:
        ways.append(put("value", node.value + 1))
    elif isinstance(node, ast.Constant) and type(node.value) is float:
        ways.append(put("value", 1.5 * node.value or 0.5))
    elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in _CALLS:
        ways.append(put("func", ast.Name(_CALLS[node.func.id])))
    if isinstance(node, ast.Assign | ast.AugAssign) and not isinstance(_first(node), ast.Name):
        ways.append(lambda: _becomes_nothing(node))
    return ways


def _first(node: ast.Assign | ast.AugAssign) -> ast.expr:
    return node.targets[0] if isinstance(node, ast.Assign) else node.target


def _becomes_nothing(node: ast.AST) -> None:
    node.__class__ = ast.Pass
    node.__dict__ = {k: v for k, v in vars(node).items() if "line" in k or "col" in k}


def changes(module: str) -> Iterator[Change]:
    """Yield every change of a module."""
    tree = _tree(module)
    inside = {node: top for top in tree.body for node in ast.walk(top)}
    hints = {
        node
        for one in ast.walk(tree)
        for hint in (getattr(one, "annotation", None), getattr(one, "returns", None))
        if isinstance(hint, ast.AST)
        for node in ast.walk(hint)
    }
    for place, node in enumerate(ast.walk(tree)):
        top = inside.get(node)
        if top is None or node in hints or isinstance(top, ast.Import | ast.ImportFrom):
            continue
        name = top.name if isinstance(top, ast.FunctionDef) else ""
        if not name and not isinstance(top, ast.Assign | ast.AnnAssign):
            continue
        for way in range(len(_ways(node))):
            yield Change(module, getattr(node, "lineno", 0), name, place, way)


def apply(change: Change) -> None:
    """Make a change in this process, wherever the function or the constant is used."""
    tree = copy.deepcopy(_tree(change.module))
    _ways(list(ast.walk(tree))[change.place])[change.way]()
    module = MODULES[change.module]
    assert module.__file__ is not None
    code = compile(ast.fix_missing_locations(tree), module.__file__, "exec")
    if change.function:
        function = getattr(module, change.function)
        assert isinstance(function, FunctionType)
        function.__code__ = next(
            one
            for one in code.co_consts
            if isinstance(one, CodeType) and one.co_name == change.function
        )
        return
    fresh = ModuleType(module.__name__)
    exec(code, vars(fresh))  # our own code, with one number changed
    names = [n for n, v in vars(fresh).items() if n.isupper() and getattr(module, n, v) != v]
    for other in list(sys.modules.values()):
        for name in names:
            if getattr(other, name, None) == getattr(module, name) and other is not module:
                setattr(other, name, getattr(fresh, name))
    for name in names:
        setattr(module, name, getattr(fresh, name))


def test_files(module: str) -> list[str]:
    """Return the files of the tests that run: the quick ones, and the module's own."""
    own = TESTED_IN.get(f"rules/step/{module}", f"rules/step/test_{module}")
    return [str(ROOT / "tests" / f"{name}.py") for name in (*FIRST, own)]


def _run_interpreted(self: Guard, rows: Any) -> Any:
    return matrix_of(self.step(row) for row in rows.tolist())


def started(change: Change | None, module: str) -> int:
    """Start the tests in a process of their own, with a change or as the code is; return its id."""
    child = os.fork()
    if child:
        return child
    null = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(null, stream)
    resource.setrlimit(resource.RLIMIT_CPU, (LONGEST_S, LONGEST_S))
    code = 1
    try:
        hypothesis.settings.register_profile("mutation", database=None, derandomize=True)
        hypothesis.settings.load_profile("mutation")
        if change is not None:
            apply(change)
        # What is compiled stays as it was.
        interpreted = {"run_rows": _run_interpreted, "use_compiled": lambda self: None}
        for name, function in interpreted.items():
            setattr(Guard, name, function)
        options = ["-x", "-q", "-n", "0", "-p", "no:cacheprovider", "-o", "addopts="]
        options += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]  # imported before the fork
        code = int(pytest.main([*options, *test_files(module)]))
    finally:
        os._exit(code)


def noticed(found: list[Change], jobs: int) -> Iterator[tuple[Change, bool]]:
    """Yield each change, and whether a test failed, as they end; ``jobs`` run at a time."""
    left, running = found[::-1], dict[int, Change]()
    while left or running:
        while left and len(running) < jobs:
            change = left.pop()
            running[started(change, change.module)] = change
        child, status = os.wait()
        yield running.pop(child), os.waitstatus_to_exitcode(status) != 0


def run(modules: list[str], count: int | None, jobs: int) -> None:
    """Make changes, and print which survive."""
    found = [change for module in modules for change in changes(module)]
    if count is not None and count < len(found):
        chosen = np.random.default_rng(SEED).choice(len(found), count, replace=False)
        found = [found[i] for i in sorted(chosen)]
    for drive in drives():
        driven(drive)  # once, not after every change
    started(None, modules[0])
    if os.wait()[1]:
        sys.exit("mutation: the tests fail as the code is")
    tally = {module: [0, 0] for module in modules}
    for change, killed in noticed(found, jobs):
        tally[change.module][0] += killed
        tally[change.module][1] += 1
        if not killed:
            note(f"survived: {change.text()}")
    total = [sum(one[i] for one in tally.values()) for i in range(2)]
    rows = [(name, *counts) for name, counts in tally.items() if counts[1]]
    show(
        "Changes noticed by the drives or by the module's own tests",
        ("module", "noticed", "made"),
        [*rows, ("all", *total)],
    )
    low, high = wilson(*total)
    note(f"{total[0] / max(total[1], 1):.1%} ({low:.1%} to {high:.1%})")


def main() -> None:
    """Take a sample of all changes."""
    run(list(MODULES), SAMPLE, os.cpu_count() or 1)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(prog="tests.bench.mutation")
    parser.add_argument("modules", nargs="*", default=list(MODULES))
    parser.add_argument("--of", type=int, default=SAMPLE)
    parser.add_argument("--all", action="store_true")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    asked = parser.parse_args()
    run(asked.modules or list(MODULES), None if asked.all else asked.of, asked.jobs)
