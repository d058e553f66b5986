"""The rig file: what it becomes, and the rigs that ship."""

from math import inf
from pathlib import Path

import pytest

from rules.channels import CHANNEL_NAMES, CHANNELS
from rules.facts import (
    Action,
    ChannelTerms,
    CommandKind,
    DebtTerms,
    Engine,
    FlowSensor,
    Injectors,
    Ladder,
    Limit,
    Nozzle,
    Paid,
    Pump,
)
from rules.step.from_rig import constants_of
from simulator.rig import find_rig, keys, load_rig, rig_from_text, shipped_rigs
from simulator.strict import BadInput
from tests.kit.rig_text import COMMAND, DUTY, MAP_COMMAND, SMALL, rig


def test_a_good_rig_becomes_plain_floats_with_the_defaults_of_the_facts() -> None:
    """Sections left out take the facts' own defaults, and no quantity class leaks out."""
    file = rig_from_text(SMALL, "car.toml")
    assert file.rig.flow_sensor == FlowSensor()
    assert file.rig.debt == DebtTerms()
    assert file.rig.ladder == Ladder()
    assert file.rig.limits.boost_kpa == Limit()
    assert file.rig.engine.displacement_l == 1.8
    assert file.rig.engine.ambient_kpa == 101.325
    assert file.rig.injectors.dead_time_ms == 1.0
    assert file.rig.spray.pump.regulated_kpa == inf
    assert [nozzle.rated_ml_min for nozzle in file.rig.spray.nozzles] == [315.0, 200.0]
    assert type(file.rig.paid.dry_limit_kpa) is float
    assert type(file.rig.paid.boost_kpa[0]) is float
    assert type(file.rig.flow_sensor.gain_within) is float
    assert type(file.rig.name) is str
    assert (file.time.column, file.time.factor) == ("time_s", 1.0)
    assert (file.serial.baud, file.serial.columns) == (115200, None)
    assert (file.text, file.file_name) == (SMALL, "car.toml")


def test_channel_terms_default_to_the_channels_own() -> None:
    """A bare channel table takes range and age from the channels; boost and flow may be stuck."""
    boost, delivered = rig_from_text(SMALL, "car.toml").rig.channels
    by_name = {channel.name: channel for channel in CHANNELS}
    assert (boost.low, boost.high, boost.max_age_s) == (
        by_name["boost_kpa"].low,
        by_name["boost_kpa"].high,
        by_name["boost_kpa"].max_age_s,
    )
    assert boost.stuck_after_s == 3.0
    assert delivered.stuck_after_s == 0.5


OPTIONS = """\
plausible = ["5 mL/min", "1.5 L/min"]
max_age = "150 ms"
stuck_after = "0.7 s"
[flow_sensor]
transport_delay = "70 ms"
transport_delay_within = "30 ms"
lag = "90 ms"
lag_within = "20 ms"
gain_within = "9 %"
noise = "3 %"
noise_lasts = "60 ms"
floor = "25 mL/min"
refresh = "200 ms"
[debt]
false_pull_every = "40 h"
cut = "0.5 s"
cut_volume = "2 mL"
[ladder]
margin = 1.5
step = "0.25 deg"
max_retard = "15 deg"
shortfall_outlasts = "1.1 s"
release_below = "60 kPa"
release_after = "3 s"
acknowledge_to_release = true
on_blind = "warn"
blind_after = "400 ms"
[serial]
baud = 9600
columns = ["delivered_ml_min", "boost_kpa"]
"""


