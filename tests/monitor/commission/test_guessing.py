"""Columns by names and values: right, or asked, and never wrong without a word."""

from typing import Any

import numpy as np
import pytest

from monitor.commission.columns import Column, spread_of
from monitor.commission.from_log import Log, doubts, with_defaults
from monitor.commission.guessing import Guess, Sure, assigned, guess
from rules.channels import CHANNEL_BY_NAME, CHANNELS
from simulator.rig import quantity_of
from tests.kit.invented_drive import drive
from tests.kit.odd_headers import ODD_LOGS, Truth, as_logged, log_of

DRIVE = drive()
# Left out rather than asked: names that say nothing at all, and a second column of a pressure.
MAY_BE_LEFT_OUT = {
    "terse": {"p", "t", "q"},
    "two of each": {"Boost [bar]", "IAT 2 [°C]"},
}
ASKED = {
    "plain English": set(),
    "US units": set(),
    "German": set(),
    "French": set(),
    "a row of units": {"N"},
    "snake case": set(),
    "no units at all": {"boost", "duty", "iat", "flow"},
    "called kPa, is psi": {"MAP (kPa)", "IAT (°C)"},
    "called boost, is absolute": {"Boost pressure"},
    "two of each": {"IAT 1 [°C]"},
    "terse": {"n", "dc"},
    "camel case": set(),
    "spray system's own": set(),
    "shares for percent": set(),
}


def guessed(columns: list[Column]) -> list[Guess]:
    """Return what the columns are taken for, other columns heard."""
    log = Log("odd", tuple(columns), DRIVE.time_s, 0.02, "t", "s")
    return with_defaults(log, guess(columns, DRIVE.time_s))


def told_of(*columns: tuple[str, str, Any]) -> tuple[Guess, ...]:
    """Return what columns of header, units row and values are taken for."""
    return tuple(guessed([Column(*column) for column in columns]))


def is_right(one: Guess, truth: Truth) -> bool:
    """Whether a guess has the right channel, unit and nought."""
    if one.channel != truth.channel:
        return False
    kind = quantity_of(CHANNEL_BY_NAME[truth.channel])
    return one.absolute == truth.absolute and kind.linear(one.unit) == pytest.approx(
        kind.linear(truth.unit)
    )


@pytest.mark.parametrize("name", ODD_LOGS)
def test_strange_headers_are_right_or_asked(name: str) -> None:
    """No column is taken for something it isn't, unless that is asked; nor silently dropped."""
    columns, truths = log_of(name, DRIVE)
    asked, left_out = set(), set()
    for one in guessed(columns):
        truth = truths[one.header]
        if not truth.channel:
            assert one.channel == "", one
            assert one.why
        elif not one.channel:
            left_out.add(one.header)
            assert one.why
        elif one.sure is Sure.ASK:
            asked.add(one.header)
            assert one.asked
        else:
            assert is_right(one, truth), one
    assert left_out == MAY_BE_LEFT_OUT.get(name, set())
    assert asked == ASKED[name]


@pytest.mark.parametrize("name", ["no units at all", "called kPa, is psi"])
def test_defaults_of_what_is_asked(name: str) -> None:
    """Where values tell, the default is right, though it is asked: all but a flow's unit."""
    columns, truths = log_of(name, DRIVE)
    for one in guessed(columns):
        if one.sure is Sure.ASK and one.channel and one.channel != "delivered_ml_min":
            assert is_right(one, truths[one.header]), one


BOOST, RPM, DUTY = (
    DRIVE.by_channel[name] for name in ("boost_kpa", "engine_speed_rpm", "injector_duty_pct")
)
BESIDE = (("RPM", "", RPM), ("Inj duty %", "", DUTY))


@pytest.mark.parametrize(
    ("header", "values"),
    [
        ("Boost (kPa)", BOOST / 6.895),
        ("Boost (psi)", BOOST),
        ("Boost (bar)", BOOST / 6.895),
        ("MAP (psi)", BOOST + 101.3),
        ("MAP (kPa)", BOOST),
        ("Boost (kPa)", BOOST + 101.3),
        ("MAP (bar)", (BOOST + 101.3) / 6.895),
        ("Boost", BOOST / 6.895),
        ("Boost", BOOST),
        ("MAP", BOOST + 101.3),
    ],
)
@pytest.mark.parametrize("beside", [BESIDE, BESIDE[:1]], ids=["with duty", "without"])
def test_a_pressure_in_a_wrong_unit_or_from_a_wrong_nought_is_asked(
    header: str, values: Any, beside: tuple[tuple[str, str, Any], ...]
) -> None:
    """Whatever a header says falsely, or doesn't say, of the manifold's pressure."""
    (one, *_) = told_of((header, "", values), *beside)
    assert one.sure is Sure.ASK or one.channel == "", one


