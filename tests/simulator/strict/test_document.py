"""Reading TOML strictly: files, bytes, and the line of every key."""

from pathlib import Path

import pytest

from simulator import strict
from simulator.rig import load_rig, shipped_rigs
from simulator.strict import BadInput, Document, read_text
from simulator.strict.document import MAX_DOTS
from simulator.strict.lines import MAX_DEPTH, Lines


class Flow(strict.Quantity):
    """A flow, as a field's type."""

    KIND, UNIT, EXAMPLE, LOW, HIGH = "flow", "mL/min", "550 mL/min", 0.0, 20000.0


class Inner(strict.Table, frozen=True):
    """A table in a list."""

    flow: Flow


class Outer(strict.Table, frozen=True):
    """A file of another kind, with what TOML can nest."""

    rows: tuple[Inner, ...] = ()
    by_name: dict[str, Inner] = {}  # noqa: RUF012  # msgspec copies an empty default


def test_a_missing_file_or_a_directory_is_one_line(tmp_path: Path) -> None:
    """Neither shows a traceback; both name the path."""
    with pytest.raises(BadInput, match=r"none\.toml: found no such file"):
        load_rig(tmp_path / "none.toml")
    with pytest.raises(BadInput, match="found a folder, expected a readable TOML file"):
        load_rig(tmp_path)
    with pytest.raises(BadInput, match="found embedded null byte"):
        load_rig("a\0b.toml")


@pytest.mark.parametrize("name", sorted(shipped_rigs()))
def test_every_key_of_a_shipped_rig_is_found_on_its_line(name: str) -> None:
    """The line a message gives is the one where that key, or that list item, is written."""
    text = read_text(shipped_rigs()[name])
    document = strict.Document.parse(text, name)
    lines = text.split("\n")
    stack: list[tuple[strict.KeyPath, object]] = [((), document.data)]
    checked = 0
    while stack:
        path, value = stack.pop()
        if isinstance(value, dict):
            stack += [((*path, key), inner) for key, inner in value.items()]
        elif isinstance(value, list):
            stack += [((*path, index), inner) for index, inner in enumerate(value)]
        if path:
            line = lines[document.line(path) - 1]
            wanted = path[-1] if isinstance(path[-1], str) else value
            if isinstance(wanted, str | int):
                assert str(wanted) in line.split(" # ")[0], path
                checked += 1
    assert checked > 50


def test_deep_dotted_keys_fill_no_memory() -> None:
    """The search for a line stores nothing for keys nested deeper than any of ours."""
    line = "{}" + ".a" * MAX_DOTS + " = 1\n"
    text = "".join(line.format(f"k{number}") for number in range(400))
    with pytest.raises(BadInput, match="f:1: k0: found an unknown key"):
        Document.parse(text, "f").decode(Outer)
    assert len(Lines(text).lines) <= 400 * MAX_DEPTH


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ('rows = [ # one\n {flow = "1 L/h"},\n {flow = 3}]\n', "f:3: rows[1].flow: found 3"),
        ('"rows" = [{flow="""1\n\nL/h"""}, {flow\n=3}]', "f:"),
        ("s = '''\n[rows]\n'''\n", "f:1: s: found an unknown key"),
        ('x."a.b\\u001b" = 1\n', "f:1: x: found an unknown key"),
        ('[[rows]]\nflow="1 L/h"\n[[rows]]\n  flow = "x"\n', "f:4: rows[1].flow: "),
        ('[[rows]]\nflow="1 L/h"\n[[rows]]\n[by_name.a]\n', "f:3: rows[1].flow: missing"),
        ('[by_name.a]\nflow="1 L/h"\n[by_name.b]\nflow=1\n', "f:1: by_name: "),
        ("[rows]\n", "f:1: rows: found a table, expected a list, each a table"),
        ('"a` - at `$.rows[7].q`" = 1', "f:1: "),
    ],
)
def test_lines_are_found_in_every_shape_of_toml(text: str, where: str) -> None:
    """Inline tables, lists over lines, strings over lines, quoted keys and lists of tables."""
    with pytest.raises(BadInput) as caught:
        Document.parse(text, "f").decode(Outer)
    assert str(caught.value).startswith(where), str(caught.value)
    assert str(caught.value).isprintable()
