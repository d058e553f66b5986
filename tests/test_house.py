"""The house keeps its floors: import direction, purity, docstrings, tests that can be found."""

import ast
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.kit.paths import ROOT
from tests.kit.patience import PATIENCE_S

FLOORS = ("rules", "simulator", "monitor")
# One subject a file, however long that makes it: a limit near the usual length was met by cutting
# subjects in two. At this length it is time to ask whether there are two subjects.
MOST_LINES = 600
# Rooms whose modules decide or parse; each has a test file of its name in the mirrored folder, but:
DECIDING = (
    *("rules", "rules/*", "simulator/rig", "simulator/strict"),
    *("monitor/sources/**", "monitor/outputs"),
)
DECLARING = {
    "rules": "channels facts",
    "rules/step": "constants state",
    "monitor/sources": "base rows",
    "monitor/outputs": "base fake",
}
TESTED_IN = {
    "rules/alarms/alarm": "rules/alarms/test_book",
    "rules/compiling": "rules/step/test_compiled",
    "rules/petrol": "rules/test_handling",
    "rules/step/kernels": "rules/test_guard",
    "rules/step/lasting": "rules/step/test_watch",
    "rules/step/step": "rules/step/test_properties",
    "rules/step/witnesses": "rules/step/test_charge",
    "rules/causes/known": "rules/causes/test_ranking",
    "rules/causes/readings": "rules/causes/test_ranking",
    "rules/causes/rig_mistakes": "simulator/test_rig_mistakes_on_cars",
    "rules/causes/signatures": "rules/causes/test_ranking",
    "rules/causes/spray_due": "rules/causes/test_ranking",
    "simulator/rig/changes": "monitor/guard/test_reload",
    "simulator/rig/checks": "simulator/rig/test_wrong_rigs",
    "simulator/rig/toml_places": "monitor/review/test_edit",
    "simulator/rig/source_terms": "simulator/rig/test_columns",
    "simulator/rig/tables": "simulator/rig/test_keys",
    "simulator/strict/lines": "simulator/strict/test_document",
    "simulator/strict/wants": "simulator/rig/test_load",
    "monitor/outputs/desk": "live/wires/test_output_release",
    "monitor/outputs/keeper": "live/wires/test_output_release",
    "monitor/outputs/may_hold": "live/wires/test_may_hold",
    "monitor/outputs/mqtt_beat": "live/wires/test_output_contract",
    "monitor/outputs/open": "live/wires/test_output_contract",
    "monitor/outputs/publisher": "live/wires/test_mqtt_publisher",
    "monitor/outputs/serial_lines": "live/wires/test_output_contract",
    "monitor/sources/topics/messages": "monitor/sources/test_mqtt",
    "monitor/sources/logs/arrow_file": "monitor/sources/logs/test_table_blocks",
    "monitor/sources/logs/column_parts": "monitor/sources/logs/test_open_table",
    "monitor/sources/logs/csv_batches": "monitor/sources/logs/test_csv_blocks",
    "monitor/sources/logs/log_blocks": "monitor/sources/logs/test_table_blocks",
    "monitor/sources/logs/open": "monitor/sources/logs/test_table_blocks",
}


def python(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run this interpreter in the repository's root."""
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=ROOT,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=PATIENCE_S,
        check=False,
    )


def files(*floors: str) -> list[Path]:
    """Return every Python file of these packages."""
    found = sorted(path for floor in floors for path in (ROOT / floor).rglob("*.py"))
    assert len(found) >= len(floors)
    return found


def imports_kept(config: Path) -> subprocess.CompletedProcess[str]:
    """Run the import contracts of a file."""
    return python(
        "-c",
        "import sys; from importlinter.cli import lint_imports\n"
        "sys.exit(lint_imports(config_filename=sys.argv[1], no_cache=True))",
        str(config),
    )


def test_import_contracts_are_kept() -> None:
    """Monitor over simulator over rules; rules pure: the contracts in pyproject.toml hold."""
    done = imports_kept(ROOT / "pyproject.toml")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "3 kept, 0 broken" in done.stdout


def layers() -> list[str]:
    """Return the layers of the contract, top to bottom; rooms side by side are in one."""
    config = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    found: list[str] = config["tool"]["importlinter"]["contracts"][0]["layers"]
    return found


def test_every_room_has_its_place() -> None:
    """The contract of layers names every room and every file beside the rooms, and no other."""
    rooms = {
        f"{floor}.{path.stem}"
        for floor in FLOORS
        for path in (ROOT / floor).iterdir()
        if path.stem != "__init__" and (path.suffix == ".py" or (path / "__init__.py").exists())
    }
    assert sorted(rooms) == sorted(name for layer in layers() for name in layer.split(" | "))


@pytest.mark.parametrize(
    "contract",
    [
        'type = "forbidden"\nsource_modules = ["rules"]\nforbidden_modules = ["numpy"]\n',
        f'type = "layers"\nlayers = {layers()[::-1]!r}\n',
    ],
    ids=["a library that rules does import", "the house upside down"],
)
def test_import_contracts_can_break(tmp_path: Path, contract: str) -> None:
    """The contract checker does see what is forbidden."""
    config = tmp_path / "contracts.toml"
    config.write_text(
        "[tool.importlinter]\n"
        'root_packages = ["rules", "simulator", "monitor"]\n'
        "include_external_packages = true\n"
        f'[[tool.importlinter.contracts]]\nname = "broken"\n{contract}',
        encoding="utf-8",
    )
    done = imports_kept(config)
    assert done.returncode == 1
    assert "0 kept, 1 broken" in done.stdout


