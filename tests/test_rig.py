"""The rig file: what loads, what it becomes, and one clear line for everything that is wrong."""

from itertools import pairwise
from math import inf, isfinite
from pathlib import Path

import msgspec
import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.channels import CHANNEL_NAMES, CHANNELS
from rules.facts import (
    Action,
    ChannelTerms,
    CommandKind,
    DebtTerms,
    Engine,
    Injectors,
    Ladder,
    Limit,
    Nozzle,
    Paid,
    Pump,
)
from simulator import strict
from simulator.rig import find_rig, load_rig, rig_from_text, shipped_rigs
from simulator.rig.columns import quantity_of
from simulator.rig.mix import density_kg_m3, mass_pct
from simulator.rig.tables import ChannelsTable
from simulator.strict import BadInput, decode_bytes, decode_toml, read_text

SMALL = """\
name = "Small"
[engine]
displacement = "1.8 L"
cylinders = 4
redline = "7000 rpm"
[injectors]
count = 4
rated_flow = "650 mL/min"
[spray]
methanol_by_volume_pct = 50
[[spray.nozzles]]
rated_flow = "315 mL/min"
rated_pressure = "690 kPa"
[[spray.nozzles]]
rated_flow = "200 mL/min"
rated_pressure = "690 kPa"
[spray.pump]
shut_off = "1400 kPa"
free_flow = "3000 mL/min"
[command]
kind = "boost"
start_boost = "60 kPa"
full_boost = "150 kPa"
[paid]
boost = ["60 kPa", "170 kPa"]
timing = ["0 deg", "6 deg"]
dry_limit = "100 kPa"
[channels.boost_kpa]
[channels.delivered_ml_min]
"""
MAP_COMMAND = """\
kind = "map"
start_boost = "60 kPa"
map_boost = ["60 kPa", "150 kPa"]
map_duty = ["20 %", "80 %"]
map_pct = [[0, 50], [50, 100]]
"""
COMMAND = 'kind = "boost"\nstart_boost = "60 kPa"\nfull_boost = "150 kPa"\n'
DUTY = "[channels.injector_duty_pct]\n"


def rig(old: str = "", new: str = "", more: str = "") -> str:
    """Return the small rig with one passage replaced and something added."""
    assert SMALL.count(old) >= 1
    return SMALL.replace(old, new, 1) + more


