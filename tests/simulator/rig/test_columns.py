"""A rig's columns: the unit of each, and how it becomes the channel's."""

import pytest

from rules.channels import CHANNELS
from simulator.rig import rig_from_text
from simulator.rig.columns import quantity_of
from tests.kit.rig_text import DUTY, complaint, rig


def test_every_channel_has_its_quantity() -> None:
    """Each channel's own unit is accepted and leaves its values as they are."""
    for channel in CHANNELS:
        assert quantity_of(channel).linear(channel.unit) == (1.0, 0.0)


def test_an_absolute_column_loses_the_ambient_pressure() -> None:
    """Manifold absolute pressure in psi reads as gauge kPa."""
    text = rig(
        "[channels.boost_kpa]",
        '[channels.boost_kpa]\ncolumn = "manifold absolute psi"\nunit = "psi"\nabsolute = true',
    )
    column = rig_from_text(text, "car.toml").columns["boost_kpa"]
    assert column.column == "manifold absolute psi"
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


def test_a_log_without_a_time_says_how_far_apart_its_rows_are() -> None:
    """Rows tell time only where the rig says their period; a column beside that is a mistake."""
    file = rig_from_text(rig(more='[time]\nunit = "rows"\nperiod = "20 ms"\n'), "car.toml")
    assert (file.time.counts_rows, file.time.period_s) == (True, 0.02)
    wanted = "time.period: missing, expected the time from one row to the next, which unit"
    assert wanted in complaint(rig(more='[time]\nunit = "rows"\n'))
    both = complaint(rig(more='[time]\nunit = "rows"\nperiod = "20 ms"\ncolumn = "t"\n'))
    assert 'time.column: found "t", expected none beside unit "rows"' in both


def test_an_extra_column_has_its_own_unit() -> None:
    """Torque in lb ft, power in hp and road speed in mph come out as NIST SP 811 says."""
    text = rig(
        more='[extra.torque_nm]\ncolumn = "Tq"\nunit = "lb ft"\n[extra.power_kw]\nunit = "hp"\n'
        '[extra.speed_kmh]\nunit = "mph"\n'
    )
    extra = rig_from_text(text, "car.toml").extra
    assert list(extra) == ["speed_kmh", "torque_nm", "power_kw"]
    assert (extra["torque_nm"].column, extra["power_kw"].column) == ("Tq", "power_kw")
    assert extra["torque_nm"].factor == pytest.approx(1.355818, rel=1e-6)
    assert extra["power_kw"].factor == pytest.approx(0.7456999, rel=1e-6)
    assert extra["speed_kmh"].factor == pytest.approx(1.609344, rel=1e-9)


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ('[extra.torque_nm]\nunit = "kW"\n', 'extra.torque_nm.unit: found "kW" (a power unit)'),
        ("[extra.torque]\n", 'extra.torque: found an unknown key, expected "torque_nm"'),
        ('[extra.gear]\ncolumn = "boost_kpa"\n', "(channels.boost_kpa has this one)"),
    ],
)
def test_a_wrong_extra_column_is_named(more: str, says: str) -> None:
    """Its unit, its name and its column are held to the same rules as a channel's."""
    assert says in complaint(rig(more=more))
