"""Scenario files: the shipped ones teach what they say, bad ones give one clear line."""

import itertools
from pathlib import Path

import pytest

from rules.channels import CHANNEL_NAMES, CLOCK_PACE, NOT_SENT, Sample
from simulator import logfile
from simulator.plant import Car, Do, FaultKind, run
from simulator.scenario import load_scenario, scenario_from_text, shipped_scenarios
from simulator.strict import BadInput
from tests.kit.paths import ROOT

GOOD = """\
name = "mine"
teaches = "How a file looks."
rig = "brindle"
rate = "50 Hz"
seed = 9
tank = "1 L"
peak_boost = "20 psi"
ambient = "86 degF"

[[drive]]
do = "cruise"
for = "500 ms"
gear = 3
throttle = "30 %"

[[drive]]
do = "pull"
for = "2 s"

[[faults]]
kind = "clogged_nozzle"
at = "1 s"
above_boost = "1 bar"
magnitude = "25 %"
ramp = "200 ms"
for = "1 s"
"""


def drive(name: str) -> tuple[list[Sample], list[tuple[float, float]]]:
    """Drive a shipped scenario; return its samples, and time and missing share of each."""
    scenario = load_scenario(name)
    car = Car(scenario.rig, scenario, scenario.seed)
    samples: list[Sample] = []
    missing: list[tuple[float, float]] = []
    while not car.finished:
        samples += car.step(0.0, float("inf"))
        missing.append((float(car.state.time_s), float(car.state.missing)))
    return samples, missing


def test_every_key_arrives_in_its_unit() -> None:
    """A file with every key becomes plain floats in the units of the plant."""
    scenario = scenario_from_text(GOOD, "mine.toml")
    assert (scenario.rate_hz, scenario.seed, scenario.tank_ml) == (50.0, 9, 1000.0)
    assert scenario.peak_boost_kpa == pytest.approx(137.895, abs=0.01)
    assert scenario.ambient_c == pytest.approx(30.0)
    assert scenario.duration_s == 2.5
    step = scenario.drive[0]
    assert (step.do, step.for_s, step.gear, step.throttle_pct) == (Do.CRUISE, 0.5, 3, 30.0)
    fault = scenario.faults[0]
    assert fault.kind is FaultKind.CLOGGED_NOZZLE
    assert (fault.at_s, fault.above_boost_kpa, fault.magnitude) == (1.0, 100.0, 0.25)
    assert (fault.ramp_s, fault.for_s) == (0.2, 1.0)
    assert len(list(run(scenario))) == 125


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[[drive]]", "[[drive", "mine.toml:10:"),
        ('for = "2 s"', 'for = "2 kPa"', "mine.toml:18: drive[1].for:"),
        ('for = "2 s"', 'for = "0 s"', "more than 0 s"),
        ('for = "2 s"', 'for = "25 h"', "at most 24 h"),
        ('do = "pull"', 'do = "race"', '"pull"'),
        ('do = "pull"', 'do = "lift"\ngear = 3', "mine.toml:18: drive[1].gear:"),
        ('throttle = "30 %"', 'throttle = "130 %"', "drive[0].throttle:"),
        ("gear = 3", "gear = 9", "drive[0].gear:"),
        ("gear = 3", "gears = 3", '"gear"'),
        ("gear = 3", "gear = 7", "mine.toml:13: drive[0].gear: found 7, expected a gear Brindle"),
        ('at = "1 s"', 'at = "1 s"\ngear = 8', "faults[0].gear:"),
        ('at = "1 s"', 'at = "1 s"\nchannel = "boost_kpa"', "except for a fault of a sensor"),
        (
            'kind = "clogged_nozzle"',
            'kind = "sensor_stuck"\nchannel = "dry_intake_c"',
            "faults[0].channel:",
        ),
        ('rate = "50 Hz"', "rate = 50", '"100 Hz"'),
        ('rate = "50 Hz"', 'rate = "2 Hz"', "5 to 1000 Hz"),
        ("seed = 9", "seed = -1", "seed:"),
        ('rig = "brindle"', 'rig = "nosuch"', "mine.toml:3: rig:"),
        ('kind = "clogged_nozzle"', 'kind = "gremlin"', "faults[0].kind:"),
        ('at = "1 s"', 'at = "3 s"', "less than the drive's 2.5 s"),
        ('magnitude = "25 %"', 'magnitude = "125 %"', "0 % to 100 %"),
        ('peak_boost = "20 psi"', 'peak_boost = "90 psi"', "0 kPa to 400 kPa"),
        ('ambient = "86 degF"', 'ambient = "300 degF"', "-30 degC to 60 degC"),
        ('name = "mine"', 'name = "mi\\u001b[2Jne"', "mine.toml:1: name:"),
        ('ramp = "200 ms"\nfor = "1 s"', 'for = "0 s"', "faults[0].for:"),
    ],
)
def test_bad_files_give_one_line(old: str, new: str, words: str) -> None:
    """Each mistake is one line naming file, line or key and what is expected."""
    assert GOOD.count(old) >= 1
    with pytest.raises(BadInput) as caught:
        scenario_from_text(GOOD.replace(old, new), "mine.toml")
    message = str(caught.value)
    assert words in message
    assert message.startswith("mine.toml")
    assert "expected" in message
    assert "\n" not in message
    assert "\x1b" not in message


