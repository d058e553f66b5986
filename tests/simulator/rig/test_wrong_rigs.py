"""The rig file: one clear line for everything that is wrong in it."""

import pytest

from simulator.rig import rig_from_text
from tests.kit.rig_text import COMMAND, DUTY, MAP_COMMAND, complaint, rig

UNBOOSTED = rig('redline = "7000 rpm"', 'redline = "7000 rpm"\ncharger = "none"')
FLOW = "[channels.delivered_ml_min]\n"


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
            ("car.toml:2: engine.redline: ", "missing", '"7000 rpm"'),
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
            rig("[spray.pump]", '[spray.pump]\nripple = "51 %"'),
            ('car.toml:18: spray.pump.ripple: found "51 %"', "0 to 50 %"),
            id="ripple-of-more-than-half",
        ),
        pytest.param(
            rig("[spray.pump]", '[spray.pump]\nripple = "-5 %"'),
            ('car.toml:18: spray.pump.ripple: found "-5 %"', "0 to 50 %"),
            id="ripple-below-nil",
        ),
        pytest.param(
            rig("[spray.pump]", "[spray.pump]\nripple = 0.12"),
            ("car.toml:18: spray.pump.ripple: found 0.12", "percentage", '"12 %"'),
            id="ripple-bare-number",
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
            ("car.toml:26: paid.timing: found a list of 0", "a list of 1 to 32"),
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
            UNBOOSTED,
            (
                'car.toml:23: command.start_boost: found "60 kPa"',
                "less than 0 kPa (engine.charger is none",
            ),
            id="unboosted-onset",
        ),
        pytest.param(
            UNBOOSTED.replace('"60 kPa"', '"-20 kPa"', 1),
            ('car.toml:26: paid.boost[1]: found "170 kPa"', "at most 0 kPa (engine.charger is"),
            id="unboosted-paid",
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
            rig(FLOW, ""),
            ("car.toml:28: channels.delivered_ml_min: missing", "channels.line_kpa", "spray"),
            id="no-witness",
        ),
        pytest.param(
            rig(FLOW, '[channels.line_kpa]\n[flow_sensor]\nlag = "0 s"\n'),
            ("car.toml:30: flow_sensor: ", "channels.delivered_ml_min too"),
            id="flow-sensor-without-its-channel",
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
            ("car.toml:20: command.full_boost: missing", "pressure"),
            id="kind-lacks",
        ),
        pytest.param(
            rig('kind = "boost"', 'kind = "magic"'),
            ('car.toml:21: command.kind: found "magic"', '"log_flow"', '"map"'),
            id="kind-unknown",
        ),
        pytest.param(
            rig('kind = "boost"\n', ""),
            ("car.toml:20: command.kind: missing", '"fixed"'),
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
            rig(more='[flow_sensor]\ntransport_delay_within = "80 ms"\n'),
            (
                'car.toml:31: flow_sensor.transport_delay_within: found "80 ms"',
                "less than transport_delay, 80 ms",
            ),
            id="delay-order",
        ),
        pytest.param(
            rig(more='[flow_sensor]\nlag_within = "0.2 s"\nlag = "150 ms"\n'),
            ('car.toml:31: flow_sensor.lag_within: found "0.2 s"', "less than lag, 150 ms"),
            id="lag-order",
        ),
        pytest.param(
            rig(more='[flow_sensor]\nlag = "40 ms"\n'),
            (
                "car.toml:30: flow_sensor.lag_within: found its default 50 ms",
                "less than lag, 40 ms",
            ),
            id="lag-default",
        ),
        pytest.param(
            rig(more='[flow_sensor]\ntransport_delay = "0 s"\n'),
            ("flow_sensor.transport_delay_within: found its default", "transport_delay, 0 ms"),
            id="delay-nil",
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
            rig('dry_limit = "100 kPa"', 'dry_limit = "0 kPa"'),
            ('car.toml:27: paid.dry_limit: found "0 kPa"', "more than 0 kPa"),
            id="dry-limit-none",
        ),
        pytest.param(
            rig('free_flow = "3000 mL/min"', 'free_flow = "3 L/min"\nregulated = "15 bar"'),
            ('car.toml:18: spray.pump.shut_off: found "1400 kPa"', "at least regulated, 1500 kPa"),
            id="pump-below-regulated",
        ),
        pytest.param(
            rig(
                'free_flow = "3000 mL/min"',
                'free_flow = "3 L/min"\nregulated = "9 bar"\nfollows_command = true',
            ),
            ("car.toml:", "spray.pump.regulated", "none, where the pump's speed follows"),
            id="regulated-and-by-speed",
        ),
        pytest.param(
            rig('"1400 kPa"', '"203,5 psi"'),
            ('shut_off: found "203,5 psi"', "a decimal point, not a comma: 203.5"),
            id="decimal-comma",
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
            ("car.toml:30: limits.boost_kpa.above: missing", "pressure"),
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


def test_the_check_valve_counts_against_the_pump() -> None:
    """A pump just above boost alone can't open the check valve as well."""
    text = rig("[spray]\n", '[spray]\ncheck_valve = "30 kPa"\n').replace("1400 kPa", "200 kPa")
    assert 'spray.pump.shut_off: found "200 kPa", expected more than 200 kPa' in complaint(text)
    rig_from_text(text.replace("200 kPa", "201 kPa"), "car.toml")


@pytest.mark.parametrize(
    ("key", "low", "high", "reach"),
    [
        ("flow_sensor.transport_delay", None, "11 s", "0 to 10 s"),
        ("flow_sensor.transport_delay_within", "-1 ms", "11 s", "0 to 10 s"),
        ("flow_sensor.lag", None, "11 s", "0 to 10 s"),
        ("flow_sensor.lag_within", "-1 ms", "11 s", "0 to 10 s"),
        ("flow_sensor.gain_within", "0.4 %", "31 %", "0.5 to 30 %"),
        ("flow_sensor.noise", "0 %", "51 %", "0.1 to 50 %"),
        ("flow_sensor.noise_lasts", "0.9 ms", "2.1 s", "0.001 to 2 s"),
        ("flow_sensor.floor", "0.9 mL/min", "21 L/min", "1 to 20000 mL/min"),
        ("flow_sensor.refresh", "-1 ms", "2.1 s", "0 to 2 s"),
        ("debt.false_pull_every", "59 min", "100001 h", "1 to 100000 h"),
        ("debt.cut", "0.9 ms", "601 s", "0.001 to 600 s"),
        ("debt.cut_volume", "0.009 mL", "201 L", "0.01 to 200000 mL"),
    ],
)
def test_a_slip_of_a_digit_is_out_of_range(
    key: str, low: str | None, high: str, reach: str
) -> None:
    """Each key of the sensor and of the debt: the value found, and the range with its unit."""
    table, _, name = key.partition(".")
    for value in (low, high):
        if value is not None:
            told = complaint(rig(more=f'[{table}]\n{name} = "{value}"\n'))
            assert told == f'car.toml:31: {key}: found "{value}", expected {reach}'
