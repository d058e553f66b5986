"""Results of classes: a line of JSON a ride, by alias; as a table, CSV and a page.

A folder holds one file a class. Nothing in it says who an alias is.
"""

import csv
import io
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Final

import msgspec
from msgspec import Meta

from monitor.attach.drilling import Debriefing, Note
from monitor.clock import stamp
from monitor.drill.drive import Drive
from monitor.words.spreadsheet import cell
from simulator.strict import BadInput, called, clean, open_file, unusable

LONGEST_LINE: Final = 1 << 16
MOST_LINES: Final = 100_000
_ENDING: Final = ".jsonl"
_Text = Annotated[str, Meta(max_length=4000)]
_Time = float | None


class Result(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What came of one trainee's drive. Times in seconds of the drive; None: never.

    Attributes:
        alias: The trainee's.
        lesson: The lesson's name.
        title: And title.
        seed: Of the drive: who has it can drive it again.
        truth: What was wrong, in words.
        called: What the trainee called, in words; empty: nothing.
        verdict: ``right``, ``half``, ``wrong`` or ``none``.
        onset_s: When the fault began.
        sign_s: When the first reading told it.
        called_s: When the trainee called last.
        acted_s: When the trainee first did more than hold.
        guard_s: When the guard first acted.
        score: 0 to 100.
        parts: Of which it is the sum.
        harm: Knock harm as driven,
        guard_harm: with the guard alone,
        nobody_harm: and with nobody.
        work_kj: Work at the crank.
        notes: What the instructor noted.
    """

    alias: _Text
    lesson: _Text
    title: _Text
    seed: int
    truth: _Text
    called: _Text
    verdict: _Text
    onset_s: _Time
    sign_s: _Time
    called_s: _Time
    acted_s: _Time
    guard_s: _Time
    score: float
    parts: dict[str, float]
    harm: float
    guard_harm: float
    nobody_harm: float
    work_kj: float
    notes: list[Note] = []

    @classmethod
    def of(cls, drive: Drive, found: Debriefing) -> "Result":
        """Return what is kept of a debriefing."""
        costs = {outcome.who: outcome for outcome in found.outcomes}
        calls = [did.time_s for did in found.did if did.do == "call"]
        acts = [did.time_s for did in found.did if did.do == "act" and did.what != "hold"]
        guard = [s for s in (found.guard_pull_s, found.guard_cut_s) if s is not None]
        return cls(
            alias=found.alias,
            lesson=drive.lesson.name,
            title=found.title,
            seed=drive.seed,
            truth=found.truth,
            called=found.called,
            verdict=found.verdict,
            onset_s=found.onset_s,
            sign_s=found.signs[0].time_s if found.signs else None,
            called_s=calls[-1] if calls else None,
            acted_s=acts[0] if acts else None,
            guard_s=min(guard, default=None),
            score=found.score,
            parts={part.name: part.points for part in found.parts},
            harm=costs["driven"].harm,
            guard_harm=costs["guard"].harm,
            nobody_harm=costs["nobody"].harm,
            work_kj=costs["driven"].work_kj,
            notes=found.notes,
        )


class ResultsFile:
    """One class's results, appended to as they come.

    Args:
        folder: Where; made where it isn't there.

    Raises:
        BadInput: Nothing can be written there.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / f"class-{stamp()}-{os.getpid()}{_ENDING}"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self.path.touch(exist_ok=False)
        except OSError as error:
            raise unusable(folder, error, "a folder for results") from None

    def append(self, result: Result) -> None:
        """Keep a result.

        Raises:
            OSError: It can't be written.
        """
        with self.path.open("ab") as file:
            file.write(msgspec.json.encode(result) + b"\n")


def read_results(folder: Path) -> list[Result]:
    """Return all results in a folder, the oldest class first.

    Raises:
        BadInput: No folder, none in it, or a line that is no result.
    """
    try:
        files = sorted(file for file in folder.iterdir() if file.suffix == _ENDING)
    except OSError as error:
        raise unusable(folder, error, "a folder of results") from None
    found = [result for file in files for result in _read(file)]
    if not found:
        raise BadInput(f"{called(folder)}: found no results, expected those of a class")
    return found


def _read(path: Path) -> list[Result]:
    found: list[Result] = []
    try:
        with open_file(path) as file:
            while line := file.readline(LONGEST_LINE):
                if len(found) >= MOST_LINES:
                    raise BadInput(f"{called(path)}: found over {MOST_LINES} lines, expected fewer")
                found.append(msgspec.json.decode(line, type=Result))
    except OSError as error:
        raise unusable(path, error, "results") from None
    except (msgspec.MsgspecError, RecursionError) as error:
        where = f"{called(path)}:{len(found) + 1}"
        raise BadInput(f"{where}: found {clean(str(error))}, expected a result") from None
    return found


# --- told ---------------------------------------------------------------------------------------

HEAD: Final = (
    *("alias", "lesson", "score", "call", "called", "truth"),
    *("call after sign, s", "act after sign, s", "guard after sign, s", "harm", "guard's harm"),
)


def rows(results: Sequence[Result]) -> list[list[str]]:
    """Return results as rows of text, under ``HEAD``."""
    return [
        [
            clean(one.alias),
            clean(one.title),
            f"{one.score:z.0f}",
            clean(one.verdict),
            clean(one.called) or "-",
            clean(one.truth),
            *(_after(time_s, one) for time_s in (one.called_s, one.acted_s, one.guard_s)),
            f"{one.harm:z.1f}",
            f"{one.guard_harm:z.1f}",
        ]
        for one in results
    ]


def _after(time_s: float | None, one: Result) -> str:
    """Return how long after the first sign, or without one after the onset, something was done."""
    from_s = one.onset_s if one.sign_s is None else one.sign_s
    return "-" if time_s is None or from_s is None else f"{time_s - from_s:+z.1f}"


SUMMARY_HEAD: Final = ("alias", "drives", "mean score", "right", "half right", "wrong", "no call")


def summary_rows(results: Sequence[Result]) -> list[list[str]]:
    """Return a row for each alias, the best mean score first, under ``SUMMARY_HEAD``."""
    by_alias: dict[str, list[Result]] = {}
    for one in results:
        by_alias.setdefault(one.alias, []).append(one)
    told = []
    for alias, own in by_alias.items():
        mean = sum(one.score for one in own) / len(own)
        verdicts = [one.verdict for one in own]
        counts = [verdicts.count(word) for word in ("right", "half", "wrong", "none")]
        told.append((mean, [clean(alias), str(len(own)), f"{mean:z.0f}", *map(str, counts)]))
    return [row for _, row in sorted(told, key=lambda one: -one[0])]


def in_lines(results: Sequence[Result]) -> list[str]:
    """Return results as lines of text: by alias, then drive by drive."""
    return [*_columns(SUMMARY_HEAD, summary_rows(results)), "", *_columns(_SHORT, _short(results))]


_SHORT: Final = ("alias", "lesson", "score", "call", "truth")


def _short(results: Sequence[Result]) -> list[list[str]]:
    return [[row[0], row[1], row[2], row[3], row[5]] for row in rows(results)]


def _columns(head: Sequence[str], told: Sequence[Sequence[str]]) -> list[str]:
    table = [list(head), *map(list, told)]
    widths = [max(len(row[i]) for row in table) for i in range(len(head))]
    return [
        "  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip()
        for row in table
    ]


def as_csv(results: Sequence[Result]) -> str:
    """Return results as CSV: metric, the unit in each column's name."""
    names = [name for name in Result.__struct_fields__ if name not in ("parts", "notes")]
    parts = list(dict.fromkeys(name for one in results for name in one.parts))
    columns = [*names, *(f"points_{name}" for name in parts)]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")  # RFC 4180, section 2.1
    writer.writerow(columns)
    for one in results:
        values = [getattr(one, name) for name in names] + [one.parts.get(name) for name in parts]
        writer.writerow([_csv(x) for x in values])
    return text.getvalue()


def _csv(value: object) -> object:
    if isinstance(value, float):
        return round(value, 3)
    return cell(value) if isinstance(value, str) else value


def as_html(results: Sequence[Result]) -> str:
    """Return results as a page."""
    from monitor.pictures.page import Page

    page = Page("Results of drills")
    page.caution("A drill trains eyes and hands; it proves nothing about a car, or about a driver.")
    page.heading("By alias")
    page.table(SUMMARY_HEAD, summary_rows(results))
    page.heading("Drive by drive")
    page.table(HEAD, rows(results))
    noted = [(one, note) for one in results for note in one.notes]
    if noted:
        page.heading("Notes")
        page.table(
            ("alias", "lesson", "at, s", "note"),
            [[o.alias, o.title, f"{n.time_s:z.1f}", n.text] for o, n in noted],
        )
    return page.html()
