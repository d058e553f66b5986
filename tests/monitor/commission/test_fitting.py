"""Which of what the logs say goes into a rig, and what of the rig stays."""

from typing import Any

import pytest

from monitor.commission import fitting
from monitor.commission.fitting import ALIEN, NO_NUMBER, Fitted, fit_logs
from monitor.commission.provenance import put_with_origin
from monitor.commission.rig_logs import RigLog
from monitor.commission.rig_text import RigText
from rules.facts import Command, CommandKind
from simulator.identify import Estimate, Identified, Law, Pull
from simulator.rig import RigFile, find_rig, load_rig, rig_from_text
from simulator.rig.toml_places import put

BRINDLE = load_rig(find_rig("brindle"))
DELAY, LAG = "flow_sensor.transport_delay", "flow_sensor.lag"
LOG = RigLog("a.csv", "0123456789abcdef", None, ())
SLOW = "rows are hardly faster than the sensor"


def fit_of(
    monkeypatch: pytest.MonkeyPatch,
    *found: Estimate,
    rig_file: RigFile = BRINDLE,
    law: Law | None = None,
) -> Fitted:
    """Return the fit of a log that says this."""
    numbers = {one.key: one for one in found}
    said = Identified((Pull(0, 1.0, 5.0),), (), numbers, (), law)
    monkeypatch.setattr(fitting, "identify", lambda *_, **__: said)
    return fit_logs(rig_file, [LOG], "2026-03-04")


def sensor_of(fitted: Fitted) -> Any:
    """Return the flow sensor of the rig that was made."""
    assert fitted.new is not None
    return fitted.new.rig.flow_sensor


def timed(key: str, value: float, half: float, within: float, why: str = "") -> list[Estimate]:
    """Return a delay or lag, and its tolerance, s; a reason why there is no interval."""
    low, high = (None, None) if why else (value - half, value + half)
    return [
        Estimate(key, "s", value, low, high, "3 pulls", why),
        Estimate(f"{key}_within", "s", within, from_="3 pulls", why_not=why),
    ]


def test_interval_is_covered_by_the_bank(monkeypatch: pytest.MonkeyPatch) -> None:
    """Delay and lag with their tolerances, narrower than the rig's."""
    fitted = fit_of(monkeypatch, *timed(DELAY, 0.12, 0.01, 0.015), *timed(LAG, 0.07, 0.004, 0.02))
    sensor = sensor_of(fitted)
    assert (sensor.delay_s, sensor.delay_within_s) == (0.12, 0.015)
    assert (sensor.lag_s, sensor.lag_within_s) == (0.07, 0.02)
    assert fitted.new is not None
    line = 'transport_delay = "120 ms"  # fit 2026-03-04 of a.csv sha256 0123456789ab: '
    assert line + "110 to 130 ms (90 %), from 3 pulls\n" in fitted.new.text


def test_short_delay_keeps_its_far_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a tolerance is more than its delay, the bank reaches from nearly nil to its end."""
    sensor = sensor_of(fit_of(monkeypatch, *timed(DELAY, 0.008, 0.012, 0.012)))
    assert sensor.delay_s + sensor.delay_within_s == pytest.approx(0.02, rel=0.06)
    assert 0.0 < sensor.delay_within_s < sensor.delay_s


def test_without_interval_the_rig_stays_where_it_has_the_number(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Brindle says 80 ms, 40 ms off either way: 110 ms is within that."""
    fitted = fit_of(monkeypatch, *timed(DELAY, 0.11, 0.0, 0.05, SLOW), *timed(LAG, 0.1, 0.01, 0.02))
    sensor = sensor_of(fitted)
    assert (sensor.delay_s, sensor.delay_within_s) == (0.08, 0.04)
    assert all(n.stays for n in fitted.numbers if n.path[-1:] == ("transport_delay",))


