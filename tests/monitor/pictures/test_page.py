"""A page with plots: it loads nothing, takes no text for markup, and says what it was given."""

import json
import re
from base64 import b64decode
from html.parser import HTMLParser
from typing import Any

import numpy as np
import pytest
from plotly.offline import get_plotlyjs

from monitor.pictures.page import Cell, Page
from monitor.pictures.zoomable import DATES, TIME, Axis, Line, Panel

HOSTILE = (
    "<script>alert(1)</script><img src='https://example.invalid/a.png'> \"&amp; <b>x</b>\x1b[31m"
)
SEEN = HOSTILE.replace("\x1b", "")
DAY_MS = 946684800000.0  # of 2000-01-01
T_S = np.array([0.0, 0.5, 1.0])
Y = np.array([1.0, np.nan, 3.0])


class Elements(HTMLParser):
    """What a browser would make of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.scripts: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take note of an element."""
        self.found.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        """Take note of text, and of scripts."""
        inside = self.found[-1][0] if self.found else ""
        (self.scripts if inside == "script" else self.texts).append(data)


def page(text: str = "boost") -> Page:
    """Return a page with one of everything, each with this text."""
    made = Page(text)
    made.heading(text, anchor="log-1")
    made.text(text)
    made.caution(text)
    made.command(text)
    made.table(
        (text, "at"), [(Cell(text, zoom=("one", 1.5, 2.0)), Cell(text, to="log-1", code=True))]
    )
    line = Line(text, T_S, Y, low=Y - 1.0, high=Y + 1.0)
    panels = [Panel(text, [line], [(text, 2.0)], words=[(1.0, text)]), Panel(text, [line])]
    made.plot("one", TIME, panels, zones=[(0.25, 0.5)], marks=[(0.75, text)], caption=text)
    made.plot("two", Axis(text), [Panel(text, [Line(text, T_S, Y, dots=True)], includes=(0.0,))])
    return made


def drawn(text: str) -> list[tuple[list[Any], dict[str, Any]]]:
    """Return what plotly is given: the lines and the layout of each plot."""
    found = []
    for script in Elements(text).scripts:
        if "Plotly.newPlot(" in script and len(script) < 1_000_000:
            decoder, at = json.JSONDecoder(), script.index("[", script.index("newPlot("))
            lines, end = decoder.raw_decode(script, at)
            layout, _ = decoder.raw_decode(script, script.index("{", end))
            found.append((lines, layout))
    return found


def test_nothing_is_fetched() -> None:
    """No element names a file, no style imports one, and the page forbids itself to load any."""
    found = Elements(page().html()).found
    for tag, attributes in found:
        assert tag not in {"link", "img", "iframe", "object", "base", "form", "embed"}
        assert not {"src", "srcset", "data", "action", "style"} & set(attributes) - {"style"}
        assert (attributes.get("href") or "#").startswith("#")
    policies = [a["content"] for t, a in found if t == "meta" and "http-equiv" in a]
    assert len(policies) == 1
    rules = dict(rule.strip().split(" ", 1) for rule in str(policies[0]).split(";"))
    assert rules.pop("default-src") == "'none'"
    assert not any("http" in source or "*" in source for source in rules.values())
    without_library = page().html().replace(get_plotlyjs(), "")
    assert not re.search(r"@import|url\(|https?:", without_library)


def test_the_library_is_there_once_and_only_for_plots() -> None:
    """Two plots share it; it offers to send nothing away; a page of text has no script at all."""
    text = page().html()
    assert text.count(get_plotlyjs()) == 1
    assert text.count('"showSendToCloud": false') == 2
    plain = Page("plain")
    plain.text("nothing but text")
    assert "<script" not in plain.html()
    assert "script-src" not in plain.html()


def test_text_is_shown_as_it_is() -> None:
    """The same elements, whatever the names are, and each name is there to be read."""
    plain, hostile = (Elements(page(text).html()) for text in ("boost", HOSTILE))
    assert [tag for tag, _ in hostile.found] == [tag for tag, _ in plain.found]
    said = [text for text in hostile.texts if SEEN in text]
    assert len(said) == len([text for text in plain.texts if "boost" in text])
    assert len(said) == 10
    for lines, layout in drawn(page(HOSTILE).html()):
        words = json.dumps([lines, layout])
        assert "<script" not in words
        assert "&lt;script&gt;" in words
        assert "<b>x" not in words