def test_everything_that_is_given_reaches_the_facts() -> None:
    """Each optional key, at a value that isn't its default, and equal bounds are in order."""
    text = rig(
        "[spray]\n",
        '[spray]\ncheck_valve = "30 kPa"\ntank = "4 L"\n',
        OPTIONS,
    )
    text = text.replace(
        "cylinders = 4",
        'cylinders = 5\nvolumetric_efficiency_pct = 80\nambient_pressure = "95 kPa"',
    )
    text = text.replace(
        '"650 mL/min"\n',
        '"650 mL/min"\nrated_pressure = "2.7 bar"\n'
        'fuel_pressure = "350 kPa"\ndead_time = "0.5 ms"\n',
    )
    text = text.replace('"200 mL/min"\n', '"200 mL/min"\ncount = 3\n')
    text = text.replace('"3000 mL/min"\n', '"3000 mL/min"\nregulated = "900 kPa"\nripple = "5 %"\n')
    file = rig_from_text(text, "car.toml")
    assert file.rig.engine == Engine(1.8, 5, 7000.0, 0.8, 95.0)
    assert file.rig.injectors == Injectors(4, 650.0, 270.0, 350.0, 0.5)
    assert file.rig.spray.nozzles == (Nozzle(315.0, 690.0, 1), Nozzle(200.0, 690.0, 3))
    assert file.rig.spray.pump == Pump(1400.0, 3000.0, 900.0, ripple_share=0.05)
    spray = file.rig.spray
    assert (spray.check_valve_kpa, spray.tank_ml) == (30.0, 4000.0)
    assert file.rig.flow_sensor == FlowSensor(
        delay_s=0.07,
        delay_within_s=0.03,
        lag_s=0.09,
        lag_within_s=0.02,
        gain_within=0.09,
        noise=0.03,
        noise_lasts_s=0.06,
        floor_ml_min=25.0,
        refresh_s=0.2,
    )
    assert file.rig.paid == Paid((60.0, 170.0), (0.0, 6.0), 100.0)
    assert file.rig.debt == DebtTerms(false_pull_every_h=40.0, cut_s=0.5, cut_ml=2.0)
    assert file.rig.ladder == Ladder(1.5, 0.25, 15.0, 1.1, 60.0, 3.0, True, Action.WARN, 0.4)
    assert file.rig.channels[1] == ChannelTerms("delivered_ml_min", 5.0, 1500.0, 0.15, 0.7)
    assert (file.serial.baud, file.serial.columns) == (9600, ("delivered_ml_min", "boost_kpa"))


@pytest.mark.parametrize(
    ("command", "more", "kind"),
    [
        ('kind = "log_flow"\n', "[channels.commanded_ml_min]\n", CommandKind.LOG_FLOW),
        ('kind = "log_percent"\n', "[channels.command_pct]\n", CommandKind.LOG_PERCENT),
        ('kind = "fixed"\n', "", CommandKind.FIXED),
        ('kind = "fixed"\nrate = "400 cc/min"\n', "", CommandKind.FIXED),
        ('kind = "boost"\nfull_boost = "150 kPa"\n', "", CommandKind.BOOST),
        (
            'kind = "injector_duty"\nstart_duty = "30 %"\nfull_duty = "85 %"\n',
            DUTY,
            CommandKind.INJECTOR_DUTY,
        ),
        (MAP_COMMAND.replace('start_boost = "60 kPa"\n', ""), DUTY, CommandKind.MAP),
    ],
)
def test_every_command_kind_loads(command: str, more: str, kind: CommandKind) -> None:
    """Each usual kind of spray control has its own keys and reaches the facts."""
    text = rig(COMMAND, command + 'start_boost = "60 kPa"\n', more)
    loaded = rig_from_text(text, "car.toml").rig.command
    assert loaded.kind is kind
    assert loaded.start_boost_kpa == 60.0
    assert loaded.rate_ml_min == (400.0 if "rate" in command else inf)
    assert loaded.full_boost_kpa == (150.0 if kind is CommandKind.BOOST else inf)
    assert loaded.full_duty_pct == (85.0 if kind is CommandKind.INJECTOR_DUTY else 100.0)
    assert loaded.map_pct == (((0.0, 50.0), (50.0, 100.0)) if kind is CommandKind.MAP else ())