def test_an_empty_drive_is_refused() -> None:
    """A scenario needs at least one step."""
    with pytest.raises(BadInput, match="drive"):
        scenario_from_text('name = "a"\nteaches = "b"\nrig = "brindle"\ndrive = []\n', "a.toml")


def test_unknown_names_and_missing_files_give_one_line(tmp_path: Path) -> None:
    """A wrong name lists the shipped ones; a missing file says so."""
    with pytest.raises(BadInput, match="pump_stop"):
        load_scenario("pumpstop")
    with pytest.raises(BadInput, match=r"none\.toml"):
        load_scenario(tmp_path / "none.toml")


def test_a_rig_beside_the_scenario_is_found(tmp_path: Path) -> None:
    """A relative rig path counts from the scenario's own folder."""
    text = (ROOT / "simulator/rigs/brindle.toml").read_text()
    (tmp_path / "my-car.toml").write_text(text.replace("Brindle 1.8", "My car"))
    (tmp_path / "mine.toml").write_text(GOOD.replace('"brindle"', '"my-car.toml"'))
    assert load_scenario(tmp_path / "mine.toml").rig.name == "My car"


def test_shipped_scenarios_load_and_are_named_after_their_files() -> None:
    """Every shipped scenario loads under its own name, and each kind of fault is used by some."""
    used = set()
    for name in shipped_scenarios():
        scenario = load_scenario(name)
        assert scenario.name == name
        used |= {fault.kind for fault in scenario.faults}
    assert used == set(FaultKind)


@pytest.mark.parametrize("name", ["healthy_pulls", "part_throttle", "wire_noise"])
def test_healthy_scenarios_lack_no_spray(name: str) -> None:
    """Spray flows in them, none of it is missing, and knock is a lone light combustion at most."""
    samples, missing = drive(name)
    assert max(share for _, share in missing) < 0.03
    assert sum(s.delivered_ml_min > 40.0 for s in samples) > 200
    # The controller takes back one degree for a combustion it hears.
    assert max(s.knock for s in samples if s.knock < 100.0) <= 1.6


def test_healthy_pulls_shift_and_pull_often() -> None:
    """About two minutes hold at least eight pulls to full boost in several gears."""
    scenario = load_scenario("healthy_pulls")
    assert 110.0 < scenario.duration_s < 130.0
    pulls = [step for step in scenario.drive if step.do is Do.PULL]
    assert len(pulls) >= 8
    assert len({step.gear for step in pulls}) >= 3
    boost = [s.boost_kpa for s in run(scenario)]
    full = [b > 150.0 for b in boost]
    assert sum(b and not a for a, b in itertools.pairwise(full)) >= 8


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("pump_stop", 0.99, 1.0),
        ("empty_tank", 0.99, 1.0),
        ("pump_fade", 0.25, 0.7),
        ("clogged_nozzle", 0.3, 0.41),
        ("sensor_stuck", 0.0, 0.02),
    ],
)
def test_faulty_scenarios_lack_what_they_say(name: str, low: float, high: float) -> None:
    """Nothing is missing before the onset; at the end of that pull the stated share is."""
    _, missing = drive(name)
    onset_s = load_scenario(name).faults[0].at_s
    assert max(share for time_s, share in missing if time_s <= onset_s) < 0.03
    assert low <= max(share for time_s, share in missing if 15.5 < time_s < 16.4) <= high


def test_the_demo_is_over_before_anyone_looks_away() -> None:
    """A healthy pull from 2 s, a second one from 10 s, the pump stops at full boost at 13 s."""
    scenario = load_scenario("pump_stop")
    assert 22.0 <= scenario.duration_s <= 26.0
    samples = list(run(scenario))
    first = [s for s in samples if 2.0 < s.time_s < 8.0]
    assert max(s.delivered_ml_min for s in first) > 200.0
    assert max(s.knock for s in first) <= 0.5
    stop = next(s for s in samples if s.time_s >= 13.0)
    assert stop.boost_kpa == pytest.approx(170.0, rel=0.04)
    assert max(s.knock for s in samples if 13.0 < s.time_s < 14.0) > 3.0


def test_brindle_emits_what_it_maps() -> None:
    """Every mapped channel is sent, no other, and all lie within the rig's plausible range."""
    scenario = load_scenario("healthy_pulls")
    names = logfile.mapped(scenario.rig)
    terms = {terms.name: terms for terms in scenario.rig.channels}
    for sample in run(scenario):
        for name, value in zip(CHANNEL_NAMES, sample[1:CLOCK_PACE], strict=True):
            if name in names:
                assert terms[name].low <= value <= terms[name].high
            else:
                assert value == NOT_SENT
