"""What ties columns together: shifts, wrong units, wrong noughts and wrong columns are told."""

import re
from typing import Any

import numpy as np
import pytest

from monitor.commission.columns import Column
from monitor.commission.from_log import Log, with_defaults
from monitor.commission.guessing import Sure, guess
from monitor.commission.ties import STEP_S, Readings, doubts, lag, pressure_by_duty
from tests.kit.invented_drive import Drive, drive

DRIVE = drive()
NAMES = (
    "engine_speed_rpm",
    "boost_kpa",
    "injector_duty_pct",
    "commanded_ml_min",
    "delivered_ml_min",
)


def readings(of: Drive = DRIVE, **instead: Any) -> Readings:
    """Return a drive's readings under flowdebt's own names, some of them replaced."""
    columns = [Column(name, "", instead.get(name, of.by_channel[name])) for name in NAMES]
    return Readings(columns, guess(columns, of.time_s), of.time_s)


def late(name: str, seconds: float) -> Any:
    """Return a channel so much later (less than nought: earlier) than it was."""
    return np.roll(DRIVE.by_channel[name], round(seconds * 50.0))


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("law", ["boost", "fixed", "duty"])
@pytest.mark.parametrize("rate_hz", [10.0, 50.0])
def test_a_sound_log_is_doubted_nowhere(law: str, rate_hz: float, seed: int) -> None:
    """Whatever the law and the rate."""
    assert doubts(readings(drive(rate_hz, seed=seed, law=law))) == []


@pytest.mark.parametrize(
    ("name", "seconds", "told"),
    [
        ("boost_kpa", 0.4, '"boost_kpa" seems 0.4 s late against the other two'),
        ("boost_kpa", -0.4, '"boost_kpa" seems 0.4 s early against the other two'),
        ("injector_duty_pct", 0.3, '"injector_duty_pct" seems 0.3 s late against the other two'),
        ("delivered_ml_min", -0.5, '"delivered_ml_min" moves 0.3 s before the commanded flow'),
        ("delivered_ml_min", 1.5, '"delivered_ml_min" moves 1.7 s after the commanded flow'),
    ],
)
def test_shifted_columns_are_told(name: str, seconds: float, told: str) -> None:
    """Which column, how far, and in one sentence."""
    (sentence,) = doubts(readings(**{name: late(name, seconds)}))
    assert sentence.startswith(told)
    assert ": let one device log " in sentence


def test_another_column_is_told() -> None:
    """A temperature for injector duty; a flow that goes with nothing."""
    other = DRIVE.by_channel["coolant_c"] + np.sin(DRIVE.time_s)
    (sentence,) = doubts(readings(injector_duty_pct=other))
    assert sentence.startswith('"injector_duty_pct" does not go with engine speed times manifold')
    sentence, *_ = doubts(readings(delivered_ml_min=200.0 + 100.0 * np.sin(DRIVE.time_s)))
    assert sentence.startswith('"delivered_ml_min" does not follow the commanded flow')


def test_a_flow_of_another_size_than_its_command_is_told() -> None:
    """Where both say their unit, and one of them lies."""
    asked = DRIVE.by_channel["commanded_ml_min"] * 3.0
    (sentence,) = doubts(readings(commanded_ml_min=asked))
    assert sentence == (
        '"delivered_ml_min" reads 0.33 times the commanded flow: is one of them in another unit?'
    )


def test_spray_that_is_missing_for_a_while_is_told() -> None:
    """A pull that gets no spray, in a log where the others do."""
    flow = DRIVE.by_channel["delivered_ml_min"].copy()
    flow[DRIVE.time_s > 45.0] = 0.0
    (sentence,) = doubts(readings(delivered_ml_min=flow))
    assert sentence.startswith('"delivered_ml_min" reads less than 60 % of what it mostly does')
    assert sentence.endswith("was the spray healthy?")


@pytest.mark.parametrize("name", ["commanded_ml_min", "command_pct"])
def test_a_pump_whose_speed_follows_the_command_is_told(name: str) -> None:
    """By its line's pressure, which a rig takes for held; a held one, or a start, is no doubt."""
    time_s = np.arange(0.0, 40.0, STEP_S)
    share = np.clip(1.5 * np.sin(0.8 * time_s), 0.0, 1.0)
    asked = 100.0 * share

    def told(line: Any) -> list[str]:
        columns = [Column(name, "", asked), Column("line_kpa", "", line)]
        return doubts(Readings(columns, guess(columns, time_s), time_s))

    (sentence,) = told(850.0 * share**2)
    assert re.match(
        r'"line_kpa" reads [23]\d\d kPa at half the command, 850 kPa in full: ', sentence
    )
    assert told(np.where(share > 0.0, 700.0 + 150.0 * share, 5.0)) == []
    asked[share > 0.0] = 100.0
    assert told(850.0 * share**2) == []
    asked[:] = 0.0
    assert told(850.0 * share**2) == []


@pytest.mark.parametrize(
    ("pressure", "spoken"),
    [
        (lambda kpa: kpa, ("kPa", False)),
        (lambda kpa: kpa / 6.894757, ("psi", False)),
        (lambda kpa: kpa / 100.0, ("bar", False)),
        (lambda kpa: kpa * 10.0, ("mbar", False)),
        (lambda kpa: kpa + 101.3, ("", True)),
        (lambda kpa: (kpa + 101.3) / 6.894757, ("", True)),
    ],
)
def test_injector_duty_tells_unit_and_nought(pressure: Any, spoken: tuple[str, bool]) -> None:
    """Speed-density: vacuum is where petrol a turn would be nought."""
    found = pressure_by_duty(readings(boost_kpa=pressure(DRIVE.by_channel["boost_kpa"])))
    assert found == spoken


def test_lag() -> None:
    """How late one series comes after another, either way; nothing where nothing moves."""
    x = np.sin(np.arange(2000) * STEP_S)
    assert lag(np.roll(x, 20), x).late_s == pytest.approx(0.4, abs=STEP_S)
    assert lag(np.roll(x, -20), x).late_s == pytest.approx(-0.4, abs=STEP_S)
    assert lag(x * 0.0, x) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("factor", "asked"), [(1.0, False), (1.0 / 16.67, True), (16.67, True), (-1.0, True)]
)
def test_a_tank_that_does_not_fall_as_the_flow_adds_up_is_asked(factor: float, asked: bool) -> None:
    """A header's unit that lies is no more taken silently; nor a tank that fills."""
    sprayed_ml = np.cumsum(DRIVE.by_channel["delivered_ml_min"]) * 0.02 / 60.0
    tank_ml = 5000.0 - factor * sprayed_ml
    columns = [
        Column("Spray flow (mL/min)", "", DRIVE.by_channel["delivered_ml_min"]),
        Column("Tank (mL)", "", tank_ml),
    ]
    log = Log("odd", tuple(columns), DRIVE.time_s, 0.02, "t", "s")
    found = with_defaults(log, guess(columns, DRIVE.time_s))
    assert [one.channel for one in found] == ["delivered_ml_min", "tank_ml"]
    assert [one.sure is Sure.ASK for one in found] == [asked, asked]
    assert all(("the tank" in one.why) is asked for one in found)