def complaint(text: str) -> str:
    """Return the one line that a wrong rig is answered with."""
    with pytest.raises(BadInput) as caught:
        rig_from_text(text, "car.toml")
    message = str(caught.value)
    assert len(message.splitlines()) == 1
    assert message.isprintable()
    return message


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        pytest.param(
            rig("cylinders = 4", "cylinders 4"),
            ("car.toml:4: ", 'found "cylinders 4"', "valid TOML", "Expected '='"),
            id="syntax",
        ),
        pytest.param(rig(more='[time]\ncolumn = "a'), ("car.toml:31: ", "valid TOML"), id="end"),
        pytest.param(
            rig("cylinders", "cylindres"),
            ("car.toml:4: engine.cylindres: ", "an unknown key", 'expected "cylinders"'),
            id="unknown",
        ),
        pytest.param(
            rig(more="[chanels.knock]\n"),
            ("car.toml:30: chanels: ", 'expected "channels"'),
            id="unknown-table",
        ),
        pytest.param(
            rig(more='[channels.boost]\ncolumn = "b"\n'),
            ("car.toml:30: channels.boost: ", 'expected "boost_kpa"'),
            id="unknown-channel",
        ),
        pytest.param(
            rig('redline = "7000 rpm"\n', ""),
            ("car.toml:2: engine.redline: ", "found no such key", '"7000 rpm"'),
            id="missing",
        ),
        pytest.param(
            rig("[spray.pump]", "[spray.pumpe]"),
            ("car.toml:17: spray.pumpe: ", 'expected "pump"'),
            id="unknown-before-missing",
        ),
        pytest.param(
            rig("cylinders = 4", 'cylinders = "four"'),
            ('car.toml:4: engine.cylinders: found "four"', "a whole number from 1 to 16"),
            id="type",
        ),
        pytest.param(
            rig("cylinders = 4", "cylinders = 400"),
            ("car.toml:4: engine.cylinders: found 400", "from 1 to 16"),
            id="range",
        ),
        pytest.param(
            rig("cylinders = 4", "cylinders = true"),
            ("car.toml:4: engine.cylinders: found true", "whole number"),
            id="bool",
        ),
        pytest.param(
            rig('"1400 kPa"', "1400"),
            (
                "car.toml:18: spray.pump.shut_off: found 1400, ",
                'expected text with a pressure unit such as "300 kPa"',
            ),
            id="bare-number",
        ),
        pytest.param(
            rig('"1400 kPa"', '"35 degF"'),
            ('car.toml:18: spray.pump.shut_off: found "35 degF" (a temperature unit)', "pressure"),
            id="dimension",
        ),
        pytest.param(
            rig('"1400 kPa"', '"200 PSI"'),
            ('found "200 PSI"', "closest: psi"),
            id="case",
        ),
        pytest.param(
            rig('rated_flow = "200 mL/min"', 'rated_flow = "200 furlong"'),
            ('car.toml:15: spray.nozzles[1].rated_flow: found "200 furlong"', "mL/min, "),
            id="second-nozzle",
        ),
        pytest.param(
            rig('"1400 kPa"', '"99999 kPa"'),
            ('car.toml:18: spray.pump.shut_off: found "99999 kPa"', "1 to 3000 kPa"),
            id="quantity-range",
        ),
        pytest.param(
            rig("methanol_by_volume_pct = 50", "methanol_by_volume_pct = nan"),
            ("car.toml:10: spray.methanol_by_volume_pct: found nan", "finite"),
            id="nan",
        ),
        pytest.param(
            rig(more="[ladder]\nmargin = 1e999\n"),
            ("car.toml:31: ladder.margin: found inf", "finite"),
            id="inf",
        ),
        pytest.param(
            rig('["0 deg", "6 deg"]', "[]"),
            ("car.toml:26: paid.timing: found a list of 0", "a list of 1 to 64"),
            id="empty",
        ),
        pytest.param(
            rig('["60 kPa", "170 kPa"]', '[\n "170 kPa",\n "60 kPa"]'),
            ('car.toml:27: paid.boost[1]: found "60 kPa"', "ascending", "more than 170 kPa"),
            id="axis",
        ),
        pytest.param(
            rig('["0 deg", "6 deg"]', '["0 deg"]'),
            ("car.toml:26: paid.timing: found a list of 1", "a list of 2"),
            id="lengths",
        ),
        pytest.param(
            rig(more='plausible = ["900 mL/min", "10 mL/min"]\n'),
            ("car.toml:30: channels.delivered_ml_min.plausible: found 900 to 10 mL/min", "below"),
            id="low-high",
        ),
        pytest.param(
            rig(more='plausible = ["0 mL/min", "10 kPa"]\n'),
            ("car.toml:30: channels.delivered_ml_min.plausible[1]: ", "(a pressure unit)"),
            id="plausible-unit",
        ),
        pytest.param(
            rig(more='plausible = ["0 mL/min"]\n'),
            ("car.toml:30: channels.delivered_ml_min.plausible: found a list of 1", "list of 2"),
            id="plausible-one",
        ),
        pytest.param(
            rig(more='unit = "psi"\n'),
            ('car.toml:30: channels.delivered_ml_min.unit: found "psi" (a pressure unit)', "flow"),
            id="column-unit",
        ),
        pytest.param(
            rig(more="absolute = true\n"),
            ("car.toml:30: channels.delivered_ml_min.absolute: found true", "pressure"),
            id="absolute-flow",
        ),
        pytest.param(
            rig("[channels.delivered_ml_min]\n", ""),
            ("car.toml:28: channels.delivered_ml_min: found no such channel", "the debt is"),
            id="no-delivered",
        ),
        pytest.param(
            rig(COMMAND, 'kind = "log_flow"\nstart_boost = "60 kPa"\n'),
            ("channels.commanded_ml_min: ", 'command kind "log_flow" reads'),
            id="no-commanded",
        ),
        pytest.param(
            rig(COMMAND, 'kind = "log_percent"\nstart_boost = "60 kPa"\n'),
            ("channels.command_pct: ", 'command kind "log_percent" reads'),
            id="no-percent",
        ),
        pytest.param(
            rig(COMMAND, MAP_COMMAND),
            ("channels.injector_duty_pct: ", 'command kind "map" reads'),
            id="no-duty",
        ),
        pytest.param(
            rig('kind = "boost"', 'kind = "fixed"'),
            ("car.toml:23: command.full_boost: found an unknown key", "start_boost, rate, kind"),
            id="kind-extra",
        ),
        pytest.param(
            rig('full_boost = "150 kPa"\n', ""),
            ("car.toml:20: command.full_boost: found no such key", "pressure"),
            id="kind-lacks",
        ),
        pytest.param(
            rig('kind = "boost"', 'kind = "magic"'),
            ('car.toml:21: command.kind: found "magic"', '"log_flow"', '"map"'),
            id="kind-unknown",
        ),
        pytest.param(
            rig('kind = "boost"\n', ""),
            ("car.toml:20: command.kind: found no such key", '"fixed"'),
            id="kind-missing",
        ),
        pytest.param(
            rig('full_boost = "150 kPa"', 'full_boost = "8 psi"'),
            ('car.toml:23: command.full_boost: found "8 psi"', "more than start_boost"),
            id="boost-order",
        ),
        pytest.param(
            rig(
                COMMAND,
                'kind = "injector_duty"\nstart_boost = "1 kPa"\n'
                'start_duty = "50 %"\nfull_duty = "50 %"\n',
                DUTY + '[ladder]\nrelease_below = "1 kPa"\n',
            ),
            ("car.toml:24: command.full_duty: ", "more than start_duty"),
            id="duty-order",
        ),
        pytest.param(
            rig(COMMAND, MAP_COMMAND.replace("[50, 100]", "[50]"), DUTY),
            ("car.toml:25: command.map_pct[1]: found a list of 1", "a list of 2"),
            id="map-row",
        ),
        pytest.param(
            rig(COMMAND, MAP_COMMAND.replace(", [50, 100]", ", [50, 100], [1, 2]"), DUTY),
            ("car.toml:25: command.map_pct: found a list of 3", "a list of 2"),
            id="map-rows",
        ),
        pytest.param(
            rig(COMMAND, MAP_COMMAND.replace('"20 %"', '"80 %"'), DUTY),
            ("car.toml:24: command.map_duty[1]: ", "more than 80 %"),
            id="map-axis",
        ),
        pytest.param(
            rig(COMMAND, MAP_COMMAND.replace("100]", "101]"), DUTY),
            ("car.toml:25: command.map_pct[1][1]: found 101", "to 100"),
            id="map-value",
        ),
        pytest.param(
            rig(more='[debt]\nwarn = "1 mL"\n'),
            ("car.toml:30: debt.pull: found its default", "warn <= pull <= cut (now 1, 0.8, 5 mL)"),
            id="debt-order",
        ),
        pytest.param(
            rig(more='[debt]\ncut = "0.5 mL"\n'),
            ('car.toml:31: debt.cut: found "0.5 mL"', "warn <= pull <= cut"),
            id="debt-cut",
        ),
        pytest.param(
            rig(more='[debt]\nwarn = "0 mL"\n'),
            ('car.toml:31: debt.warn: found "0 mL"', "more than 0 mL"),
            id="debt-nil",
        ),
        pytest.param(
            rig(more='[ladder]\non_blind = "hold"\n'),
            (
                'car.toml:31: ladder.on_blind: found "hold"',
                '"cut_boost" or "pull_timing" or "warn"',
            ),
            id="on-blind",
        ),
        pytest.param(
            rig(more='[ladder]\nrelease_below = "70 kPa"\n'),
            ("car.toml:31: ladder.release_below: ", "at most command.start_boost, 60 kPa"),
            id="release-high",
        ),
        pytest.param(
            rig(more='[ladder]\nrelease_below = "0 kPa"\n'),
            ("car.toml:31: ladder.release_below: ", "never be released"),
            id="release-never",
        ),
        pytest.param(
            rig('start_boost = "60 kPa"', 'start_boost = "10 kPa"'),
            ("ladder.release_below: found its default 20 kPa", "at most command.start_boost"),
            id="release-default",
        ),
        pytest.param(
            rig('dry_limit = "100 kPa"', 'dry_limit = "170 kPa"'),
            ("car.toml:27: paid.dry_limit: ", "less than the highest paid boost, 170 kPa"),
            id="dry-limit",
        ),
        pytest.param(
            rig('"1400 kPa"', '"170 kPa"'),
            ('car.toml:18: spray.pump.shut_off: found "170 kPa"', "more than 170 kPa"),
            id="pump-weak",
        ),
        pytest.param(
            rig('free_flow = "3000 mL/min"', 'free_flow = "3 L/min"\nregulated = "1 bar"'),
            ('car.toml:20: spray.pump.regulated: found "1 bar"', "more than 170 kPa"),
            id="pump-regulated",
        ),
        pytest.param(
            rig(more='column = "boost_kpa"\n'),
            (
                "car.toml:30: channels.delivered_ml_min.column: ",
                "(channels.boost_kpa has this one)",
            ),
            id="one-column",
        ),
        pytest.param(
            rig(more='column = "time_s"\n'),
            ("car.toml:30: channels.delivered_ml_min.column: ", "(time has this one)"),
            id="time-column",
        ),
        pytest.param(
            rig(more='[serial]\ncolumns = ["boost_kpa", "x"]\n'),
            ("car.toml:31: serial.columns: ", '"delivered_ml_min" among them'),
            id="serial-lacks",
        ),
        pytest.param(
            rig(more='[serial]\ncolumns = ["boost_kpa", "delivered_ml_min", "boost_kpa"]\n'),
            ("car.toml:31: serial.columns[2]: ", "each column once"),
            id="serial-twice",
        ),
        pytest.param(
            rig(more='[limits.intake_c]\nabove = "70 degC"\n'),
            ("car.toml:30: limits.intake_c: found a limit alone", "channels.intake_c"),
            id="limit-alone",
        ),
        pytest.param(
            rig(more='[limits.boost_kpa]\nfor = "1 s"\n'),
            ("car.toml:30: limits.boost_kpa.above: found no such key", "pressure"),
            id="limit-above",
        ),
        pytest.param(
            rig(more='[channels.knock]\nunit = "V"\n[limits.knock]\nabove = "4 deg"\n'),
            ('car.toml:33: limits.knock.above: found "4 deg"', '"V"'),
            id="knock-unit",
        ),
        pytest.param(
            rig('"Small"', '"S\\u001b]0;x"'),
            ('car.toml:1: name: found "S]0;x"', "printable characters"),
            id="control",
        ),
        pytest.param(
            rig('"Small"', f'"{"x" * 500}"'),
            ('car.toml:1: name: found "xxxx', 'x…"', "1 to 120 printable"),
            id="long",
        ),
        pytest.param("x=" + "[" * 4000, ("car.toml:1: ", "nested too deeply"), id="deep"),
        pytest.param("\n#" + "a" * 4096, ("car.toml:2: ", "at most 4096"), id="long-line"),
        pytest.param("a" + ".a" * 101 + "=1", ("car.toml:1: ", "101 dots"), id="dots"),
        pytest.param("#\n" * 500_001, ("car.toml:1: found 1000002 bytes",), id="size"),
        pytest.param("a = 1\n#\ud800", ("car.toml:2: ", "UTF-8"), id="surrogate"),
        pytest.param("x = " + "9" * 4000, ("car.toml:1: x: found an unknown key",), id="digits"),
    ],
)
def test_every_mistake_is_one_line_with_file_line_and_key(
    text: str, parts: tuple[str, ...]
) -> None:
    """Each class of mistake names its line, its key, what was found and what is expected."""
    message = complaint(text)
    for part in parts:
        assert part in message, message
    assert message.startswith("car.toml:")
    assert "expected" in message
    assert len(message) < 500


