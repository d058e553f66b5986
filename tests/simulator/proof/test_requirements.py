"""Requirements files: read strictly, one line for whatever is wrong."""

from math import inf, isnan
from pathlib import Path

import pytest

import monitor.proof
from rules.facts import Action
from simulator.plant import FaultKind
from simulator.proof.requirements import requirements_from_text
from simulator.rig import load_rig, shipped_rigs
from simulator.strict import BadInput
from tests.kit.proofs import QUICK, brindle, requirements

NEW = (Path(monitor.proof.__file__).parent / "new.toml").read_text(encoding="utf-8")


def test_every_key_is_read() -> None:
    """A row with all there is, and what it becomes."""
    row = requirements("""
name = "All"
seed_set = 3
[population]
transport_delay = ["50 ms", "90 ms"]
gain = ["-3 %", "0 %", "3 %"]
rate = "50 Hz"
petrol_octane = [95, 98]
[[requirements]]
name = "own point"
faults = [{ kind = "sensor_gain", channel = "delivered_ml_min", magnitude = "-30 %", ramp = "1 s" }]
gear = 3
boost = ["120 kPa", "23.2 psi"]
command = ["40 %", "90 %"]
throttle = "80 %"
ambient = ["30 degC", "35 degC"]
action_at_least = "warn"
within = "0.7 s"
action_at_most = "pull_timing"
harm_at_most = 2
work_lost_at_most_kj = 50
share = "90 %"
confidence = "99 %"
[[calm]]
name = "false pulls"
action = "pull_timing"
at_most_per_100_h = 1
of = "driving"
""")
    (one,), (calm,) = row.requirements, row.calm
    assert (one.at_least, one.at_most, one.within_s) == (Action.WARN, Action.PULL_TIMING, 0.7)
    assert (one.harm_at_most, one.work_lost_at_most_kj) == (2.0, 50.0)
    assert (one.share, one.confidence) == pytest.approx((0.9, 0.99))
    assert one.command == pytest.approx((0.4, 0.9))
    assert one.ambient is not None
    assert (one.ambient.least, one.ambient.most) == (30.0, 35.0)
    (fault,) = one.point.scenario(brindle().rig, one.faults).faults
    assert (fault.kind, fault.magnitude, fault.gear) == (FaultKind.SENSOR_GAIN, -0.3, 3)
    assert fault.above_boost_kpa == pytest.approx(120.0)
    assert fault.below_boost_kpa == pytest.approx(159.96, abs=0.01)
    assert one.point.drive[1].throttle_pct == 80.0
    assert (calm.action, calm.of, calm.at_most_per_100_h) == (Action.PULL_TIMING, "driving", 1.0)
    population = row.population
    assert row.seed_set == 3
    assert population.delay_s is not None
    assert (population.delay_s.least, population.delay_s.most) == pytest.approx((0.05, 0.09))
    assert population.gain is not None
    assert population.gain.likeliest == 0.0
    assert population.rate_hz is not None
    assert (population.rate_hz.at(0.3), population.rate_hz.at(0.9)) == (50.0, 50.0)
    assert population.lag_s is not None
    assert isnan(population.lag_s.likeliest)


@pytest.mark.parametrize("name", shipped_rigs())
def test_the_template_fits_every_shipped_car(name: str) -> None:
    """A fresh file is right as it stands, and asks what the README says."""
    found = requirements_from_text(NEW, "new.toml", load_rig(shipped_rigs()[name]))
    stop, less, noisy = found.requirements
    assert (stop.within_s, less.within_s, noisy.within_s) == pytest.approx((0.4, 0.7, inf))
    assert (stop.share, found.calm[0].at_most_per_100_h) == (0.99, 1.0)


ROW = QUICK.index("[[requirements]]")
BAD = {
    "unknown key": ('within = "400 ms"', 'witin = "400 ms"', ":9: requirements[0].witin: found an"),
    "bad unit": ('"400 ms"', '"400 kPa"', "requirements[0].within: found"),
    "no such kind": ('"pump_stop"', '"gremlins"', "requirements[0].faults[0].kind"),
    "no such point": ('"high"', '"moon"', 'requirements[0].at: found "moon"'),
    "no faults": ('[{ kind = "pump_stop" }]', "[]", "requirements[0].faults: found a list of 0"),
    "no time": ('within = "400 ms"\n', "", "requirements[0].within: missing, expected a time"),
    "a time for nothing": (
        'action_at_least = "pull_timing"\n',
        "",
        "requirements[0].within: found",
    ),
    "harder than allowed": (
        'within = "400 ms"',
        'within = "400 ms"\naction_at_most = "warn"',
        "requirements[0].action_at_most: found",
    ),
    "a share of all": ('share = "70 %"', 'share = "100 %"', "requirements[0].share: found"),
    "two points": ('at = "high"', 'at = "high"\ngear = 3', "requirements[0].gear: found 3"),
    "no point": ('at = "high"\n', "", "requirements[0].at: missing, expected a point (spool"),
    "no such gear": ('at = "high"', "gear = 8", "requirements[0].gear: found 8, expected a gear"),
    "boost upside down": (
        'at = "high"',
        'boost = ["150 kPa", "100 kPa"]',
        "requirements[0].boost: found",
    ),
    "magnitude": ('"pump_stop"', '"air", magnitude = "-5 %"', "faults[0].magnitude: found"),
    "channel": (
        '"pump_stop"',
        '"sensor_stuck", channel = "tank_switch"',
        "faults[0].channel: found",
    ),
    "one name twice": ('"nothing to do"', '"pump stop"', 'requirements[1].name: found "pump stop"'),
    "asks nothing": ('action_at_most = "warn"', "", "requirements[1]: found nothing asked"),
    "range upside down": (
        'name = "Quick"',
        'name = "Quick"\npopulation = { gain = ["3 %", "-3 %"] }',
        "population.gain: found a list of 2, expected values in rising order",
    ),
    "range too wide": (
        'name = "Quick"',
        'name = "Quick"\npopulation = { pump_wear = "95 %" }',
        'population.pump_wear: found "95 %", expected 0 to 90',
    ),
    "no octane": (
        'name = "Quick"',
        'name = "Quick"\npopulation = { petrol_octane = "98 RON" }',
        "population.petrol_octane: found",
    ),
    "empty": (QUICK[ROW:], "", "top level: found none, expected at least one of"),
}


@pytest.mark.parametrize("case", BAD)
def test_what_is_wrong_is_one_line(case: str) -> None:
    """File, line, key; what was found, what was expected."""
    before, after, said = BAD[case]
    assert before in QUICK
    with pytest.raises(BadInput) as caught:
        requirements(QUICK.replace(before, after, 1))
    text = str(caught.value)
    assert text.startswith("req.toml:")
    assert said in text
    assert "expected" in text
    assert "\n" not in text