@pytest.mark.parametrize(
    ("debt", "lesser_s"),
    [
        ('cut = "0.5 s"', 0.5),
        ('cut = "0.5 s"\ncut_volume = "90 mL"', 0.5),
        ('cut = "60 s"\ncut_volume = "3 mL"', None),
        ('cut_volume = "90 mL"', DebtTerms().cut_s),
    ],
)
def test_of_two_cuts_the_lesser_counts(debt: str, lesser_s: float | None) -> None:
    """Seconds of full flow or a volume, whichever is less; the one not written has its default."""
    k = constants_of(rig_from_text(f"{SMALL}[debt]\n{debt}\n", "car.toml").rig)
    assert k.cut_ml == (3.0 if lesser_s is None else lesser_s * k.full_ml_min / 60.0)


def test_an_unboosted_engine_releases_below_ambient() -> None:
    """Spray that starts under 0 kPa gauge may be released lower still."""
    text = rig(
        COMMAND,
        'kind = "fixed"\nstart_boost = "-10 kPa"\n',
        '[ladder]\nrelease_below = "-30 kPa"\n',
    )
    assert rig_from_text(text, "car.toml").rig.ladder.release_below_kpa == -30.0


def test_a_limit_has_its_delay_and_its_action() -> None:
    """The key "for" reaches the facts as seconds, the word as an action."""
    text = rig(more='[limits.boost_kpa]\nabove = "26 psi"\nfor = "150 ms"\naction = "cut_boost"\n')
    limit = rig_from_text(text, "car.toml").rig.limits.boost_kpa
    assert limit.above == pytest.approx(26 * 6.894757, rel=1e-6)
    assert limit.for_s == 0.15
    assert limit.action is Action.CUT_BOOST


def test_the_tables_of_channels_are_the_channels() -> None:
    """A channel added to the rules can't be forgotten in the rig file."""
    assert keys.CHANNELS.__struct_fields__ == CHANNEL_NAMES


def test_shipped_rigs_load() -> None:
    """Every rig that ships loads, with two command kinds among them."""
    kinds = {load_rig(path).rig.command.kind for path in shipped_rigs().values()}
    assert {CommandKind.BOOST, CommandKind.MAP} <= kinds


def test_the_small_turbo_four_sprays_as_its_comment_says() -> None:
    """About 234 mL/min at 170 kPa, by the square root of pressure and inverse density."""
    spray = load_rig(find_rig("brindle")).rig.spray
    across_kpa = spray.pump.regulated_kpa - 170.0 - spray.check_valve_kpa
    total = sum(
        nozzle.count * nozzle.rated_ml_min * (across_kpa / nozzle.rated_kpa) ** 0.5
        for nozzle in spray.nozzles
    )
    assert total * (998.2 / spray.fluid_kg_m3) ** 0.5 == pytest.approx(234.0, rel=0.02)
    assert spray.methanol_mass_pct == pytest.approx(44.23, abs=0.01)


def test_the_rig_in_us_units_comes_out_metric() -> None:
    """psi, degF, gallons and an absolute column become the channels' units."""
    file = load_rig(find_rig("tarnwick"))
    assert file.rig.spray.tank_ml == pytest.approx(1.5 * 3785.412, rel=1e-6)
    assert file.rig.limits.intake_c.above == pytest.approx(71.1111, abs=1e-3)
    assert file.columns["boost_kpa"].offset == pytest.approx(-101.3529, abs=1e-3)
    assert file.time.factor == 0.001
    assert file.serial.columns is not None
    assert all(column.column in file.serial.columns for column in file.columns.values())


def test_find_rig_takes_a_name_or_a_path(tmp_path: Path) -> None:
    """A shipped name wins, a path stands for itself, anything else names the choices."""
    assert find_rig("brindle") == shipped_rigs()["brindle"]
    own = tmp_path / "own.toml"
    assert find_rig(str(own)) == own
    with pytest.raises(BadInput, match=r'found rig "brindel", expected .*brindle, .*tarnwick'):
        find_rig("brindel")