@pytest.mark.parametrize(
    "text",
    ["nan kPa", "inf kPa", "1_000 kPa", "1,5 kPa", "kPa", "", "٣ kPa", "0x10 kPa", "1 kPa x"],
)
def test_only_plain_decimal_numbers_are_quantities(text: str) -> None:
    """What float() would take, or a comma, is no number here."""
    message = complaint(rig('"1400 kPa"', f'"{text}"'))
    assert message.startswith("car.toml:18: spray.pump.shut_off: found ")
    assert 'pressure unit such as "300 kPa"' in message


def test_a_good_rig_becomes_plain_floats_with_the_defaults_of_the_facts() -> None:
    """Sections left out take the facts' own defaults, and no quantity class leaks out."""
    file = rig_from_text(SMALL, "car.toml")
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
    assert type(file.rig.debt.share) is float
    assert type(file.rig.name) is str
    assert (file.time.column, file.time.factor) == ("time_s", 1.0)
    assert (file.serial.baud, file.serial.columns) == (115200, None)
    assert (file.text, file.file_name) == (SMALL, "car.toml")


def test_channel_terms_default_to_the_channels_own() -> None:
    """A bare channel table takes range and age from the channels; only flow may be stuck."""
    boost, delivered = rig_from_text(SMALL, "car.toml").rig.channels
    by_name = {channel.name: channel for channel in CHANNELS}
    assert (boost.low, boost.high, boost.max_age_s) == (
        by_name["boost_kpa"].low,
        by_name["boost_kpa"].high,
        by_name["boost_kpa"].max_age_s,
    )
    assert boost.stuck_after_s == inf
    assert delivered.stuck_after_s == 0.5


