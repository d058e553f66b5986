"""The command law, where the rig only guesses it: told from the flow, or from a logged command."""

from dataclasses import replace
from math import inf

import numpy as np
import pytest

from rules.channels import CHANNEL_NAMES, COLUMN_OF
from rules.facts import Command, CommandKind, Rig
from simulator.identify import Series, identify
from simulator.identify.command_law import law_of
from simulator.plant import Spread as PlantSpread
from simulator.rig import find_rig, load_rig
from tests.bench.healthy.car import Spread, rows_for
from tests.bench.healthy.drive import make_drive
from tests.kit.plant_logs import log_of, pulls, rows_of

OF_RIG = {
    "brindle": CommandKind.BOOST,
    "tarnwick": CommandKind.MAP,
    "wexmoor": CommandKind.INJECTOR_DUTY,
    "ullesby": CommandKind.FIXED,
}


def healthy(rig: Rig, *without: str) -> Series:
    """Return two minutes of healthy driving, less some columns."""
    rng = np.random.default_rng(3)
    rows = rows_for(rng, rig, make_drive(rng, rig, 120.0), Spread(50.0))
    read = {name: rows[:, COLUMN_OF[name]] for name in CHANNEL_NAMES if name not in without}
    return Series(rows[:, 0], {n: np.where(np.isfinite(c), c, np.nan) for n, c in read.items()})


@pytest.mark.parametrize("name", OF_RIG)
def test_law_is_told_from_the_flow(name: str) -> None:
    """Of each shipped rig's kind, its numbers within 3 kPa and 3 %, and the rig's own holds."""
    rig = load_rig(find_rig(name)).rig
    law = law_of([healthy(rig, "commanded_ml_min", "command_pct")], rig)
    assert not isinstance(law, str)
    assert law.command.kind is OF_RIG[name]
    assert law.rig_holds
    assert not law.by_log
    truths = {
        "command.start_boost": rig.command.start_boost_kpa,
        "command.full_boost": rig.command.full_boost_kpa,
        "command.start_duty": rig.command.start_duty_pct,
        "command.full_duty": rig.command.full_duty_pct,
    }
    for number in law.numbers:
        assert number.value == pytest.approx(truths[number.key], abs=3.0)


def test_a_switch_too_low_with_a_delay_too_long_does_not_oust_the_rigs_own() -> None:
    """Boost rises through it: 35 kPa explains this log with 105 ms, and the rig's 40 with 89."""
    rig = load_rig(find_rig("ullesby")).rig
    car = replace(pulls(rig, 10), spread=PlantSpread(0.0904, 0.1298, 0.0, 0.035))
    found = identify([log_of(rows_of(car, 7))], rig)
    assert found.law is not None
    assert found.law.rig_holds
    delay = found.numbers["flow_sensor.transport_delay"].value
    assert delay == pytest.approx(0.0904, abs=0.004)


def test_wrong_law_of_the_rig_is_said_and_not_used() -> None:
    """A rig that says the spray is switched, and a car whose spray follows boost."""
    rig = load_rig(find_rig("brindle")).rig
    log = healthy(rig, "commanded_ml_min", "command_pct")
    wrong = replace(rig, command=Command(CommandKind.FIXED, 60.0))
    found = identify([log], wrong)
    assert found.law is not None
    assert not found.law.rig_holds
    assert any("[command] doesn't explain" in doubt for doubt in found.doubts)
    delay = found.numbers["flow_sensor.transport_delay"].value
    assert delay == pytest.approx(rig.flow_sensor.delay_s, abs=0.02)
    start = found.numbers["command.full_boost"].value
    assert start == pytest.approx(160.0, abs=3.0)


def test_logged_command_tells_the_law_without_delay() -> None:
    """Where the log has the command, the law is that of it."""
    rig = load_rig(find_rig("brindle")).rig
    law = law_of([healthy(rig)], rig)
    assert not isinstance(law, str)
    assert law.by_log
    assert law.command.kind is CommandKind.BOOST
    assert law.command.full_boost_kpa == pytest.approx(160.0, abs=1.5)


def test_log_without_spray_says_so() -> None:
    """No flow, no law."""
    rig = load_rig(find_rig("brindle")).rig
    log = healthy(rig, "commanded_ml_min", "command_pct")
    silent = Series(log.t_s, {**log.columns, "delivered_ml_min": np.zeros(len(log.t_s))})
    assert law_of([silent], rig) == (
        "not enough in this log: neither command nor flow beside boost; the rig's [command] is used"
    )


def test_a_pump_by_speed_tells_its_law_by_percent_alone() -> None:
    """What a share of its speed gives needs no pump's curve then, and the rig's law holds."""
    rig = load_rig(find_rig("wexmoor")).rig
    pump = replace(rig.spray.pump, follows_command=True, regulated_kpa=inf)
    speed = replace(rig, spray=replace(rig.spray, pump=pump))
    log = healthy(rig, "commanded_ml_min", "delivered_ml_min")
    law = law_of([log], speed)
    assert not isinstance(law, str)
    assert law.rig_holds
    assert "a command in percent alone" in str(law_of([healthy(rig, "command_pct")], speed))


def test_numbers_that_nobody_set_are_put_right() -> None:
    """A draft guessed full duty too low, so that the flow seems to read low; both ways say why."""
    rig = load_rig(find_rig("wexmoor")).rig
    log = healthy(rig, "commanded_ml_min", "command_pct")
    truth = rig.command.full_duty_pct
    wrong = replace(rig, command=replace(rig.command, full_duty_pct=truth - 10.0))
    found = identify([log], wrong, guessed=True)
    assert found.law is not None
    assert not found.law.rig_holds
    assert found.law.command.full_duty_pct == pytest.approx(truth, abs=2.0)
    assert found.numbers["flow_sensor.gain"].value == pytest.approx(1.0, abs=0.02)
    assert any("as well as start_boost = " in doubt for doubt in found.doubts)
    near = replace(rig, command=replace(rig.command, full_duty_pct=truth - 8.0))
    said = identify([log], near)
    assert said.law is not None
    assert said.law.rig_holds
    assert any("rather [command] full_duty: the log says " in doubt for doubt in said.doubts)


def test_a_good_guess_stays() -> None:
    """Where it explains the log as well as the best numbers of its kind."""
    rig = load_rig(find_rig("wexmoor")).rig
    law = law_of([healthy(rig, "commanded_ml_min", "command_pct")], rig, guessed=True)
    assert not isinstance(law, str)
    assert law.rig_holds
