"""Runs out of logs: torque as logged or told, weather, spray, and what is no run."""

from dataclasses import replace
from math import isnan, nan
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from pyarrow import csv as pacsv

from monitor.dyno.runs import LeftOut, Run, Weather, runs_in
from simulator.dyno.curves import power_kw
from simulator.plant import run as simulate
from simulator.rig import RigFile
from simulator.scenario import load_scenario
from simulator.strict import BadInput
from tests.kit.dyno_runs import RIG_TEXT, Drawn, dyno_rig
from tests.kit.recordings import BRINDLE, record

RIG = dyno_rig()
UNKNOWN = Weather(nan, nan, nan)


def read(
    path: Path,
    rig: RigFile = RIG,
    gear: int | None = None,
    weather: Weather = UNKNOWN,
) -> tuple[list[Run], list[LeftOut]]:
    """Return a log's runs, and what was left out."""
    return runs_in(path, path.name, rig, gear, weather, 0.6)


def test_a_run_comes_as_logged(tmp_path: Path) -> None:
    """Its times, torque at each speed, the air outside, and no spray."""
    (run,), left_out = read(Drawn().write(tmp_path / "a.csv"))
    assert not left_out
    assert (run.start_s, run.end_s) == pytest.approx((1.0, 5.98), abs=0.03)
    assert (run.gear.number, run.gear.why) == (3, "as logged")
    assert run.as_logged
    assert isnan(run.noise_nm)
    found = run.sweep.by_speed({"torque": run.torque_nm}, np.array([4500.0]))["torque"][0]
    assert found == pytest.approx(300.0, rel=0.02)
    assert run.weather == (20.0, 99.0, 40.0)
    assert run.start_intake_c == 30.0
    assert run.sprayed is False
    assert np.isnan(run.columns["knock"]).all()


def test_a_log_need_not_begin_at_nought(tmp_path: Path) -> None:
    """A run's times count from where its log began, as people do."""
    path = Drawn().write(tmp_path / "a.csv")
    head, *rows = path.read_text().splitlines()
    cells = [row.partition(",") for row in rows]
    path.write_text("\n".join([head, *(f"{float(t) + 5e8},{rest}" for t, _, rest in cells)]))
    (run,), _ = read(path)
    assert run.from_s == 0.0
    assert run.start_s == pytest.approx(1.0, abs=0.03)


def test_power_in_place_of_torque(tmp_path: Path) -> None:
    """A dyno's kilowatts become torque at the engine speed of that moment."""
    torque = read(Drawn().write(tmp_path / "a.csv"))[0][0]
    text = RIG_TEXT.replace("[extra.torque_nm]", '[extra.power_kw]\ncolumn = "kW"')
    path = tmp_path / "power.csv"
    head, *rows = (tmp_path / "a.csv").read_text().splitlines()
    at, speed = head.split(",").index("torque_nm"), head.split(",").index("engine_speed_rpm")
    lines = []
    for row in rows:
        cells = row.split(",")
        cells[at] = f"{power_kw(float(cells[at]), float(cells[speed])):.5g}"
        lines.append(",".join(cells))
    path.write_text("\n".join([head.replace("torque_nm", "kW"), *lines]))
    (run,), _ = read(path, dyno_rig(text))
    assert run.torque_nm == pytest.approx(torque.torque_nm, rel=2e-3)


def test_without_torque_it_is_told_from_the_cars_gain_in_speed(tmp_path: Path) -> None:
    """600 rpm/s in third: by hand 198 N m for the mass, and the air and tyres on top."""
    drawn = Drawn(left_out=("torque_nm",))
    (run,), _ = read(drawn.write(tmp_path / "a.csv"))
    assert not run.as_logged
    assert 0.3 < run.noise_nm < 6.0
    geared = 1.43 * 3.9 / 0.31
    moved_kg = 1400.0 + 0.089 * 1.8 * geared**2
    for_mass_nm = moved_kg * 600.0 * np.pi / 30.0 / geared / geared / 0.92
    assert float(np.mean(run.torque_nm)) == pytest.approx(for_mass_nm + 35.0, rel=0.06)


def test_a_gear_may_be_stated(tmp_path: Path) -> None:
    """Without one in the log, torque can't be told; beyond the gearbox there is none."""
    path = Drawn(left_out=("torque_nm", "gear")).write(tmp_path / "a.csv")
    runs, left_out = read(path)
    assert not runs
    assert left_out[0].why.startswith("no torque is logged, and nothing tells its gear (")
    assert "--gear states it" in left_out[0].why
    assert read(path, gear=3)[0][0].gear.number == 3
    assert read(path, gear=7)[1][0].why == "7 is no gear of [vehicle]"
    logged, _ = read(Drawn(gear=4).write(tmp_path / "b.csv"), gear=3)
    assert (logged[0].gear.number, logged[0].gear_stated) == (4, False)


