"""The page of a debrief: all of it there, times lead to their place, nothing taken for markup."""

import re

import msgspec

from monitor.attach.drilling import Note
from monitor.pictures.debrief_page import as_page
from monitor.words.units import US
from tests.kit.debriefings import debriefing
from tests.monitor.pictures.test_page import HOSTILE, Elements, drawn


def told(text: str) -> str:
    """Return a page's text."""
    return " ".join(Elements(text).texts)


def test_all_of_a_debrief_is_told() -> None:
    """The same bytes each time."""
    page = as_page(debriefing())
    said = told(page)
    for expected in (
        "A hill, ada: 83 of 100",
        "Truth: the pump stops, from 1.35 s on.",
        "Check first on the car: pump fuse",
        "first sign: line pressure reads",
        "the guard asks to cut boost",
        "To be learned: Tell a pump",
        "It took this for the likeliest cause: pump weak or stopped.",
        "certified safety device",
        "score = call",
    ):
        assert expected in said
    assert page == as_page(debriefing())


def test_every_time_leads_to_its_place_in_the_plot() -> None:
    """The plot is there, with what was driven, and marked."""
    page = as_page(debriefing())
    links = [attributes for tag, attributes in Elements(page).found if "data-plot" in attributes]
    assert len(links) == 7
    ((lines, layout),) = drawn(page)
    names = {line["name"] for line in lines}
    assert {"as you drove", "without the fault", "nobody acts", "the guard alone", "act"} <= names
    notes = [note["text"] for note in layout["annotations"] if not note["text"].startswith("<b>")]
    assert notes == ["it begins", "call: pump", "lift"]


def test_us_figures_stand_everywhere() -> None:
    """No metric one is left beside them."""
    page = as_page(debriefing(), US)
    said = told(page)
    assert "reads 141.7 instead of 155.5 psi" in said
    assert not re.search(r"\d kPa|degC", said)


def test_a_healthy_drive_has_nothing_to_lead_to() -> None:
    """No moment, no sign, no guard; the plot stands."""
    page = as_page(debriefing(faulty=False))
    said = told(page)
    assert "What happened" not in said
    assert "Nothing that a reading shows." in said
    assert len(drawn(page)) == 1


def test_a_drive_that_never_began_has_no_plot() -> None:
    """A page all the same."""
    page = as_page(msgspec.structs.replace(debriefing(), time_s=[]))
    assert "<script" not in page
    assert "What it cost" in told(page)


def test_nothing_is_taken_for_markup() -> None:
    """Whatever alias, title, note or text holds."""
    plain = debriefing()
    hostile = msgspec.structs.replace(
        plain, alias=HOSTILE, title=HOSTILE, text=HOSTILE, goal=HOSTILE,
        truth=HOSTILE, called=HOSTILE, check_first=[HOSTILE], notes=[Note(1.0, HOSTILE)],
    )  # fmt: skip
    noted = msgspec.structs.replace(plain, notes=[Note(1.0, "a note")])
    tags = [[tag for tag, _ in Elements(as_page(one)).found] for one in (noted, hostile)]
    assert tags[0] == tags[1]