def test_what_plotly_is_given() -> None:
    """Times in ms, one axis for all panels, gaps where nothing is known, limits, zones, marks."""
    (lines, layout), (dots, _) = drawn(page().html())
    assert len(lines) == 6  # twice a line and both edges of its band
    assert {line["xaxis"] for line in lines} == {"x", "x2"}
    assert layout["xaxis"]["matches"] == "x2"
    x = np.frombuffer(b64decode(lines[2]["x"]["bdata"]), lines[2]["x"]["dtype"])
    np.testing.assert_array_equal(x, DAY_MS + 1e3 * T_S)
    y = np.frombuffer(b64decode(lines[2]["y"]["bdata"]), lines[2]["y"]["dtype"])
    np.testing.assert_array_equal(y, Y)
    shapes = layout["shapes"]
    assert {(s["x0"], s["x1"]) for s in shapes if s["type"] == "rect"} == {
        (DAY_MS + 250.0, DAY_MS + 500.0)
    }
    assert [s["y0"] for s in shapes if s.get("yref") == "y"] == [2.0]
    assert [s["x0"] for s in shapes if s["line"].get("dash") == "dot"] == [DAY_MS + 750.0]
    assert dots[0]["mode"] == "markers"
    assert layout["xaxis2"]["tickformatstops"][1]["value"] == "%-M:%S"


def test_hours_dates_and_numbers_along_the_axis() -> None:
    """A log of hours is told in hours; dates and numbers are what they are."""
    made = Page("axes")
    made.plot("hours", TIME, [Panel("a", [Line("a", [0.0, 4000.0], [1.0, 2.0])])])
    days = np.array(["2026-03-01", "2026-03-08"], "datetime64[D]")
    made.plot("days", DATES, [Panel("a", [Line("a", days, [1.0, 2.0])])])
    made.plot(
        "speeds", Axis("engine speed, rpm"), [Panel("a", [Line("a", [1e3, 2e3], [1.0, 2.0])])]
    )
    hours, dates, speeds = drawn(made.html())
    assert hours[1]["xaxis"]["tickformatstops"][1]["value"] == "%-H:%M:%S"
    assert dates[1]["xaxis"]["type"] == "date"
    assert "2026-03-08" in json.dumps(dates[0])
    assert speeds[1]["xaxis"]["title"]["text"] == "engine speed, rpm"


def test_a_link_shows_its_stretch() -> None:
    """A pull's cell leads to the plot, and says from where to where, in ms as the axis has it."""
    links = [a for tag, a in Elements(page().html()).found if tag == "a"]
    assert links[0] == {
        "href": "#one",
        "data-plot": "one",
        "data-from": str(DAY_MS + 1500.0),
        "data-until": str(DAY_MS + 2000.0),
    }
    assert links[1] == {"href": "#log-1"}


def test_same_bytes_and_names_of_their_own() -> None:
    """A page made twice is the same; a plot's name can't be taken twice."""
    assert page().html() == page().html()
    made = page()
    for panels in ([Panel("a", [Line("a", T_S, Y)])], []):
        with pytest.raises(ValueError, match="expected its own name"):
            made.plot("one" if panels else "three", TIME, panels)


def test_linked_plots_say_so() -> None:
    """Those of one link carry it, for the script; one by itself carries none."""
    made = Page("linked")
    for name, link in (("one", "speed"), ("two", "speed"), ("three", "")):
        made.plot(name, Axis("speed"), [Panel("a", [Line("a", T_S, Y)])], link=link)
    found = Elements(made.html()).found
    assert [a.get("data-link") for tag, a in found if tag == "figure"] == ["speed", "speed", None]


def test_lines_of_one_name_stand_once_in_the_title() -> None:
    """And where the pointer is each says which it is."""
    made = Page("runs")
    lines = [Line("dry", T_S, Y, hover=f"dry {i}") for i in range(3)] + [Line("wet", T_S, Y)]
    made.plot("one", TIME, [Panel("power", lines)])
    ((drawn_lines, layout),) = drawn(made.html())
    assert [line["name"] for line in drawn_lines] == ["dry 0", "dry 1", "dry 2", "wet"]
    assert layout["annotations"][0]["text"].count("dry") == 1


def test_an_option_stays_whole() -> None:
    """In a command, where a line would break at its dashes; its text is the same."""
    made = Page("commands")
    made.table(("command",), [(Cell("flowdebt replay a--b.csv --rig <i> --at 0:01", code=True),)])
    found = Elements(made.html())
    assert [tag for tag, _ in found.found].count("span") == 2
    assert "flowdebt replay a--b.csv --rig <i> --at 0:01" in "".join(found.texts)