OPTIONS = """\
plausible = ["5 mL/min", "1.5 L/min"]
max_age = "150 ms"
stuck_after = "0.7 s"
[debt]
share = "9 %"
floor = "25 mL/min"
timing = "30 ms"
warn = "0.5 mL"
pull = "0.5 mL"
cut = "0.5 mL"
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
        '[spray]\ncheck_valve = "30 kPa"\ntransport_delay = "70 ms"\nlag = "90 ms"\ntank = "4 L"\n',
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
    text = text.replace('"3000 mL/min"\n', '"3000 mL/min"\nregulated = "900 kPa"\n')
    file = rig_from_text(text, "car.toml")
    assert file.rig.engine == Engine(1.8, 5, 7000.0, 0.8, 95.0)
    assert file.rig.injectors == Injectors(4, 650.0, 270.0, 350.0, 0.5)
    assert file.rig.spray.nozzles == (Nozzle(315.0, 690.0, 1), Nozzle(200.0, 690.0, 3))
    assert file.rig.spray.pump == Pump(1400.0, 3000.0, 900.0)
    spray = file.rig.spray
    assert (spray.check_valve_kpa, spray.transport_delay_s, spray.lag_s, spray.tank_ml) == (
        30.0,
        0.07,
        0.09,
        4000.0,
    )
    assert file.rig.paid == Paid((60.0, 170.0), (0.0, 6.0), 100.0)
    assert file.rig.debt == DebtTerms(0.09, 25.0, 0.03, 0.5, 0.5, 0.5)
    assert file.rig.ladder == Ladder(1.5, 0.25, 15.0, 1.1, 60.0, 3.0, True, Action.WARN, 0.4)
    assert file.rig.channels[1] == ChannelTerms("delivered_ml_min", 5.0, 1500.0, 0.15, 0.7)
    assert (file.serial.baud, file.serial.columns) == (9600, ("delivered_ml_min", "boost_kpa"))


def test_the_check_valve_counts_against_the_pump() -> None:
    """A pump just above boost alone can't open the check valve as well."""
    text = rig("[spray]\n", '[spray]\ncheck_valve = "30 kPa"\n').replace("1400 kPa", "200 kPa")
    assert 'spray.pump.shut_off: found "200 kPa", expected more than 200 kPa' in complaint(text)
    rig_from_text(text.replace("200 kPa", "201 kPa"), "car.toml")


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
    assert ChannelsTable.__struct_fields__ == CHANNEL_NAMES