@pytest.mark.parametrize(
    ("header", "unit", "is_asked"),
    [
        ("IAT (C)", "degF", True),
        ("IAT (F)", "degC", True),
        ("IAT", "degC", True),
        ("IAT", "degF", True),
        ("Meth flow (ml/min)", "gal/h", True),
        ("Meth flow (ml/min)", "L/h", True),
        ("Meth flow (L/h)", "mL/min", True),
        ("Meth flow", "mL/min", True),
        ("IAT (C)", "degC", False),
        ("IAT (F)", "degF", False),
        ("Meth flow (gph)", "gal/h", False),
    ],
)
def test_units_that_lie_or_are_missing_are_asked(header: str, unit: str, is_asked: bool) -> None:
    """Temperatures and flows: values that don't fit the unit written, or no unit at all."""
    channel = "intake_c" if "IAT" in header else "delivered_ml_min"
    (one,) = told_of((header, "", as_logged(DRIVE, channel, unit)))
    assert one.channel == channel
    assert (one.sure is Sure.ASK) is is_asked, one


def test_a_flow_without_a_unit_takes_that_of_the_command() -> None:
    """Where one flow's unit is written and the other agrees in one unit alone."""
    flow = as_logged(DRIVE, "delivered_ml_min", "L/h")
    asked = ("Spray target (ml/min)", "", DRIVE.by_channel["commanded_ml_min"])
    (one, _) = told_of(("Spray flow", "", flow), asked)
    assert (one.unit, one.sure) == ("L/h", Sure.LIKELY)
    # Written, and borne out by the other: sure. Contradicted by it: asked.
    flow = ("Spray flow (L/h)", "", flow)
    (one, _) = told_of(flow, asked)
    assert (one.unit, one.sure) == ("L/h", Sure.SURE)
    (one, other) = told_of(("Spray flow (gal/h)", "", flow[2]), asked)
    assert (one.sure, one.asked) == (Sure.ASK, "unit")
    assert "says gal/h, but is" in one.why
    assert other.sure is Sure.ASK
    (one,) = told_of(flow)
    assert one.sure is Sure.LIKELY
    # A US gallon an hour is 1.05 mL/s: nothing tells them apart.
    flow = as_logged(DRIVE, "delivered_ml_min", "gal/h")
    (one, _) = told_of(("Spray flow", "", flow), asked)
    assert one.sure is Sure.ASK


def test_a_log_of_pulls_alone_leaves_gauge_or_absolute_open() -> None:
    """Where the engine never idles, a pressure above nought throughout may be either."""
    pulls = BOOST > 30.0
    columns = [Column("Boost pressure (kPa)", "", BOOST[pulls])]
    (one,) = guess(columns, DRIVE.time_s[pulls])
    assert (one.sure, one.asked) == (Sure.ASK, "absolute")


def test_flowdebt_s_own_names_are_sure() -> None:
    """A log that flowdebt wrote asks nothing, whatever it holds."""
    columns = [Column(c.name, "", DRIVE.by_channel.get(c.name, RPM * 0.0)) for c in CHANNELS[:16]]
    for one in guessed(columns):
        there = one.header in DRIVE.by_channel
        assert one.channel in ({one.header} if there else {one.header, ""})
        assert one.sure is not Sure.ASK or not one.channel


@pytest.mark.parametrize("header", ["x" * 200, "Boost\x1b[2J kPa", "Boost\nkPa"])
def test_a_name_a_rig_cannot_hold_is_left_out(header: str) -> None:
    """Too long, or with signs that drive a terminal: said so, and never written."""
    (one,) = told_of((header, "", BOOST))
    assert one.channel == ""
    assert "can't name it" in one.why or one.why == "no name flowdebt knows"


def test_text_nothing_and_one_value() -> None:
    """Columns without numbers, or that never move, are told so and are never sure."""
    empty = told_of(("RPM", "", np.full(len(RPM), np.nan)))[0]
    assert (empty.channel, empty.why, empty.spread) == ("", "holds no numbers", None)
    still = told_of(("Batt V", "", np.full(len(RPM), 13.8)))[0]
    assert still.sure is Sure.LIKELY


def test_what_a_person_says_is_taken() -> None:
    """A column said to be a channel is it, and whatever was it before is none."""
    columns = [Column("MAP (kPa)", "", BOOST + 101.3), Column("p (bar)", "", BOOST / 100.0)]
    told = assigned(columns, DRIVE.time_s, guess(columns, DRIVE.time_s), "p (bar)", "boost_kpa")
    assert [one.channel for one in told] == ["", "boost_kpa"]
    assert (told[1].unit, told[1].absolute) == ("bar", False)


def test_ranges_rates_and_steps() -> None:
    """What is told of a column: range, new values a second, its step, how much was sent."""
    values = np.repeat(np.arange(50.0) % 7.0 * 0.5, 2)
    values[10:20] = np.nan
    spread = spread_of(Column("x", "", values), np.arange(100) * 0.02)
    assert spread is not None
    assert (spread.low, spread.high, spread.step, spread.sent) == (0.0, 3.0, 0.5, 0.9)
    assert spread.rate_hz == pytest.approx(44 / 1.98)


def test_what_a_log_says_against_itself_is_one_sentence_each() -> None:
    """Sentences are one line, and name the columns."""
    columns = [
        Column("RPM", "", RPM),
        Column("MAP kPa", "", np.roll(BOOST, 25) + 101.3),
        Column("Inj duty %", "", DUTY),
    ]
    log = Log("odd", tuple(columns), DRIVE.time_s, 0.02, "t", "s")
    (sentence,) = doubts(log, guess(columns, DRIVE.time_s))
    assert sentence == (
        '"MAP kPa" seems 0.5 s late against the other two of engine speed, boost and injector '
        "duty: let one device log all three"
    )