def test_a_rig_without_a_vehicle_tells_no_torque(tmp_path: Path) -> None:
    """Defaults would be another car's, so what is missing is named."""
    path = Drawn(left_out=("torque_nm",)).write(tmp_path / "a.csv")
    text = RIG_TEXT.partition("[vehicle]")[0]
    with pytest.raises(BadInput, match=r"car.toml: vehicle: found no mass_kg, drag_area_m2, gears"):
        read(path, dyno_rig(text))
    with pytest.raises(BadInput, match=r"found no gears, expected the car's own"):
        read(path, dyno_rig(text + "[vehicle]\n" + "\n".join(
            ("mass_kg = 1400", "drag_area_m2 = 0.7", "final_drive = 3.9", "tyre_radius_m = 0.31")
        )))  # fmt: skip


def test_weather_is_the_logs_own_or_as_stated(tmp_path: Path) -> None:
    """What the log holds is never overruled, and what neither tells stays unknown."""
    drawn = Drawn(left_out=("humidity_pct", "barometer_kpa"))
    path = drawn.write(tmp_path / "a.csv")
    (run,), _ = read(path, weather=Weather(35.0, 101.0, nan))
    assert run.weather[:2] == (20.0, 101.0)
    assert run.weather.air is None
    assert run.weather.density_kg_m3 == pytest.approx(1.2, abs=0.01)
    assert Weather(nan, 99.0, 40.0).density_kg_m3 == 1.2


@pytest.mark.parametrize(
    ("drawn", "sprayed"),
    [
        (Drawn(flow_ml_min=200.0), True),
        (Drawn(flow_ml_min=15.0), False),  # below what the sensor tells from none
        (Drawn(left_out=()), False),
    ],
)
def test_spray_is_told_by_its_flow(drawn: Drawn, sprayed: bool, tmp_path: Path) -> None:
    """What flows in a tenth of a run counts."""
    (run,), _ = read(drawn.write(tmp_path / "a.csv"))
    assert run.sprayed is sprayed


def test_what_is_no_run_is_left_out_and_said(tmp_path: Path) -> None:
    """Through 600 rpm only; and a log that holds none at all is refused."""
    _, left_out = read(Drawn(high_rpm=3600.0).write(tmp_path / "a.csv"))
    assert "expected 1000 or more" in left_out[0].why
    idle = replace(Drawn(), left_out=("torque_nm",)).write(tmp_path / "idle.csv")
    idle.write_text(idle.read_text().replace(",100,", ",10,"))
    with pytest.raises(BadInput, match=r"idle.csv: found no run at full throttle"):
        read(idle)


def test_a_channel_that_is_blank_is_not_known(tmp_path: Path) -> None:
    """The run is one all the same; spray is told by the next channel, or by none."""
    path = Drawn(flow_ml_min=200.0).write(tmp_path / "a.csv")
    head, *rows = path.read_text().splitlines()
    names = head.split(",")
    blank = [names.index(name) for name in ("boost_kpa", "delivered_ml_min")]
    cells = [["" if i in blank else cell for i, cell in enumerate(row.split(","))] for row in rows]
    path.write_text("\n".join([head, *map(",".join, cells)]))
    (run,), _ = read(path)
    assert np.isnan(run.columns["boost_kpa"]).all()
    assert run.sprayed is None


def test_a_session_holds_runs_too(tmp_path: Path) -> None:
    """Without extra columns: torque from its gain in speed, in a gear that is stated."""
    samples = list(simulate(load_scenario("mild_tune"), 1))
    vehicle = RIG_TEXT.partition("[vehicle]")[2]
    rig = dyno_rig(f"{BRINDLE.text}\n[vehicle]{vehicle}")
    found, left_out = read(record(tmp_path, samples), rig, gear=3)
    assert len(found) + len(left_out) == 2
    assert found[0].sprayed
    assert 200.0 < float(np.median(found[0].torque_nm)) < 400.0


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_a_dynos_log_need_not_hold_what_a_guard_needs(kind: str, tmp_path: Path) -> None:
    """Engine speed and torque alone are a run; without engine speed there is none."""
    lacking = ("boost_kpa", "throttle_pct", "intake_c", "delivered_ml_min", "ambient_c")
    path = Drawn(left_out=lacking).write(tmp_path / "a.csv")
    if kind == "parquet":
        table = pacsv.read_csv(path)
        path = tmp_path / "a.parquet"
        pq.write_table(table, path)
    (run,), _ = read(path)
    assert run.as_logged
    assert run.sprayed is None
    low_rpm, high_rpm = run.span_rpm
    assert (low_rpm, high_rpm) == pytest.approx((3000.0, 6000.0), abs=40.0)
    with pytest.raises(BadInput, match='found no column "engine_speed_rpm"'):
        read(Drawn(left_out=("engine_speed_rpm",)).write(tmp_path / "b.csv"))