# Exact or handbook figures: NIST SP 811, appendix B (psi, inHg, US gallon); the rest by definition.
HANDBOOK = [
    (strict.Kpa, "1 psi", 6.894757, 1e-6),
    (strict.Kpa, "1 inHg", 3.386389, 2e-6),
    (strict.Kpa, "1 mmHg", 0.1333224, 1e-6),
    (strict.Kpa, "1.5 bar", 150.0, 1e-12),
    (strict.Kpa, "1 MPa", 1000.0, 1e-12),
    (strict.Kpa, "-300 mbar", -30.0, 1e-12),
    (strict.Kpa, "180kPa", 180.0, 1e-15),
    (strict.DegC, "212 degF", 100.0, 1e-11),
    (strict.DegC, "-40 °F", -40.0, 1e-11),
    (strict.DegC, "300 K", 26.85, 1e-12),
    (strict.DegC, "35 degC", 35.0, 1e-15),
    (strict.MlMin, "1 gal/h", 63.09020, 1e-6),
    (strict.MlMin, "550 cc/min", 550.0, 1e-15),
    (strict.MlMin, "0.5 L/min", 500.0, 1e-15),
    (strict.MlMin, "6 L/h", 100.0, 1e-14),
    (strict.Ml, "1 gal", 3785.412, 1e-6),
    (strict.Ml, "2.0 L", 2000.0, 1e-15),
    (strict.Seconds, "80 ms", 0.08, 1e-15),
    (strict.Seconds, "1.5e3 us", 0.0015, 1e-15),
    (strict.Percent, "12 %", 12.0, 1e-15),
    (strict.Percent, "12%", 12.0, 1e-15),
    (strict.Degrees, "6 deg", 6.0, 1e-15),
    (strict.Rpm, "7000 rpm", 7000.0, 1e-15),
    (strict.Volts, "13500 mV", 13.5, 1e-15),
    (strict.Plain, "0.85", 0.85, 1e-15),
]


@pytest.mark.parametrize(("kind", "text", "value", "rel"), HANDBOOK)
def test_units_agree_with_the_handbook(
    kind: type[strict.Quantity], text: str, value: float, rel: float
) -> None:
    """Quantities come out as NIST SP 811 and the units' definitions say."""
    assert kind.from_toml(text) == pytest.approx(value, rel=rel)


