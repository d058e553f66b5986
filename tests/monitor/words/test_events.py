"""Events as a viewer knows them: their order, which one leads, and what is said of them."""

from typing import Any

import pytest

from monitor.words.events import KnownEvents, event_in_words
from monitor.words.units import METRIC, US
from tests.kit.screen_messages import event


def _known(*events: tuple[str, float, str, float | None]) -> KnownEvents:
    known = KnownEvents()
    for finding, time_s, action, until_s in events:
        known.put(event(finding=finding, time_s=time_s, action=action, until_s=until_s))
    return known


@pytest.mark.parametrize(
    ("events", "leads"),
    [
        # A pump stops: knock that followed, and heat that followed that, are not the cause.
        (
            [
                ("under_delivery", 13.2, "cut_boost", 18.5),
                ("knock", 13.3, "pull_timing", 18.6),
                ("no_command", 13.8, "cut_boost", 18.6),
                ("intake_hot", 15.3, "pull_timing", 18.6),
            ],
            "under_delivery",
        ),
        # What was over long before has nothing to do with it, however bad it was.
        (
            [("under_delivery", 1.0, "cut_boost", 2.0), ("knock", 9.0, "pull_timing", 9.5)],
            "knock",
        ),
        # A warning that lasted through does not link two that never met.
        (
            [
                ("tank_low", 1.0, "warn", 30.0),
                ("no_command", 5.0, "cut_boost", 6.0),
                ("knock", 20.0, "pull_timing", 21.0),
            ],
            "knock",
        ),
        # A logger that was switched off and on: its new times say nothing of the old ones.
        (
            [
                ("no_command", 500.0, "cut_boost", 510.0),
                ("knock", 505.0, "warn", 0.5),
                ("clock_step", 0.1, "warn", 1.0),
            ],
            "clock_step",
        ),
    ],
)
def test_when_all_is_over_the_first_of_the_last_bouts_worst_leads(
    events: list[tuple[str, float, str, float | None]], leads: str
) -> None:
    """What to check first is asked after the pull, when nothing holds any more."""
    known = _known(*events)
    assert known.active == 0
    assert known.newest_first[known.leading].key[1] == leads


def test_a_guard_that_takes_anothers_place_buries_nothing() -> None:
    """What came last is the newest, though its own time begins anew; told again it stays put."""
    first = [("knock", 20.0, "warn", 21.0), ("no_command", 22.0, "cut_boost", None)]
    known = _known(*first, ("clock_step", 0.01, "warn", None), ("knock", 3.0, "warn", None))
    assert [one.key for one in known.newest_first] == [
        (3.0, "knock"),
        (0.01, "clock_step"),
        (22.0, "no_command"),
        (20.0, "knock"),
    ]
    known.put(event(finding="no_command", time_s=22.0, action="cut_boost", until_s=1.0))
    assert known.newest_first[2].key == (22.0, "no_command")
    assert known.active == 2


def test_a_device_clock_that_starts_again_changes_neither_order_nor_length() -> None:
    """Both follow the guard's own time; two events of one device time are two."""
    assert event_in_words(event(time_s=5.0, until_s=6.5)).lasted_s == 1.5
    stepped = event_in_words(event(time_s=22.0, until_s=1.4, lasted_s=3.2))
    assert (stepped.lasted_s, stepped.active) == (3.2, False)
    known = KnownEvents()
    for clock_s, time_s in ((5.0, 5.0), (22.0, 22.0), (27.0, 5.0)):
        known.put(event(clock_s=clock_s, time_s=time_s))
    assert [one.time_s for one in known.newest_first] == [5.0, 22.0, 5.0]


@pytest.mark.parametrize(
    ("room", "said"),
    [
        (99, "to 100 kPa, 14.5 deg, 5.08 mL"),
        (29, "to 100 kPa, 14.5 deg, 5.08 mL"),
        (28, "to 100 kPa, 14.5 deg"),
        (19, "to 100 kPa"),
        (9, ""),
    ],
)
def test_what_has_no_room_is_left_out_whole(room: int, said: str) -> None:
    """A figure cut within, such as 18.…, could be read as one."""
    facts: dict[str, Any] = {"action": "cut_boost", "boost_ceiling_kpa": 100.0}
    shown = event_in_words(event(**facts, retard_deg=14.5, debt_ml=5.08))
    assert shown.depth(METRIC, room) == said
    assert shown.depth(US).startswith("to 14.5 psi, ")


@pytest.mark.parametrize(("warned_s", "since"), [(0.08, "0.08"), (-2.0, "before")])
def test_a_report_says_from_when_its_steps_count(warned_s: float, since: str) -> None:
    """From the one fault behind them; what came before that is told so."""
    took = {"fdti_s": 0.18, "frti_s": 0.06, "fhti_s": 0.24, "ftti_s": 0.6}
    facts = {"fault_intervals": {**took, "in_time": True, "margin": 0.6}}
    steps = [
        {"time_s": 12.76 + warned_s, "action": "warn", "retard_deg": 0.0, "fhti_s": warned_s},
        {"time_s": 12.94, "action": "pull_timing", "retard_deg": 5.5, "fhti_s": 0.18},
    ]
    *_, last = event_in_words(event(**facts, action="pull_timing", steps=steps)).report()
    assert last.strip() == (
        f"steps (and s from the fault, at 12.82 s, until done): warn at {12.76 + warned_s:.2f} s "
        f"({since}), pull timing at 12.94 s (0.18)"
    )
