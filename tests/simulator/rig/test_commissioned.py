"""What a rig remembers of its commissioning, and when that no longer says anything of it."""

import tomllib

import pytest

from simulator.rig import STEPS, changes, done_in, live_changes, rig_from_text, with_step
from simulator.strict import BadInput
from tests.kit.rig_text import SMALL

LOG = "0123456789abcdef" * 4


def noted(text: str, step: str, result: str = "went well", on: str = "2026-01-31") -> str:
    """Return a rig's text with a step done by Wren."""
    return with_step(text, "car.toml", step, by="Wren", on=on, result=result, log_sha256=LOG)


def changed(text: str) -> dict[str, bool]:
    """Return the steps in a rig, and whether it has changed since."""
    return {one.step: one.changed_since for one in done_in(rig_from_text(text, "car.toml"))}


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_a_step_is_written_behind_what_is_there(line_end: str) -> None:
    """Every other character stays; the newest of a step replaces the last one."""
    before = ("# Wren's car\n" + SMALL).replace("\n", line_end)
    text = noted(noted(before, "trip"), "fit")
    assert text.startswith(before)
    assert "\n" not in text.replace(line_end, "") or line_end == "\n"
    fit, _ = done_in(rig_from_text(text, "car.toml"))
    assert fit == ("fit", "Wren", "2026-01-31", "went well", LOG, False)
    again = noted(text, "trip", "pulled at 4.20 s", "2026-02-01")
    assert done_in(rig_from_text(again, "car.toml"))[1][2:4] == ("2026-02-01", "pulled at 4.20 s")
    assert again.count("[commissioned.trip]") == 1
    assert tomllib.loads(again)["commissioned"]["fit"] == tomllib.loads(text)["commissioned"]["fit"]


def test_what_a_step_confirms_is_what_must_not_change() -> None:
    """Nozzles: jug, fit and trip; what spray paid for: dry limit and trip; a name: none."""
    text = SMALL
    for step in STEPS:
        text = noted(text, step)
    assert changed(text) == dict.fromkeys(STEPS, False)
    assert changed(text.replace('name = "Small"', 'name = "Other"  # renamed')) == changed(text)
    nozzles = text.replace('rated_flow = "315 mL/min"', 'rated_flow = "330 mL/min"')
    limit = text.replace('dry_limit = "100 kPa"', 'dry_limit = "90 kPa"')
    assert nozzles != text != limit
    assert changed(nozzles) == {"fit": True, "jug": True, "dry_limit": False, "trip": True}
    assert changed(limit) == {"fit": False, "jug": False, "dry_limit": True, "trip": True}


def test_it_decides_nothing() -> None:
    """No change that a guard would be told of, and the very same facts."""
    before, after = (rig_from_text(t, "car.toml") for t in (SMALL, noted(SMALL, "trip")))
    assert changes(before, after) == live_changes(before, after) == ()
    assert before.rig == after.rig
    assert done_in(before) == ()


@pytest.mark.parametrize(
    ("right", "wrong", "said"),
    [
        ('by = "Wren"', 'by = "W\\u001bren"', "commissioned.trip.by: found "),
        ('by = "Wren"', f'by = "{"W" * 121}"', "expected text of 1 to 120 printable characters"),
        ('"2026-01-31"', '"31.1.2026"', "expected a day such as 2026-01-31, as text"),
        ('"2026-01-31"', '"2026-02-31"', "expected a day such as 2026-01-31, as text"),
        (LOG, LOG[1:], "expected 64 digits of a SHA-256"),
        (LOG, LOG.upper(), "expected 64 digits of a SHA-256"),
        ("[commissioned.trip]", "[commissioned.tripp]", "found an unknown key"),
        ('by = "Wren"\n', "", "commissioned.trip.by: missing"),
    ],
)
def test_what_is_wrong_in_it_is_told_by_line(right: str, wrong: str, said: str) -> None:
    """As in any table of a rig."""
    text = noted(SMALL, "trip")
    assert right in text
    with pytest.raises(BadInput) as caught:
        rig_from_text(text.replace(right, wrong), "car.toml")
    assert said in str(caught.value)
    assert str(caught.value).startswith("car.toml:")
    assert str(caught.value).isprintable()


def test_nothing_wrong_is_written() -> None:
    """A result that is no plain text, or a rig that is wrong already: refused."""
    with pytest.raises(BadInput, match=r"commissioned\.trip\.result"):
        noted(SMALL, "trip", "two\nlines")
    with pytest.raises(BadInput, match="expected"):
        noted(SMALL + "[debt]\nwran = 1\n", "trip")