@pytest.mark.parametrize("kind_name", sorted(strict.UNITS.keys() - {"knock", "plain"}))
def test_every_unit_agrees_with_a_full_registry(kind_name: str) -> None:
    """Factor and offset of each accepted spelling match pint's own conversion of two values."""
    registry: pint.UnitRegistry[float] = pint.UnitRegistry()
    kind = next(
        quantity for quantity in strict.Quantity.__subclasses__() if kind_name == quantity.KIND
    )
    aliases = strict.UNITS[kind_name]
    for unit, pint_name in aliases.items():
        factor, offset = kind.linear(unit)
        for value in (1.0, 250.0):
            there = registry.Quantity(value, pint_name or unit)
            theirs = there.to(aliases[kind.UNIT] or kind.UNIT).magnitude
            assert value * factor + offset == pytest.approx(theirs, rel=1e-11), unit


def test_every_channel_has_its_quantity() -> None:
    """Each channel's own unit is accepted and leaves its values as they are."""
    for channel in CHANNELS:
        assert quantity_of(channel).linear(channel.unit) == (1.0, 0.0)


def test_an_absolute_column_loses_the_ambient_pressure() -> None:
    """Manifold absolute pressure in psi reads as gauge kPa."""
    text = rig(
        "[channels.boost_kpa]",
        '[channels.boost_kpa]\ncolumn = "MAP (psi)"\nunit = "psi"\nabsolute = true',
    )
    column = rig_from_text(text, "car.toml").columns["boost_kpa"]
    assert column.column == "MAP (psi)"
    assert 14.7 * column.factor + column.offset == pytest.approx(101.3529 - 101.325, abs=1e-3)
    assert 36.7 * column.factor + column.offset == pytest.approx(253.0376 - 101.325, abs=1e-3)


def test_a_fahrenheit_column_has_its_offset() -> None:
    """Freezing and boiling point come out right."""
    text = rig(more='[channels.intake_c]\nunit = "degF"\n')
    column = rig_from_text(text, "car.toml").columns["intake_c"]
    assert 32 * column.factor + column.offset == pytest.approx(0.0, abs=1e-9)
    assert 212 * column.factor + column.offset == pytest.approx(100.0, abs=1e-9)


def test_a_column_of_parts_of_one_becomes_percent() -> None:
    """A duty logged from 0 to 1 is scaled to percent points."""
    column = rig_from_text(rig(more=DUTY + 'unit = "1"\n'), "c").columns["injector_duty_pct"]
    assert (column.factor, column.offset) == (100.0, 0.0)


def test_microseconds_of_a_time_column() -> None:
    """The time column's unit reaches the map as a factor."""
    file = rig_from_text(rig(more='[time]\ncolumn = "t"\nunit = "us"\n'), "car.toml")
    assert (file.time.column, file.time.factor) == ("t", 1e-6)


@pytest.mark.parametrize(
    ("poured_pct", "expected_mass_pct"), [(20, 16.55), (30, 25.37), (40, 34.59), (50, 44.23)]
)
def test_mass_percent_of_a_pour(poured_pct: float, expected_mass_pct: float) -> None:
    """Volumes before mixing, from the CRC densities 791.7 and 998.2 kg/m3 at 20 degC."""
    assert mass_pct(poured_pct) == pytest.approx(expected_mass_pct, abs=0.005)


def test_a_pour_is_not_the_volume_of_the_solution() -> None:
    """50 % of the finished volume is 42.56 % by mass (CRC table); a 50/50 pour isn't that."""
    assert abs(mass_pct(50.0) - 42.56) > 1.5


@pytest.mark.parametrize(
    ("wt_pct", "rho"),
    # CRC Handbook of Chemistry and Physics, 102nd ed., Concentrative Properties, 20 degC.
    [(0, 998.2), (10, 981.6), (24, 960.6), (40, 934.7), (44, 927.3), (50, 915.6), (100, 791.7)],
)
def test_density_of_the_mix(wt_pct: float, rho: float) -> None:
    """The CRC rows come back, both ends included."""
    assert density_kg_m3(wt_pct) == pytest.approx(rho, abs=1e-9)


def test_one_litre_and_one_litre_shrink() -> None:
    """1 L + 1 L: 1.7899 kg at 926.86 kg/m3, 1.9311 L (derived from the CRC table)."""
    density = density_kg_m3(mass_pct(50.0))
    assert density == pytest.approx(926.86, abs=0.2)
    assert 1.7899 / density * 1000.0 == pytest.approx(1.9311, rel=1e-3)


