"""A number put into a rig's text, and its origin behind it."""

import pytest

from monitor.commission.provenance import is_guess, put_with_origin

DELAY = ("flow_sensor", "delay")
ORIGIN = "fit 2026-03-04 of b.csv: from 3 pulls"


@pytest.mark.parametrize(
    ("behind", "said"),
    [
        ("", ""),
        ("  # mine", "mine; "),
        ("  # mine; default", "mine; "),
        ("  # default", ""),
        ("  # mine; log: its highest speed", "mine; "),
        (
            "  # mine; too; fit 2025-12-31 of a.csv sha256 12: 3 to 4 ms (90 %), from 2 pulls",
            "mine; too; ",
        ),
        ("  # fit 2025-12-31 of a.csv: from 2 pulls; widened", ""),
        ("  # fit for a king", "fit for a king; "),
    ],
)
def test_remark_of_a_person_stays_in_front(behind: str, said: str) -> None:
    """What a draft or an earlier fit said goes, what a person said stays."""
    text = f'# above\n[flow_sensor]\ndelay = "9 ms"{behind}\nlag = "5 ms" # other\n'
    assert put_with_origin(text, DELAY, "7 ms", ORIGIN) == (
        f'# above\n[flow_sensor]\ndelay = "7 ms"  # {said}{ORIGIN}\nlag = "5 ms" # other\n'
    )


@pytest.mark.parametrize(
    ("behind", "guess"),
    [
        ("", False),
        ("  # asked", False),
        ("  # mine", False),
        ("  # default", True),
        ("  # log: explains the flow to 2 % on average", True),
        ("  # fit 2025-12-31 of a.csv: from 2 pulls", False),
    ],
)
def test_a_guess_of_a_draft_is_told_from_what_somebody_said(behind: str, guess: bool) -> None:
    """By the remark behind the number."""
    text = f'[flow_sensor]\ndelay = "9 ms"{behind}\nlag = "5 ms"  # default\n'
    assert is_guess(text, DELAY) is guess
    assert not is_guess(text, ("flow_sensor", "nowhere"))


def test_line_ends_of_another_system_stay() -> None:
    """CR LF is kept, also at the end of a file without one."""
    assert put_with_origin('[flow_sensor]\r\ndelay = "9 ms"\r\n', DELAY, "7 ms", "x") == (
        '[flow_sensor]\r\ndelay = "7 ms"  # x\r\n'
    )
    assert put_with_origin('[flow_sensor]\ndelay = "9 ms"', DELAY, 7.5, "x").endswith("7.5  # x")


def test_key_that_is_new_has_its_origin_too() -> None:
    """It comes behind the last one of its table."""
    text = put_with_origin('[flow_sensor]\nlag = "5 ms"\n[debt]\n', DELAY, "7 ms", ORIGIN)
    assert text == f'[flow_sensor]\nlag = "5 ms"\ndelay = "7 ms"  # {ORIGIN}\n[debt]\n'


def test_origin_stands_above_where_no_remark_can_stand_behind() -> None:
    """Within braces; a second fit takes the place of the first."""
    text = 'flow_sensor = {delay = "9 ms", lag = "5 ms"} # mine\n'
    once = put_with_origin(text, DELAY, "7 ms", "fit 2025-01-01 of a.csv: one")
    twice = put_with_origin(once, DELAY, "7 ms", ORIGIN)
    assert twice == (
        f'# flow_sensor.delay: {ORIGIN}\nflow_sensor = {{delay = "7 ms", lag = "5 ms"}} # mine\n'
    )
