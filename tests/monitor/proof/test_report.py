"""Reports: whole, the same every time, and whatever a name holds is shown, not obeyed."""

import json
import re
import xml.etree.ElementTree as Xml
from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import inf
from pathlib import Path
from typing import Any

import pytest
from junitparser import Failure, JUnitXml, Skipped
from markdown_it import MarkdownIt

from monitor.commands.parameters import check_report_files
from monitor.proof.page import as_page
from monitor.proof.report import ENDINGS, write_report
from rules.facts import Action
from simulator.proof.limits import AtLimit
from simulator.proof.outcomes import Outcome
from simulator.proof.requirements import Calm, Requirement
from simulator.proof.results import CalmResult, Proof, RowResult, Verdict
from simulator.strict import BadInput
from tests.kit.junit import check_junit
from tests.kit.proofs import ran, requirements

HOSTILE = (
    "<script>alert('x')</script> \"quoted\" 'so' & | `code` [a](b) **bold** $x_1$ \\ ]]> "
    "https://example.invalid www.example.invalid ~~no~~"
)
DRIVES = HOSTILE + " \x1b[31m\x00\u202e\ufffe\ud800 over"
KEPT = HOSTILE + " [31m over"  # what doesn't print is gone
ABOUT: dict[str, Any] = {
    "requirements": "Need",
    "requirements_sha256": "1a" * 32,
    "rig": "Brindle 1.8",
    "rig_sha256": "2b" * 32,
    "car": "Tarnwick 2.4",
    "car_sha256": "3c" * 32,
    "version": "9.8.7",
    "code": "4d" * 8,
    "seed_set": 2,
}
EVERY_H = (1.0, 10.0, 100.0)
TOLD = ((20.0, 9.0, 55.0), (0.3, 0.0, 8.0), None)


def row(verdict: Verdict, delays_s: Sequence[float], name: str = "pump stop", at: int = 0) -> Any:
    """Return a row whose runs pulled so late; some never began."""
    asked = replace(requirements().requirements[at], name=name)
    runs = [ran(i, delay_s, harm=0.5 * i) for i, delay_s in enumerate(delays_s)]
    reason = "" if verdict is Verdict.PASS else f"{name} came late; it did"
    return RowResult(asked, verdict, (*runs, Outcome(len(runs))), 3, 0.71, 0.93, reason)


def proof(name: str = "pump stop") -> Proof:
    """Return a proof with a row of each kind, all of them called so."""
    rows = (
        row(Verdict.PASS, [0.1, 0.2, 0.2, 0.3], name),
        row(Verdict.FAIL, [0.2, 0.5, inf, inf, inf], name),
        row(Verdict.FAIL, [inf] * 3, name),
        row(Verdict.UNDECIDED, [], name),
        row(Verdict.PASS, [inf] * 3, name, at=1),
    )
    calms = (
        CalmResult(Calm(name, Action.PULL_TIMING, 1.0), Verdict.FAIL, 40.0, 2, 1.1, 12.0),
        CalmResult(Calm(f"{name} 2", Action.CUT_BOOST, 0.5, "driving"), Verdict.UNDECIDED),
    )
    about = ABOUT | {"rig": name, "requirements": name}
    return Proof(about, rows, calms)


def limits(of: Proof) -> list[tuple[AtLimit, ...]]:
    """Return what other limits would have come to."""
    return [
        tuple(
            AtLimit(every_h, every_h == 10.0, found.begun, told)
            for every_h, told in zip(EVERY_H, TOLD, strict=True)
        )
        if found.begun and found.requirement.at_least
        else ()
        for found in of.rows
    ]


def replay(number: int, run: int) -> str:
    """Return the command of a run."""
    return f"flowdebt prove 'a b.toml' --replay {number}:{run}"


def written(of: Proof, folder: Path, ending: str) -> bytes:
    """Return a report as it is written."""
    path = folder / f"proof{ending}"
    write_report(of, path, replay, limits(of))
    return path.read_bytes()