def test_density_falls_all_the_way() -> None:
    """More methanol is always lighter, between the table's rows too."""
    densities = [density_kg_m3(step / 4.0) for step in range(401)]
    assert all(after < before for before, after in pairwise(densities))


def test_shipped_rigs_load() -> None:
    """Every rig that ships loads, with two command kinds among them."""
    kinds = {load_rig(path).rig.command.kind for path in shipped_rigs().values()}
    assert {CommandKind.BOOST, CommandKind.MAP} <= kinds


def test_the_small_turbo_four_sprays_as_its_comment_says() -> None:
    """About 700 mL/min at 170 kPa, by the square root of pressure and inverse density."""
    spray = load_rig(find_rig("brindle")).rig.spray
    across_kpa = spray.pump.regulated_kpa - 170.0 - spray.check_valve_kpa
    total = sum(
        nozzle.count * nozzle.rated_ml_min * (across_kpa / nozzle.rated_kpa) ** 0.5
        for nozzle in spray.nozzles
    )
    assert total * (998.2 / spray.fluid_kg_m3) ** 0.5 == pytest.approx(700.0, rel=0.02)
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
    with pytest.raises(BadInput, match=r'found rig "brindel", expected .*brindle, tarnwick'):
        find_rig("brindel")


def test_a_missing_file_or_a_directory_is_one_line(tmp_path: Path) -> None:
    """Neither shows a traceback; both name the path."""
    with pytest.raises(BadInput, match=r"none\.toml: found no such file"):
        load_rig(tmp_path / "none.toml")
    with pytest.raises(BadInput, match="found a directory, expected a readable TOML file"):
        load_rig(tmp_path)
    with pytest.raises(BadInput, match="found embedded null byte"):
        load_rig("a\0b.toml")


def test_bytes_that_are_no_text_name_their_line(tmp_path: Path) -> None:
    """A Latin-1 file is refused at the line of its first foreign byte, with and without a BOM."""
    path = tmp_path / "latin.toml"
    path.write_bytes(b'name = "a"\n# caf\xe9\n')
    with pytest.raises(BadInput, match=r"latin\.toml:2: found byte 0xe9, expected UTF-8"):
        read_text(path)
    with pytest.raises(BadInput, match="b:2: found byte 0xe9"):
        decode_bytes(b"\xef\xbb\xbf#\n\xe9", "b")
    path.write_bytes(b"#" * (strict.MAX_BYTES + 1))
    with pytest.raises(BadInput, match=r"latin\.toml:1: found more than 1000000 bytes"):
        read_text(path)


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    """Some editors write one."""
    path = tmp_path / "bom.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode())
    assert load_rig(path).rig.name == "Small"


@pytest.mark.parametrize("name", sorted(shipped_rigs()))
def test_every_key_of_a_shipped_rig_is_found_on_its_line(name: str) -> None:
    """The line a message gives is the one where that key, or that list item, is written."""
    text = read_text(shipped_rigs()[name])
    document = strict.Document.parse(text, name)
    lines = text.split("\n")
    stack: list[tuple[strict.KeyPath, object]] = [((), document.data)]
    checked = 0
    while stack:
        path, value = stack.pop()
        if isinstance(value, dict):
            stack += [((*path, key), inner) for key, inner in value.items()]
        elif isinstance(value, list):
            stack += [((*path, index), inner) for index, inner in enumerate(value)]
        if path:
            line = lines[document.line(path) - 1]
            wanted = path[-1] if isinstance(path[-1], str) else value
            if isinstance(wanted, str | int):
                assert str(wanted) in line.split(" # ")[0], path
                checked += 1
    assert checked > 50


def test_deep_dotted_keys_fill_no_memory() -> None:
    """The search for a line stores nothing for keys nested deeper than any of ours."""
    line = "{}" + ".a" * strict.MAX_DOTS + " = 1\n"
    text = "".join(line.format(f"k{number}") for number in range(400))
    with pytest.raises(BadInput, match="f:1: k0: found an unknown key"):
        decode_toml(text, Outer, "f")
    assert len(strict._Lines(text).lines) <= 400 * strict.MAX_DEPTH


class Inner(strict.Table, frozen=True):
    """A table in a list."""

    flow: strict.MlMin