def test_no_merge_is_left_half_done() -> None:
    """No file holds the marks that a merge leaves where both sides changed the same lines."""
    texts = [path for path in ROOT.iterdir() if path.is_file()]
    for folder in (*FLOORS, "tests", ".ci", ".github"):
        texts += [path for path in (ROOT / folder).rglob("*") if path.is_file()]
    marks = re.compile(rb"^(<{7}|>{7}) ", re.MULTILINE)
    assert [
        path for path in texts if path.suffix != ".pyc" and marks.search(path.read_bytes())
    ] == []


def test_the_guard_starts_light() -> None:
    """Loading and stepping a guard loads no loop, no screen, no log, no number library."""
    heavy = (
        "asyncio random logging datetime textual pyarrow msgspec pint serial aiomqtt socket "
        "numpy numba scipy"
    )
    done = python(
        "-c",
        "import sys\n"
        "import rules.guard, rules.events, rules.explain, rules.findings\n"
        f"print(sorted(set({heavy!r}.split()) & set(sys.modules)))\n"
        "from tests.kit.rigs import Drive, rig\n"
        "print(Drive(rig()).run(0.5)[-1].action)\n"
        f"print(sorted(set({heavy!r}.split()) & set(sys.modules)))\n",
    )
    assert done.stderr == ""
    assert done.stdout.split("\n") == ["[]", "0.0", "[]", ""]


@pytest.mark.parametrize("path", files(*FLOORS), ids=lambda path: str(path.relative_to(ROOT)))
def test_every_public_name_is_explained(path: Path) -> None:
    """Every module, public function, class and method has a docstring."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    silent = [] if ast.get_docstring(tree) else ["the module itself"]

    def look(body: list[ast.stmt], prefix: str) -> None:
        for node in body:
            if not isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
                continue
            if node.name.startswith("_"):
                continue
            overload = any("overload" in ast.unparse(d) for d in node.decorator_list)
            setter = any(ast.unparse(d).endswith(".setter") for d in node.decorator_list)
            if not (ast.get_docstring(node) or overload or setter):
                silent.append(f"{prefix}{node.name}")
            if isinstance(node, ast.ClassDef):
                look(node.body, f"{prefix}{node.name}.")

    look(tree.body, "")
    assert silent == []


def test_what_decides_or_parses_has_a_test_of_its_name() -> None:
    """A stranger who knows where a thing is judged or read knows where that is tested."""
    modules = {
        path.relative_to(ROOT).with_suffix("").as_posix()
        for room in DECIDING
        for path in ROOT.glob(f"{room}/*.py")
        if path.stem != "__init__"
    }
    declaring = {f"{room}/{name}" for room, names in DECLARING.items() for name in names.split()}
    nameless = {
        name
        for name in modules - declaring
        if not (ROOT / "tests" / Path(name).parent / f"test_{Path(name).name}.py").exists()
    }
    assert declaring <= modules
    assert sorted(nameless) == sorted(TESTED_IN)
    assert [test for test in TESTED_IN.values() if not (ROOT / f"tests/{test}.py").exists()] == []


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_files_that_the_papers_name_are_there(name: str) -> None:
    """Whoever follows a path or a link finds the file; VERB stands for any."""
    text = (ROOT / name).read_text(encoding="utf-8")
    named = re.findall(r"`((?:rules|simulator|monitor|tests)/[a-z_/.]+)`", text)
    assert named
    named += re.findall(r"\]\(([^)#:]+)\)", text)  # links and pictures
    assert [path for path in named if not (ROOT / path).exists()] == []


@pytest.mark.parametrize("floor", FLOORS)
def test_every_room_is_in_the_picture_of_the_tree(floor: str) -> None:
    """DEVELOPERS shows each folder that holds code, with a word on what is in it."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rooms = [path.parent for path in (ROOT / floor).rglob("__init__.py")]
    assert len(rooms) > 1
    assert [
        room for room in rooms if not re.search(rf"^ +{room.name}/ +\S", text, re.MULTILINE)
    ] == []


def test_no_file_is_long() -> None:
    """No Python file is so long that it must hold two subjects."""
    lengths = {
        str(path.relative_to(ROOT)): len(path.read_text(encoding="utf-8").splitlines())
        for path in files(*FLOORS, "tests")
    }
    assert {name: n for name, n in lengths.items() if n > MOST_LINES} == {}


def test_decision_code_computes_only_what_compiles_alike() -> None:
    """The compiled modules use no math but sqrt: exp, log and powers differ between libraries."""
    kernel = [path for path in files("rules/step") if path.stem not in ("from_rig", "compiled")]
    for path in kernel:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            assert not isinstance(node, (ast.Pow, ast.FloorDiv, ast.Mod, ast.Try)), path.name
            if isinstance(node, ast.ImportFrom) and node.module == "math":
                assert [alias.name for alias in node.names] == ["sqrt"], path.name
            if isinstance(node, ast.Import):
                raise AssertionError(f"{path.name} imports a whole module")


def test_no_number_is_written_as_minus_nil() -> None:
    """Every format of a float drops the sign of a nil: nobody reads "-0 kPa"."""
    signed = [
        f"{path.relative_to(ROOT)}:{shown.lineno}: {ast.unparse(shown)}"
        for path in files(*FLOORS)
        for shown in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(shown, ast.FormattedValue) and shown.format_spec is not None
        for how in [ast.unparse(shown.format_spec)[2:-1]]
        if how[-1:] in "efgEFG%" and "z" not in how
    ]
    assert not signed