def test_without_interval_a_rig_far_off_is_put_right_and_never_narrower(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """160 ms isn't within 40 ms of 80: it goes in, with the wider of both tolerances."""
    for within, then in ((0.02, 0.04), (0.09, 0.09)):
        fitted = fit_of(monkeypatch, *timed(DELAY, 0.16, 0.0, within, SLOW))
        assert sensor_of(fitted).delay_s == 0.16
        assert sensor_of(fitted).delay_within_s == then
        assert fitted.new is not None
        assert ": no interval, from 3 pulls" in fitted.new.text


def test_gain_that_no_rig_allows_for_makes_no_rig(monkeypatch: pytest.MonkeyPatch) -> None:
    """A wrong unit, most likely: nothing is narrowed by it."""
    gain = Estimate("flow_sensor.gain_within", "%", 280.0, from_="3 pulls")
    fitted = fit_of(monkeypatch, *timed(DELAY, 0.1, 0.01, 0.02), gain)
    assert (fitted.new, fitted.refused) == (None, ALIEN)
    assert fitted.numbers[-1].stays == "a rig accepts from 0.5 to 30 %"


def test_nothing_told_makes_no_rig(monkeypatch: pytest.MonkeyPatch) -> None:
    """How far apart rows are is not enough."""
    period = Estimate("time.period", "s", 0.01, from_="900 rows")
    fitted = fit_of(monkeypatch, period, Estimate(DELAY, "s", why_not="not enough in this log"))
    assert (fitted.new, fitted.refused) == (None, NO_NUMBER)


@pytest.mark.parametrize(
    ("key", "unit", "value"),
    [
        ("flow_sensor.floor", "mL/min", 1.2),  # lower than the rig's
        ("flow_sensor.gain", "1", 0.95),  # no rig has it
        ("charge_sensor.nobody_knows", "K", 3.0),
        ("line_sensor.lag", "h", 3.0),  # more than a rig accepts
    ],
)
def test_what_stays(monkeypatch: pytest.MonkeyPatch, key: str, unit: str, value: float) -> None:
    """Some numbers are told and not put in."""
    delay = timed(DELAY, 0.1, 0.01, 0.02)
    without = fit_of(monkeypatch, *delay)
    fitted = fit_of(monkeypatch, *delay, Estimate(key, unit, value, from_="3 pulls"))
    assert fitted.new is not None
    assert without.new is not None
    assert fitted.new.text == without.new.text


def test_table_that_the_rig_doesnt_have_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """A number of the charge's sensor goes into no rig that judges none."""
    text = RigText(BRINDLE.text)
    text.drop("charge_sensor")
    drop = Estimate("charge_sensor.drop_k", "K", 12.0, 10.0, 14.0, "3 pulls")
    found = (*timed(DELAY, 0.1, 0.01, 0.02), drop)
    without = rig_from_text(text.toml, "own.toml")
    fitted = fit_of(monkeypatch, *found, rig_file=without)
    assert fitted.numbers[-1].stays == "the rig has no [charge_sensor]"
    assert fitted.new is not None
    assert fitted.new.rig.charge_sensor == without.rig.charge_sensor
    fitted = fit_of(monkeypatch, *found)
    assert fitted.new is not None
    assert fitted.new.rig.charge_sensor.drop_k == 12.0


def test_refresh_that_slow_rows_hide_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows each 100 ms can't show that a sensor holds its reading for 120 ms."""
    own = BRINDLE.text.replace('refresh = "0 s"', 'refresh = "120 ms"')
    found = (
        *timed(DELAY, 0.1, 0.01, 0.02),
        Estimate("time.period", "s", 0.1, from_="900 rows"),
        Estimate("flow_sensor.refresh", "s", 0.0, from_="3 pulls"),
    )
    sensor = sensor_of(fit_of(monkeypatch, *found, rig_file=rig_from_text(own, "own.toml")))
    assert sensor.refresh_s == 0.12


def test_period_stays_where_rows_have_no_other_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """It was said by a person, and the log's times were made of it."""
    of_rows = RigText(put(BRINDLE.text, ("time", "unit"), "rows"))
    of_rows.cut(("time", "column"))
    found = (*timed(DELAY, 0.1, 0.01, 0.02), Estimate("time.period", "s", 0.02, from_="900 rows"))
    rig_file = rig_from_text(of_rows.toml, "own.toml")
    fitted = fit_of(monkeypatch, *found, rig_file=rig_file)
    assert fitted.new is not None
    assert fitted.new.time.period_s == BRINDLE.time.period_s


def test_units_stay_as_they_are_written(monkeypatch: pytest.MonkeyPatch) -> None:
    """A rig in gallons is told and written in gallons."""
    tarnwick = load_rig(find_rig("tarnwick"))
    floor = Estimate("flow_sensor.floor", "mL/min", 63.0902, from_="3 pulls")
    found = (*timed(DELAY, 0.1, 0.01, 0.02), floor)
    fitted = fit_of(monkeypatch, *found, rig_file=tarnwick)
    given = next(n for n in fitted.numbers if n.path[-1:] == ("floor",))
    assert given.unit in given.says
    assert sensor_of(fitted).floor_ml_min == pytest.approx(63.09, rel=0.005)


def test_law_that_explains_the_log_better_takes_the_place_of_the_rigs(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Its keys come, those of the old one go; where the rig's holds, all of it stays."""
    laws = {
        holds: Law(Command(CommandKind.FIXED, 47.0), (), (), holds, True) for holds in (True, False)
    }
    number = Estimate("command.start_boost", "kPa", 47.0, 45.0, 49.0, "3 pulls")
    found = (*timed(DELAY, 0.1, 0.01, 0.02), number)
    kept = fit_of(monkeypatch, *found, law=laws[True])
    assert kept.new is not None
    assert kept.new.rig.command == BRINDLE.rig.command
    fitted = fit_of(monkeypatch, *found, law=laws[False])
    assert fitted.new is not None
    assert fitted.new.rig.command == Command(CommandKind.FIXED, 47.0)
    assert "full_boost =" not in fitted.new.text
    assert "# kind is one of log_flow" in fitted.new.text


def test_map_is_written_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """Axes and cells."""
    cells = Command(
        CommandKind.MAP,
        50.0,
        map_boost_kpa=(50.0, 100.0, 150.0),
        map_duty_pct=(20.0, 80.0),
        map_pct=((0.0, 10.0), (20.0, 40.0), (50.0, 100.0)),
    )
    law = Law(cells, (), (), False, True)
    fitted = fit_of(monkeypatch, *timed(DELAY, 0.1, 0.01, 0.02), law=law)
    assert fitted.new is not None
    assert fitted.new.rig.command == cells


@pytest.mark.parametrize(("origin", "guessed"), [("default", True), ("asked", False)])
def test_a_law_that_a_draft_guessed_is_no_persons(
    monkeypatch: pytest.MonkeyPatch, origin: str, guessed: bool
) -> None:
    """All of its numbers: one that somebody set keeps the rest."""
    text = BRINDLE.text
    for key in ("start_boost", "full_boost"):
        text = put_with_origin(
            text, ("command", key), f"{60 if key[0] == 's' else 160} kPa", origin
        )
    seen: list[bool] = []

    def told(*_: Any, guessed: bool) -> Identified:
        seen.append(guessed)
        return Identified((Pull(0, 1.0, 5.0),), (), {}, ())

    monkeypatch.setattr(fitting, "identify", told)
    fit_logs(rig_from_text(text, "own.toml"), [LOG], "2026-03-04")
    assert seen == [guessed]
