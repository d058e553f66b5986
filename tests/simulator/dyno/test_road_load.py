"""Torque told from how a car gains speed, by hand and against cars whose torque is known."""

from dataclasses import replace
from math import inf, pi
from typing import Any

import numpy as np
import pytest

from rules.channels import ENGINE_SPEED, TIME
from rules.facts import Vehicle
from simulator.dyno.curves import sweep
from simulator.dyno.road_load import geared_rad_m, nm_per_rpm_s, torque_nm
from simulator.plant import Car
from simulator.plant.script import Do, Scenario, Step
from simulator.rig import find_rig, load_rig

BRINDLE = load_rig(find_rig("brindle")).rig


def test_at_a_steady_speed_torque_holds_the_resistance() -> None:
    """By hand: 1400 kg, Cd A 0.7 m2, third gear of 1.43 by 3.9 on 0.31 m, at 5000 rpm."""
    geared = 1.43 * 3.9 / 0.31
    road_m_s = 5000.0 * pi / 30.0 / geared
    held_n = 0.5 * 1.2 * 0.7 * road_m_s**2 + 0.013 * 1400.0 * 9.80665
    assert geared_rad_m(BRINDLE, 3) == pytest.approx(geared)
    found = torque_nm(BRINDLE, 3, 5000.0, 0.0, 1.2)
    assert found == pytest.approx(held_n / geared / 0.92)


def test_what_turns_counts_by_the_square_of_its_gearing() -> None:
    """By hand: a car of 1400 kg whose 0.2 kg m2 turn 18 times a metre weighs 1465 kg."""
    vehicle = Vehicle(
        mass_kg=1400.0, gears=(1.8, 1.0), final_drive=3.0, tyre_radius_m=0.3,
        driveline_efficiency=0.9, engine_inertia_kg_m2=0.2,
    )  # fmt: skip
    rig = replace(BRINDLE, vehicle=vehicle)
    moved_kg = 1400.0 + 0.2 * 18.0**2
    assert nm_per_rpm_s(rig, 1) == pytest.approx(moved_kg * pi / 30.0 / 18.0**2 / 0.9)


LOSSY = {"rolling": 0.03, "driveline_efficiency": 0.85, "engine_inertia_kg_m2": 0.6}


@pytest.mark.parametrize(
    ("name", "gear", "losses"),
    [
        ("brindle", 3, {}),
        ("brindle", 3, LOSSY),
        ("wexmoor", 4, {}),
        ("quarrick", 3, {}),
        ("tarnwick", 3, {}),
    ],
)
def test_a_simulated_cars_torque_is_told(name: str, gear: int, losses: dict[str, Any]) -> None:
    """Within 1 % of what its crank gave on average, and by what noise allows at every speed."""
    rig = load_rig(find_rig(name)).rig
    rig = replace(rig, vehicle=replace(rig.vehicle, **losses))
    drive = (Step(Do.CRUISE, 3.0, gear=gear), Step(Do.PULL, 4.0, gear=gear))
    car = Car(rig, Scenario("run", "", rig, drive, rate_hz=50.0), 7)
    rows, crank = [], []
    while not car.finished:
        for row in car.step(0.0, inf):
            rows.append(row)
            crank.append((car.state.torque_nm, car.state.throttle))
    read, (nm, throttle) = np.array(rows), np.array(crank).T
    full = throttle >= 0.95
    t_s, true_nm = read[full, TIME], nm[full]
    run = sweep(t_s, read[full, ENGINE_SPEED], 0.6)
    told_nm = torque_nm(rig, gear, run.speed_rpm, run.rise_rpm_s, 1.19)
    smooth_nm = run.along(t_s, true_nm)
    # A window of 0.6 s doesn't follow all of it while boost comes up.
    calm = run.t_s >= t_s[0] + 1.0
    off = told_nm[calm] / smooth_nm[calm] - 1.0
    assert abs(float(np.mean(off))) < 0.01
    noise = run.rise_noise_rpm_s * nm_per_rpm_s(rig, gear) / smooth_nm[calm]
    assert float(np.mean(abs(off) < 0.005 + 3.0 * noise)) > 0.95
