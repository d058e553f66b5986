"""A sheet of facts, each with its source: as text of 80 columns, Markdown or JSON types."""

import re
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final, Literal

from monitor.words.markdown import literal, table
from monitor.words.units import METRIC, Units
from simulator.strict import clean

WIDTH: Final = 80
_LONGEST: Final = 2000
Mark = Literal["", "!", "?"]  # as it should be or known; doesn't fit; to be seen on the car
_MARKED: Final = {"": "", "!": "Caution: ", "?": "Look: "}


@dataclass(frozen=True, slots=True)
class Fact:
    """A number, or a span of two.

    Attributes:
        key: Its name in JSON.
        label: Its name in words.
        value: In ``unit``; None: not known, and ``remark`` says why.
        unit: Metric, as ``monitor.words.units`` has it; empty for a ratio.
        decimals: Of the metric figure.
        source: Where it comes from.
        remark: What is said behind it.
    """

    key: str
    label: str
    value: float | tuple[float, float] | None
    unit: str
    decimals: int
    source: str
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Note:
    """A sentence.

    Attributes:
        words: What is said.
        source: Where that comes from; empty where it follows from the rig, or says what to do.
        mark: "!" where something doesn't fit or does harm, "?" where one must look at the car.
    """

    words: str
    source: str = ""
    mark: Mark = ""


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table: JSON key, head, metric unit (empty: none) and decimals."""

    key: str
    head: str
    unit: str = ""
    decimals: int = 0


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of numbers or words; None where there is nothing to tell."""

    key: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[float | str | None, ...], ...]
    source: str


Part = Fact | Note | Table


@dataclass(frozen=True, slots=True)
class Section:
    """What belongs together."""

    key: str
    title: str
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A title and its sections."""

    title: str
    sections: tuple[Section, ...]

    @property
    def sources(self) -> list[str]:
        """Every source once, in order of first use."""
        return list(
            dict.fromkeys(
                part.source for section in self.sections for part in section.parts if part.source
            )
        )


def figure_of(fact: Fact, units: Units) -> str:
    """Return a fact's figure with its unit; empty where it isn't known."""
    if fact.value is None:
        return ""
    low, high = fact.value if isinstance(fact.value, tuple) else (fact.value, fact.value)
    figures = [units.figure(value, fact.unit, fact.decimals) for value in (low, high)]
    # A span of one figure is that figure.
    return f"{' to '.join(dict.fromkeys(figures))} {units.unit(fact.unit)}".strip()


def told(fact: Fact, units: Units) -> str:
    """Return a fact's figure with its unit and remark."""
    return ", ".join(filter(None, (figure_of(fact, units), units.sentence(fact.remark))))


def in_lines(sheet: Sheet, units: Units = METRIC) -> list[str]:
    """Return a sheet as lines of at most 80 columns; a table's are as long as its words need."""
    numbers = {source: number for number, source in enumerate(sheet.sources, 1)}
    lines = _wrapped(units.sentence(sheet.title))
    for section in sheet.sections:
        lines += ["", *_wrapped(section.title)]
        for part in section.parts:
            behind = f" [{numbers[part.source]}]" if part.source else ""
            if isinstance(part, Fact):
                lines += _wrapped(f"{part.label}: {told(part, units)}{behind}", "  ")
            elif isinstance(part, Note):
                lines += _wrapped(f"{part.mark or '-'} {units.sentence(part.words)}{behind}", "  ")
            else:
                lines += _wrapped(f"{part.title}{behind}", "  ")
                lines += [f"    {line}" for line in _grid(part, units)]
    lines += ["", "Sources"]
    for source, number in numbers.items():
        lines += _wrapped(f"[{number}] {source}", "  ")
    return lines


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(
        clean(text, _LONGEST),
        WIDTH,
        initial_indent=indent,
        subsequent_indent=f"{indent}  ",
        break_long_words=False,
        break_on_hyphens=False,
    )


def _cells(table: Table, units: Units) -> tuple[list[str], list[list[str]]]:
    """Return a table's heads and cells as text."""
    heads = [
        f"{column.head}, {units.unit(column.unit)}" if column.unit else column.head
        for column in table.columns
    ]
    return heads, [
        [
            cell if isinstance(cell, str) else "--" if cell is None else
            units.figure(cell, column.unit, column.decimals)
            for column, cell in zip(table.columns, row, strict=True)
        ]
        for row in table.rows
    ]  # fmt: skip


def _grid(table: Table, units: Units) -> Iterator[str]:
    """Yield a table's lines: heads over units, words to the left, figures to the right."""
    _, rows = _cells(table, units)
    heads = [
        [column.head for column in table.columns],
        [units.unit(column.unit) for column in table.columns],
    ]
    left = [any(isinstance(row[i], str) for row in table.rows) for i in range(len(table.columns))]
    lines = [*heads, *rows] if any(heads[1]) else [heads[0], *rows]
    widths = [max(len(line[i]) for line in lines) for i in range(len(left))]
    for line in lines:
        parts = [
            cell.ljust(width) if to_left else cell.rjust(width)
            for cell, width, to_left in zip(line, widths, left, strict=True)
        ]
        yield "  ".join(parts).rstrip()


def as_markdown(sheet: Sheet, units: Units = METRIC) -> str:
    """Return a sheet as Markdown: a list of facts and tables a section, sources at its foot."""
    numbers = {source: number for number, source in enumerate(sheet.sources, 1)}
    lines = [f"# {literal(units.sentence(sheet.title))}"]
    for section in sheet.sections:
        lines += ["", f"## {literal(section.title)}", ""]
        for part in section.parts:
            behind = f" \\[{numbers[part.source]}\\]" if part.source else ""
            if isinstance(part, Fact):
                parts = (
                    f"**{literal(figure)}**" if (figure := figure_of(part, units)) else "",
                    literal(units.sentence(part.remark)),
                )
                said = ", ".join(filter(None, parts))
                lines.append(f"- {literal(part.label)}: {said}{behind}")
            elif isinstance(part, Note):
                said = literal(_MARKED[part.mark] + units.sentence(part.words))
                lines.append(f"- {said}{behind}")
            else:
                heads, rows = _cells(part, units)
                lines += ["", f"{literal(part.title)}{behind}", ""]
                lines += table([literal(head) for head in heads], rows)
    lines += ["", "## Sources", ""]
    lines += [f"{number}. {literal(source)}" for source, number in numbers.items()]
    return re.sub("\n{3,}", "\n\n", "\n".join(lines)) + "\n"


def as_facts(sheet: Sheet) -> dict[str, Any]:
    """Return a sheet as plain JSON types, metric: by section its facts, tables and notes."""
    return {
        "title": sheet.title,
        **{section.key: _section_facts(section) for section in sheet.sections},
    }


def _section_facts(section: Section) -> dict[str, Any]:
    facts: dict[str, Any] = {}
    notes = []
    for part in section.parts:
        if isinstance(part, Fact):
            value = list(part.value) if isinstance(part.value, tuple) else part.value
            facts[part.key] = {"value": value, "unit": part.unit, "source": part.source}
            if part.remark:
                facts[part.key]["remark"] = part.remark
        elif isinstance(part, Table):
            keys = [column.key for column in part.columns]
            rows = [dict(zip(keys, row, strict=True)) for row in part.rows]
            facts[part.key] = {"rows": rows, "source": part.source}
        else:
            notes.append({"words": part.words, "mark": part.mark, "source": part.source})
    return {**facts, **({"notes": notes} if notes else {})}