@pytest.mark.parametrize("ending", ENDINGS)
def test_a_proof_is_the_same_bytes(tmp_path: Path, ending: str) -> None:
    """Written twice, plots and all; no day and no duration is in it."""
    found = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        found.append(written(proof(), tmp_path / name, ending))
    assert found[0] == found[1]
    found[0].decode("utf-8")


@pytest.mark.parametrize("ending", ENDINGS)
def test_it_names_what_it_rests_on(tmp_path: Path, ending: str) -> None:
    """Hashes, version, seeds, runs, what it doesn't prove; worst runs each with a command."""
    text = written(proof(), tmp_path, ending).decode()
    about = proof().about
    for value in (about["rig_sha256"], about["requirements_sha256"], about["version"]):
        assert value in text
    assert "A simulated car is not the car" in text
    if ending == ".json":
        assert json.loads(text) == proof().as_json()
        return
    assert f"set 2: {2**31 + 200_000} + the run" in text
    assert "20" in text
    for number, found in enumerate(proof().rows, 1):
        for outcome in found.worst:
            assert f"--replay {number}:{outcome.number}" in text


def elements(text: str) -> Iterator[Xml.Element]:
    """Yield a page's elements; it is XML, so that nothing in it is left open."""
    doctype, _, rest = text.partition("\n")
    assert doctype == "<!DOCTYPE html>"
    yield from Xml.fromstring(rest).iter()


def test_a_page_fetches_and_runs_nothing() -> None:
    """No element loads, no attribute leads outside, no style imports; names are met once."""
    of = proof(DRIVES)
    ids, used = [], set()
    for element in elements(as_page(of, replay, limits(of))):
        tag = element.tag.rpartition("}")[2]
        assert tag not in {"script", "link", "img", "image", "iframe", "object", "base", "form"}
        for key, value in element.attrib.items():
            assert not key.startswith("on")
            assert "http" not in value
            used |= set(re.findall(r"url\((.*?)\)", value))
            if key.rpartition("}")[2] in ("href", "src"):
                used.add(value)
        if tag == "style":
            assert not re.search(r"http|url|@import", element.text or "")
        ids += [element.attrib["id"]] if "id" in element.attrib else []
    assert len(ids) == len(set(ids))
    assert used <= {f"#{name}" for name in ids}


def test_a_page_shows_names_as_they_are() -> None:
    """A name is text, in a title, in a table and in a heading."""
    of = proof(DRIVES)
    found = list(elements(as_page(of, replay, limits(of))))
    texts = ["".join(element.itertext()) for element in found]
    assert f"Proof of {KEPT}" in texts
    assert KEPT in texts
    assert f"2. {KEPT}: fail" in texts
    assert replay(1, 3) in texts


def test_a_page_draws_what_never_came() -> None:
    """A censored run is named in the plot and counts in the percentiles."""
    of = proof()
    page = as_page(of, replay, limits(of))
    figures = [element for element in elements(page) if element.tag == "figure"]
    texts = ["\n".join(figure.itertext()) for figure in figures]
    assert len(figures) == 4  # the fourth row never began
    assert ["never, in" in text for text in texts] == [False, True, True, True]
    assert "never, in 3 of 5 runs" in texts[1]
    assert "Delay of 5 runs, ms: p50 no, p95 no, p99 no, most no; 3 never." in page
    assert ["harm by limit" in text for text in texts] == [True, True, True, False]
    assert ["× never" in text for text in texts] == [False, True, True, False]
    assert ["95 %, told" in text for text in texts] == [True, False, False, False]


def test_a_page_without_other_limits() -> None:
    """They are neither drawn nor spoken of."""
    assert "by limit" not in as_page(proof(), replay).lower()


