"""A proof for CI as JUnit XML: a row is a test case, and where it fails that is a failure.

The schema that CI systems share (junit-10 of Jenkins' xUnit plugin) has no word for undecided: such
a row is skipped.
"""

from collections.abc import Callable
from typing import Final
from xml.etree import ElementTree as Xml

from monitor.proof.asked import asked, basis, calm_asked
from monitor.proof.words import calm_told, run_told, verdict_told
from simulator.proof.results import CalmResult, Proof, RowResult, Verdict
from simulator.strict import clean

_LONGEST: Final = 2000
_TAGS: Final = {Verdict.FAIL: "failure", Verdict.UNDECIDED: "skipped"}


def as_junit(proof: Proof, replay: Callable[[int, int], str]) -> bytes:
    """Return a proof as JUnit XML.

    Args:
        proof: The proof.
        replay: The command that replays a run, by number of row (from 1) and of car.
    """
    verdicts = [row.verdict for row in proof.rows] + [calm.verdict for calm in proof.calms]
    counts = {
        "tests": str(len(verdicts)),
        "failures": str(verdicts.count(Verdict.FAIL)),
        "errors": "0",
    }
    top = Xml.Element("testsuites", counts)
    skipped = str(verdicts.count(Verdict.UNDECIDED))
    name = _plain(proof.about["requirements"])
    suite = Xml.SubElement(top, "testsuite", {"name": name, **counts, "skipped": skipped})
    properties = Xml.SubElement(suite, "properties")
    for key, value in [*basis(proof), ("verdict", verdict_told(proof))]:
        Xml.SubElement(properties, "property", {"name": key, "value": _plain(value)})
    rig = _plain(proof.about["rig"])
    for number, row in enumerate(proof.rows, 1):
        case = _case(suite, rig, row.requirement.name, row)
        lines = [asked(row.requirement), f"{row.passed} of {len(row.begun)} runs passed"]
        for outcome in row.worst:
            lines += [run_told(row, outcome), f"    {replay(number, outcome.number)}"]
        Xml.SubElement(case, "system-out").text = "\n".join(map(_plain, lines))
    for calm in proof.calms:
        case = _case(suite, rig, calm.calm.name, calm)
        lines = [calm_asked(calm.calm), calm_told(calm), calm.reason]
        Xml.SubElement(case, "system-out").text = "\n".join(map(_plain, lines))
    Xml.SubElement(suite, "system-out").text = proof.does_not_prove
    Xml.indent(top)
    written: bytes = Xml.tostring(top, encoding="utf-8", xml_declaration=True)
    return written + b"\n"


def _case(suite: Xml.Element, rig: str, name: str, came: RowResult | CalmResult) -> Xml.Element:
    case = Xml.SubElement(suite, "testcase", {"classname": rig, "name": _plain(name)})
    tag = _TAGS.get(came.verdict)
    if tag is not None:
        said = {"type": came.verdict.value, "message": _plain(came.reason)}
        Xml.SubElement(case, tag, said)
    return case


def _plain(text: str) -> str:
    """Return text with no character that XML has no place for."""
    return clean(text, _LONGEST)
