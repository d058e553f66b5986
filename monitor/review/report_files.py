"""A review of logs as files: Markdown, one row a pull as CSV, JSON."""

import csv
import io
import json
from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite
from typing import Any, Final

from monitor.review.pull_account import PEAKS, PullAccount
from monitor.review.pull_table import columns
from monitor.review.report import found_in_words
from monitor.review.review import Review
from monitor.review.several import MOST_MOMENTS, Moment, ranked_as_json, worst_moments
from monitor.words.markdown import literal, table
from monitor.words.spreadsheet import cell
from monitor.words.units import METRIC, Units
from rules.facts import Action
from rules.findings import label_of

ADVISES: Final = (
    "flowdebt advises; it isn't a certified safety device. Readings stay as they were recorded: "
    "how the car would have answered is not known."
)


@dataclass(frozen=True, slots=True)
class Answers:
    """What was found in some logs.

    Attributes:
        reviews: Of those that could be judged.
        refused: Why others could not be, by their names.
        rig: As it was given; None: each by its own.
        units: Of the figures in text; JSON and CSV are metric.
    """

    reviews: list[Review]
    refused: dict[str, str]
    rig: str | None = None
    units: Units = METRIC

    @property
    def title(self) -> str:
        """What a report of it is called."""
        names = [one.source for one in self.reviews]
        return f"Review of {names[0]}" if len(names) == 1 else f"Review of {len(names)} logs"

    def moments(self) -> list[Moment]:
        """Return the worst moments that are told."""
        return worst_moments(self.reviews)[:MOST_MOMENTS]


def as_json(answers: Answers) -> str:
    """Return all of it as a line of JSON."""
    facts = {
        "logs": [one.as_json() for one in answers.reviews],
        **ranked_as_json(answers.reviews, answers.refused, answers.rig),
    }
    return json.dumps(facts, allow_nan=False) + "\n"


def as_csv(answers: Answers) -> str:
    """Return the pulls of all logs, a row each: metric, the unit in each column's name."""
    rows = [_row(log, one) for log in answers.reviews for one in log.pulls]
    text = io.StringIO()
    writer = csv.DictWriter(text, _COLUMNS, lineterminator="\r\n")  # RFC 4180, section 2.1
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


_COLUMNS: Final = (
    *("log", "start_s", "end_s", "gear", "gear_told_by", "low_rpm", "high_rpm", "judged_share"),
    *("commanded_ml", "expected_ml", "delivered_ml", "used_ml", "worst_shortfall"),
    *("peak_evidence", "evidence_limit", "peak_debt_s", "debt_limit_s"),
    *(name for peak in PEAKS for name in (f"peak_{peak}", f"limit_{peak}")),
    *("action", "findings"),
)


def _row(log: Review, one: PullAccount) -> dict[str, Any]:
    facts = one.as_json()
    row = {name: facts[name] for name in _COLUMNS if name in facts}
    low_rpm, high_rpm = facts["engine_speed_rpm"] or (None, None)
    evidence, debt = facts["peak_evidence"], facts["peak_debt"]
    for name, peak in facts["peaks"].items():
        row |= {f"peak_{name}": peak["value"], f"limit_{name}": peak["limit"]}
    return row | {
        "log": cell(log.source),
        "low_rpm": low_rpm,
        "high_rpm": high_rpm,
        "peak_evidence": evidence["value"],
        "evidence_limit": evidence["limit"],
        "peak_debt_s": debt["s"],
        "debt_limit_s": debt["limit_s"] if isfinite(debt["limit_s"]) else None,
        "findings": " ".join(one.findings),
    }


def as_markdown(answers: Answers) -> str:
    """Return all of it as Markdown, without plots."""
    return "\n".join(_lines(answers)) + "\n"


def pull_rows(log: Review, units: Units) -> tuple[list[str], list[list[str]]]:
    """Return the pulls of a log as a table for a page: its head, and a row each."""
    every = columns(units, log.span.from_s or 0.0, log.spray.witness)
    cells = [[column.cell(one) for column in every] for one in log.pulls]
    shown = [i for i in range(len(every)) if any(row[i] for row in cells)]
    head = [every[i].name for i in shown] + ["what was done"]
    rows = [
        [*(row[i] or "-" for i in shown), what_was_done(one)]
        for row, one in zip(cells, log.pulls, strict=True)
    ]
    return head, rows


def what_was_done(one: PullAccount) -> str:
    """Return what was done in a pull and why."""
    if one.action > Action.NO_ACTION:
        action = one.action.word.replace("_", " ")
        return f"{action}: {', '.join(map(label_of, one.findings))}"
    return "nothing"


def log_rows(answers: Answers) -> tuple[list[str], list[list[str]]]:
    """Return a table of the logs: its head, and a row each."""
    head = ["log", "rows", "length, s", "pulls", "worst action", "evidence, % of limit", "sprayed"]
    rows = [
        [
            one.source,
            str(one.rows),
            f"{one.span.length_s or 0.0:z.0f}",
            str(len(one.pulls)),
            one.worst.word.replace("_", " "),
            f"{100.0 * one.spray.evidence.share:z.0f}",
            answers.units.told(one.spray.commanded_ml, "mL", 0),
        ]
        for one in answers.reviews
    ]
    return head, rows


def moment_rows(answers: Answers) -> tuple[list[str], list[list[str]]]:
    """Return a table of the worst moments, each with its command: its head, and a row each."""
    head = ["", "log", "at", "what", "how near", "command"]
    rows = [
        [str(number), one.source, one.at, one.what, one.how_near, one.command(answers.rig)]
        for number, one in enumerate(answers.moments(), 1)
    ]
    return head, rows


def facts_of(log: Review, units: Units) -> list[str]:
    """Return what is said of a log beside its pulls, as lines; those of one event begin deeper."""
    return [units.sentence(line) for line in found_in_words(log, units)]


def _lines(answers: Answers) -> Iterator[str]:
    yield f"# {literal(answers.title)}"
    yield ""
    yield ADVISES
    yield ""
    for name, why in answers.refused.items():
        yield f"- not judged: {literal(name)}: {literal(why)}"
    if answers.refused:
        yield ""
    if answers.moments():
        yield "## Worst moments"
        yield ""
        yield from table(*moment_rows(answers))
    if len(answers.reviews) > 1:
        yield "## Logs"
        yield ""
        yield from table(*log_rows(answers))
    for log in answers.reviews:
        yield f"## {literal(log.source)}"
        yield ""
        for line in facts_of(log, answers.units):
            depth = len(line) - len(line.lstrip())
            yield f"{'  ' if depth > 2 else ''}- {literal(line.strip())}"
        yield ""
        if log.pulls:
            yield from table(*pull_rows(log, answers.units))
