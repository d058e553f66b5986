"""The line of readings that line mode says every ten seconds; and which event leads."""

from typing import Any

import pytest

from monitor.attach.message_parts import DecisionHead
from monitor.words.events import KnownEvents
from monitor.words.lines import LineTalk
from monitor.words.readings import learned_in_words, readings_in_words
from monitor.words.units import METRIC, US, Units
from tests.kit.screen_messages import event, frame, hello, rows

CALM = "No action: 500 of 500 mL/min arrive at 150 kPa boost."


def _said(units: Units = METRIC, **changes: Any) -> list[str]:
    now_s = 0.0
    lines: list[str] = []
    talk = LineTalk(lines.append, as_json=False, now_s=lambda: now_s, units=units)
    talk.handle(hello())
    for i in range(22):
        now_s = float(i)
        shown = frame(CALM, rows(17.0 + i, 18.0 + i), 1800 + 100 * i, **changes)
        talk.handle(shown)
    return [line.strip() for line in lines if "samples a second" in line]


def test_every_ten_seconds_from_the_first_ten_on() -> None:
    """Readings with limits, tank, link, recording and alarms; the rate is counted, not told."""
    said = _said(tank_s=372.0)
    assert len(said) == 2
    assert said[0] == (
        "injectors 70 % (limit 92 %) | intake 40 °C (limit 70 °C) | knock 0.0 deg (limit 4 deg) | "
        "timing 18.0 deg | engine 3200 rpm | 4000 mL left in the tank | line 1000 kPa | "
        "pump supply 13.5 V | "
        "tank empty in 6 min at this use | 100 samples a second | rejected 3 | "
        "recorded 2800 rows | no alarms"
    )


def test_in_us_units() -> None:
    """The same figures as the dashboard shows."""
    said = _said(US)[0]
    assert "intake 104 °F (limit 158 °F)" in said
    assert "line 145.0 psi" in said
    assert "135.3 fl oz left in the tank" in said  # 4000 mL at 29.5735 mL, NIST SP 811
    assert "kPa" not in said


def test_what_is_not_healthy_is_unknown() -> None:
    """No old value is said of a channel that is not healthy, and no time left of its tank."""
    said = _said(ill={"intake_c": "stale", "tank_ml": "implausible"}, tank_s=372.0)[0]
    assert "intake unknown" in said
    assert "tank unknown" in said
    assert "tank empty" not in said


def test_a_frame_without_rows_knows_no_values() -> None:
    """The guard may speak before anything was decided."""
    assert "injectors unknown" in readings_in_words(hello(), frame(CALM, [], 0), float("nan"))
    assert "unknown samples a second" in readings_in_words(
        hello(), frame(CALM, [], 0), float("nan")
    )


def test_what_was_learned_of_the_car() -> None:
    """Gain, noise and how long it lasts; nothing before anything was learned."""
    known = DecisionHead(gain=1.02, noise=0.034, noise_lasts_s=0.04, learned_s=85.2)
    assert learned_in_words(known) == (
        "flow reads 1.02 of the rig's, noise 3.4 % lasting 40 ms, after 85 s of spraying"
    )
    assert learned_in_words(DecisionHead()) == ""
    assert learned_in_words(DecisionHead(gain=1.0, noise=0.04, learned_s=0.0)) == ""


@pytest.mark.parametrize(
    ("events", "leads"),
    [
        ([], 0),
        ([("knock", 5.0, "pull_timing", 6.0), ("tank_low", 4.0, "warn", 7.0)], 0),
        # A warning that has stood for long gives way to the pull; of two cuts the first leads.
        ([("tank_low", 1.0, "warn", None), ("knock", 5.0, "pull_timing", None)], 0),
        (
            [
                ("tank_low", 1.0, "warn", None),
                ("under_delivery", 5.0, "cut_boost", None),
                ("no_command", 6.0, "cut_boost", None),
                ("knock", 7.0, "pull_timing", None),
                ("overboost", 8.0, "cut_boost", 8.5),
            ],
            3,
        ),
    ],
)
def test_the_first_of_the_worst_that_hold_leads(
    events: list[tuple[str, float, str, float | None]], leads: int
) -> None:
    """Cleared events never lead one that holds; with none that holds it is the newest."""
    known = KnownEvents()
    for finding, time_s, action, until_s in events:
        known.put(event(finding=finding, time_s=time_s, action=action, until_s=until_s))
    assert known.leading == leads