class Outer(strict.Table, frozen=True):
    """A file of another kind, with what TOML can nest."""

    rows: tuple[Inner, ...] = ()
    by_name: dict[str, Inner] = {}  # noqa: RUF012  # msgspec copies an empty default


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ('rows = [ # one\n {flow = "1 L/h"},\n {flow = 3}]\n', "f:3: rows[1].flow: found 3"),
        ('"rows" = [{flow="""1\n\nL/h"""}, {flow\n=3}]', "f:"),
        ("s = '''\n[rows]\n'''\n", "f:1: s: found an unknown key"),
        ('x."a.b\\u001b" = 1\n', "f:1: x: found an unknown key"),
        ('[[rows]]\nflow="1 L/h"\n[[rows]]\n  flow = "x"\n', "f:4: rows[1].flow: "),
        ('[[rows]]\nflow="1 L/h"\n[[rows]]\n[by_name.a]\n', "f:3: rows[1].flow: found no such key"),
        ('[by_name.a]\nflow="1 L/h"\n[by_name.b]\nflow=1\n', "f:1: by_name: "),
        ("[rows]\n", "f:1: rows: found a table, expected a list, each a table"),
        ('"a` - at `$.rows[7].q`" = 1', "f:1: "),
    ],
)
def test_lines_are_found_in_every_shape_of_toml(text: str, where: str) -> None:
    """Inline tables, lists over lines, strings over lines, quoted keys and lists of tables."""
    with pytest.raises(BadInput) as caught:
        decode_toml(text, Outer, "f")
    assert str(caught.value).startswith(where), str(caught.value)
    assert str(caught.value).isprintable()


def _loads_or_complains(raw: bytes) -> None:
    try:
        file = rig_from_text(decode_bytes(raw, "m.toml"), "m.toml")
    except BadInput as error:
        message = str(error)
        assert len(message.splitlines()) == 1
        assert message.isprintable()
        assert message.startswith("m.toml:")
        assert len(message) < 900
    else:
        assert isfinite(file.rig.paid.dry_limit_kpa)
        assert file.rig.debt.warn_ml <= file.rig.debt.pull_ml <= file.rig.debt.cut_ml


SHIPPED = [path.read_bytes() for path in shipped_rigs().values()]
GARBAGE = st.one_of(
    st.binary(max_size=12),
    st.text(max_size=12).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.sampled_from(
        [
            b"nan",
            b"-inf",
            b"[[",
            b"]]",
            b'"""',
            b"'''",
            b"\n",
            b"\r",
            b"{",
            b"}",
            b"=",
            b"#",
            b".",
            b"1e999",
            b"9" * 5000,
            b"\x00",
            b"\x1b[31m",
            "\u2028".encode(),
            b"[" * 2000,
            b"psi",
            b'" = 1\n"',
            b"1979-05-27",
            b"true",
            b"\\u0000",
            b"name = 1\n",
            b"[a.b]\n",
            b"`$.x`",
        ]
    ),
)


@settings(max_examples=250, deadline=None)
@given(
    st.sampled_from(SHIPPED),
    st.lists(st.tuples(st.floats(0, 1), st.integers(0, 40), GARBAGE), min_size=1, max_size=3),
)
def test_a_damaged_rig_loads_or_complains_in_one_line(
    raw: bytes, damage: list[tuple[float, int, bytes]]
) -> None:
    """Garbage put in, or over, any place never raises anything but BadInput."""
    for place, length, garbage in damage:
        start = int(place * len(raw))
        raw = raw[:start] + garbage + raw[start + length :]
    _loads_or_complains(raw)


VALUES = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(),
        st.floats(),
        st.text(max_size=20),
        st.sampled_from(["26 psi", "35 degF", "-1 mL", "1 %", "999999999999 rpm", "1e99 kPa"]),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=6), inner, max_size=3)
    ),
    max_leaves=6,
)


@settings(max_examples=250, deadline=None)
@given(st.data())
def test_a_wrong_value_at_any_key_is_one_line(data: st.DataObject) -> None:
    """Any value in any line's place either fits or raises one line."""
    lines = SMALL.split("\n")
    candidates = [index for index, line in enumerate(lines) if " = " in line]
    index = data.draw(st.sampled_from(candidates))
    lines[index] = lines[index].split(" = ")[0] + " = " + _toml(data.draw(VALUES))
    _loads_or_complains("\n".join(lines).encode("utf-8", "surrogatepass"))


def _toml(value: object) -> str:
    match value:
        case dict():
            return "{" + ", ".join(f"{_toml(key)} = {_toml(v)}" for key, v in value.items()) + "}"
        case list():
            return "[" + ", ".join(_toml(inner) for inner in value) + "]"
        case str():
            kept = value.encode("utf-8", "ignore").decode()
            return msgspec.json.encode(kept).decode().replace("\x7f", "\\u007f")
        case bool():
            return "true" if value else "false"
        case _:
            return repr(value)