def test_the_matrix_has_each_row() -> None:
    """By fault and operating point, each with its verdict."""
    found = list(elements(as_page(proof(), replay)))
    tables = [
        " ".join("".join(table.itertext()).split()) for table in found if table.tag == "table"
    ]
    (matrix,) = [table for table in tables if table.startswith("fault")]
    assert matrix == (
        "faulthighpart pump stop1 pass2 fail3 fail4 undecidednot asked "
        "wire noise 1 %not asked5 pass"
    )


@pytest.mark.parametrize("name", ["pump stop", DRIVES])
def test_junit(tmp_path: Path, name: str) -> None:
    """CI reads it: a row a case, a fail a failure, undecided skipped, each with its reason."""
    raw = written(proof(name), tmp_path, ".xml")
    check_junit(Xml.fromstring(raw))
    (suite,) = JUnitXml.fromstring(raw)
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == (7, 3, 0, 2)
    cases = list(suite)
    kinds = [[type(result) for result in case.result] for case in cases]
    assert kinds == [[], [Failure], [Failure], [Skipped], [], [Failure], [Skipped]]
    shown = KEPT if name == DRIVES else name
    assert cases[1].result[0].message == f"{shown} came late; it did"
    assert {case.classname for case in cases} == {shown}
    assert {case.name for case in cases} == {shown, f"{shown} 2"}


@pytest.mark.parametrize("name", ["pump stop", DRIVES])
def test_markdown(tmp_path: Path, name: str) -> None:
    """Its tables are tables, each row as wide as its head; a name is nothing but text."""
    text = written(proof(name), tmp_path, ".md").decode()
    tokens = MarkdownIt("commonmark").enable("table").parse(text)
    kinds = [token.type for token in tokens]
    assert kinds.count("table_open") == 3
    assert kinds.count("heading_open") == 8
    assert "html_block" not in kinds
    widths = []
    for token in tokens:
        if token.type == "tr_open":
            widths.append(0)
        elif token.type in ("td_open", "th_open"):
            widths[-1] += 1
    assert widths == [2] * 7 + [9] * 6 + [3] * 3
    inline = [child for token in tokens for child in token.children or []]
    assert {child.type for child in inline} <= {"text", "text_special"}
    told = [token.children or [] for token in tokens if token.type == "inline"]
    texts = ["".join(child.content for child in children) for children in told]
    shown = KEPT if name == DRIVES else name
    assert f"Proof of {shown}: FAIL" in texts
    assert texts.count(shown) == 6
    (command, *_) = [token.content for token in tokens if token.type == "fence"]
    assert command.splitlines()[1] == replay(1, 3)


def test_asked_is_told_in_full() -> None:
    """Whatever a requirement may ask for is in its sentence."""
    asked: Requirement = replace(
        requirements().requirements[0],
        command=(0.4, 0.8),
        at_most=Action.PULL_TIMING,
        harm_at_most=5.0,
        work_lost_at_most_kj=100.0,
    )
    of = Proof(ABOUT, (RowResult(asked, Verdict.UNDECIDED),), ())
    assert (
        "pump stop at full boost, gear 4, 40 to 80 % of full flow commanded: pull timing or more "
        "within 400 ms of the onset, nothing harder than pull timing, knock harm at most 5, at "
        "most 100 kJ of work lost; in 70 % of runs, at 60 % confidence."
    ) in as_page(of, replay)


def test_names_are_checked_before_anything_runs(tmp_path: Path) -> None:
    """An ending of another kind, a file that is there, a name given twice."""
    there = tmp_path / "there.md"
    there.write_text("mine", encoding="ascii")
    for paths, said in (
        ([tmp_path / "x.pdf"], r"expected \.html or \.md or \.xml or \.json"),
        ([there], "nothing is overwritten"),
        ([tmp_path / "x.md", tmp_path / "x.md"], "twice"),
    ):
        with pytest.raises(BadInput, match=said):
            check_report_files(paths, ENDINGS)
    check_report_files([tmp_path / "x.md", tmp_path / "x.HTML"], ENDINGS)
