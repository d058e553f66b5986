"""Reports of a review: whole in each form, and whatever a name holds is shown, not obeyed."""

import csv
import io
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from markdown_it import MarkdownIt

from monitor.cli import run as flowdebt
from monitor.pictures.review_page import as_page
from monitor.review.report_files import Answers, as_csv, as_json, as_markdown
from monitor.review.review import Review, review
from monitor.words.units import US
from simulator.logfile import mapped, write_csv
from simulator.plant import run
from simulator.scenario import load_scenario

NAMED = "=cmd|<img src=x onerror=alert(1)>**b**.csv"
HOSTILE = {"</script><script>alert(2)</script>.csv": "found <b>nothing</b> [x](http://e.invalid)"}


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> list[Review]:
    """A pump stop in a log with a hostile name, and a drive without a fault."""
    folder = tmp_path_factory.mktemp("logs")
    found = []
    for name, path in (("pump_stop", NAMED), ("mild_tune", "calm.csv")):
        scenario = load_scenario(name)
        write_csv(list(run(scenario, 1)), folder / path, mapped(scenario.rig))
        found.append(review(folder / path, "brindle", traced=True))
    return found


@pytest.fixture
def answers(logs: list[Review]) -> Answers:
    """What was found in them, and a log that could not be judged."""
    return Answers(logs, HOSTILE, "brindle")


class Page(HTMLParser):
    """What a browser would make of a page: its elements, links into plots, and text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.zooms: list[dict[str, str | None]] = []
        self.said = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take note of an element."""
        self.tags.append(tag)
        if tag == "a" and "data-plot" in dict(attrs):
            self.zooms.append(dict(attrs))

    def handle_data(self, data: str) -> None:
        """Take note of text."""
        if self.tags[-1:] != ["script"]:
            self.said += data + "\n"


def test_a_page_has_every_pull_at_its_place(answers: Answers) -> None:
    """A plot a log, each pull and each of the worst moments linked to its stretch of it."""
    page = Page(as_page(answers))
    pulls = [one for log in answers.reviews for one in log.pulls]
    assert len(page.zooms) == len(pulls) + len(answers.moments())
    assert page.tags.count("figure") == 2
    of_first = [zoom for zoom in page.zooms if zoom["data-plot"] == "plot-1"]
    starts = [float(str(zoom["data-from"])) / 1000.0 - 946684800.0 for zoom in of_first]
    for one in answers.reviews[0].pulls:
        assert any(start_s == pytest.approx(one.pull.start_s - 3.0) for start_s in starts)
    assert answers.moments()[0].command("brindle") in " ".join(page.said.split())
    assert "isn't a certified safety device" in page.said
    assert "cut boost: under-delivery" in page.said


def test_names_are_shown_and_not_obeyed(answers: Answers) -> None:
    """Neither a browser, a reader of Markdown nor a spreadsheet takes a name for more."""
    page = Page(as_page(answers))
    assert not {"img", "b"} & set(page.tags)
    assert NAMED in page.said
    html = MarkdownIt("gfm-like", {"linkify": False}).render(as_markdown(answers))
    assert "<img" not in html
    assert "<strong>b" not in html
    assert "<a " not in html
    rows = list(csv.DictReader(io.StringIO(as_csv(answers))))
    assert rows[0]["log"] == f"'{NAMED}"


def test_csv_has_a_row_a_pull(answers: Answers) -> None:
    """Metric, units in the names, the same figures as in JSON; empty where nothing is known."""
    rows = list(csv.DictReader(io.StringIO(as_csv(answers))))
    told = json.loads(as_json(answers))
    pulls = [pull for log in told["logs"] for pull in log["pulls"]]
    assert len(rows) == len(pulls) > 4
    for row, pull in zip(rows, pulls, strict=True):
        assert float(row["start_s"]) == pull["start_s"]
        assert float(row["peak_boost_kpa"]) == pull["peaks"]["boost_kpa"]["value"]
        assert float(row["peak_debt_s"]) == pull["peak_debt"]["s"]
        assert float(row["delivered_ml"]) == pull["delivered_ml"]
        assert row["gear"] == ""
        assert row["action"] == pull["action"]
    assert "under_delivery" in rows[2]["findings"]
    assert told["not_judged"] == HOSTILE
    assert told["worst_moments"][0]["action"] == "cut_boost"


def test_markdown_tells_the_same_in_us_units(logs: list[Review]) -> None:
    """Tables of logs, pulls and worst moments; no metric figure is left."""
    text = as_markdown(Answers(logs, {}, "brindle", US))
    assert "## Worst moments" in text
    assert "commanded, fl oz" in text
    assert "peak boost, psi" in text
    assert not re.search(r"\d (kPa|°C|degC|mL/min)\b", text)


def test_the_command_writes_them(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Any number of files by their endings; one that is taken or unknown is refused first."""
    log = tmp_path / "stop.csv"
    scenario = load_scenario("mild_tune")
    write_csv(list(run(scenario, 1)), log, mapped(scenario.rig))
    files = [tmp_path / f"r{ending}" for ending in (".html", ".md", ".csv", ".json")]
    asked = [f"--report={file}" for file in files]
    assert flowdebt(["review", str(log), "--rig", "brindle", *asked]) == 0
    assert all(file.stat().st_size > 500 for file in files)
    assert "<figure>" in files[0].read_text(encoding="utf-8")
    capsys.readouterr()
    for wrong, why in ((files[1], "r.md"), (tmp_path / "r.pdf", ".html or .md or .csv or .json")):
        assert flowdebt(["review", str(log), "--rig", "brindle", f"--report={wrong}"]) == 2
        out, err = capsys.readouterr()
        assert not out
        assert why in err
    both = ["--report", str(tmp_path / "s.md"), '--set=debt.cut="0.2 s"']
    assert flowdebt(["review", str(log), "--rig", "brindle", *both]) == 2
    assert "--report: found --set too" in capsys.readouterr().err


def test_many_logs_that_were_not_judged_stand_at_the_end(answers: Answers) -> None:
    """A few stand first; more would hide what was found: each is there once, and why."""
    few = Page(as_page(answers)).said
    (name, why) = next(iter(HOSTILE.items()))
    assert few.index(f"{name} could not be judged: {why}") < few.index("Worst moments")
    refused = {f"{number}{name}": why for number in range(9)}
    said = Page(as_page(Answers(answers.reviews, refused, "brindle"))).said
    assert said.index("9 logs could not be judged") < said.index("Worst moments")
    end = said[said.index("Not judged") :]
    assert all(said.count(one) == end.count(one) == 1 for one in refused)
