"""SenML measurements into samples: names, units, one device, one time."""

import json
from math import isnan
from typing import Any

import pytest

from monitor.sources.lines.senml_rows import SenmlMapper
from monitor.sources.lines.strict_numbers import Rejected
from rules.channels import Sample
from simulator.rig import rig_from_text
from tests.kit.rig_text import SMALL

RIG = rig_from_text(SMALL, "small.toml")
PRESSURES = rig_from_text(
    SMALL.replace(
        "[channels.boost_kpa]",
        '[channels.boost_kpa]\ncolumn = "map"\nunit = "psi"\nabsolute = true\n'
        '[channels.intake_c]\nunit = "degF"\n[channels.engine_speed_rpm]\n[channels.supply_v]\n'
        '[channels.injector_duty_pct]\n[channels.knock]\nunit = "V"\n[channels.lambda_ratio]\n'
        "[channels.tank_ml]\n[channels.timing_deg]",
    ).replace('redline = "7000 rpm"', 'redline = "7000 rpm"\nambient_pressure = "100 kPa"'),
    "pressures.toml",
)
NOW_S = 500.0


def pack(*records: dict[str, Any]) -> bytes:
    """Return records as a pack."""
    return json.dumps(records).encode()


def sampled(rig: Any, *records: dict[str, Any]) -> list[Sample]:
    """Return what the records read as by a rig."""
    return SenmlMapper(rig, "port").samples(pack(*records), NOW_S)


def test_channels_of_one_time_are_one_sample() -> None:
    """Records group by their resolved time, oldest first, whatever their order in the pack."""
    assert sampled(
        RIG,
        {"bn": "urn:dev:x:", "n": "boost_kpa", "v": 120},
        {"n": "delivered_ml_min", "t": -1, "v": 290},
        {"n": "boost_kpa", "t": -1, "v": 110},
        {"n": "other", "v": 3},
        {"n": "delivered_ml_min", "v": 300},
    ) == [
        Sample(499.0, boost_kpa=110.0, delivered_ml_min=290.0),
        Sample(500.0, boost_kpa=120.0, delivered_ml_min=300.0),
    ]


@pytest.mark.parametrize(
    ("name", "unit", "value", "channel", "expected"),
    [
        ("map", "", 29.5, "boost_kpa", 29.5 * 6.894757293168 - 100.0),  # the rig: psi, absolute
        ("map", "Pa", 203_400, "boost_kpa", 103.4),
        ("map", "hPa", 2034, "boost_kpa", 103.4),
        ("map", "kPa", 203.4, "boost_kpa", 103.4),
        ("boost_kpa", "", 103.4, "boost_kpa", 103.4),  # our own name is gauge, in its own unit
        ("boost_kpa", "Pa", 103_400, "boost_kpa", 103.4),
        ("intake_c", "", 212, "intake_c", 100.0),  # the rig: degF
        ("intake_c", "Cel", 100, "intake_c", 100.0),
        ("intake_c", "K", 373.15, "intake_c", 100.0),
        ("delivered_ml_min", "m3/s", 5e-6, "delivered_ml_min", 300.0),
        ("delivered_ml_min", "l/s", 0.005, "delivered_ml_min", 300.0),
        ("delivered_ml_min", "cc/min", 300, "delivered_ml_min", 300.0),
        ("engine_speed_rpm", "1/s", 100, "engine_speed_rpm", 6000.0),
        ("engine_speed_rpm", "Hz", 100, "engine_speed_rpm", 6000.0),
        ("engine_speed_rpm", "1/min", 6000, "engine_speed_rpm", 6000.0),
        ("engine_speed_rpm", "rpm", 6000, "engine_speed_rpm", 6000.0),
        ("injector_duty_pct", "/", 0.8, "injector_duty_pct", 80.0),
        ("injector_duty_pct", "%", 80, "injector_duty_pct", 80.0),
        ("injector_duty_pct", "/100", 80, "injector_duty_pct", 80.0),
        ("supply_v", "V", 13.5, "supply_v", 13.5),
        ("supply_v", "mV", 13_500, "supply_v", 13.5),
        ("lambda_ratio", "/", 0.8, "lambda_ratio", 0.8),
        ("tank_ml", "m3", 0.004, "tank_ml", 4000.0),
        ("tank_ml", "l", 4, "tank_ml", 4000.0),
        ("timing_deg", "rad", 0.17453292519943295, "timing_deg", 10.0),
        ("knock", "V", 2.5, "knock", 2.5),
        ("urn:dev:mac:0024befffe804ff1/intake_c", "Cel", 20, "intake_c", 20.0),
    ],
)
def test_units_convert(name: str, unit: str, value: float, channel: str, expected: float) -> None:
    """SenML's registry units, the rig's spellings, and no unit at all (then the rig's).

    1 psi = 6.894757293168 kPa (NIST SP 811, appendix B); the rest by definition of the units.
    """
    record = {"n": name, "v": value, **({"u": unit} if unit else {})}
    (sample,) = sampled(PRESSURES, record)
    assert getattr(sample, channel) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("name", "unit"),
    [("map", "Cel"), ("map", "V"), ("intake_c", "Pa"), ("intake_c", "°"), ("knock", "deg")]
    + [("delivered_ml_min", unit) for unit in ("kg/s", "m3", "l", "\x1b[2J", "ML/MINUTE")],
)
def test_a_unit_that_contradicts_is_never_guessed_at(name: str, unit: str) -> None:
    """The pack is rejected, and the fault says what was found, in words that are safe to print."""
    mapper = SenmlMapper(PRESSURES, "port x")
    with pytest.raises(Rejected, match=r"^unit$"):
        mapper.samples(pack({"n": name, "u": unit, "v": 1}), NOW_S)
    assert mapper.fault is not None
    assert "port x" in mapper.fault
    assert mapper.fault.isprintable()


def test_a_report_that_is_no_number_is_not_a_number() -> None:
    """Text or a truth value for a channel, and what overflows in conversion, is never healthy."""
    for field in ({"vs": "error"}, {"vb": True}, {"vd": "AA"}, {"v": -1e308, "u": "m3/s"}):
        (sample,) = sampled(RIG, {"n": "boost_kpa", "v": 1}, {"n": "delivered_ml_min", **field})
        assert isnan(sample.delivered_ml_min)


def test_two_values_of_one_channel_at_one_time() -> None:
    """Nobody knows which is right: the pack is rejected."""
    with pytest.raises(Rejected, match="value twice"):
        sampled(RIG, {"n": "boost_kpa", "v": 1}, {"n": "boost_kpa", "v": 2})


def test_a_second_device_does_not_mix_in() -> None:
    """The first full name keeps its channel; another is rejected, and said."""
    mapper = SenmlMapper(RIG, "port")
    first, second = ({"bn": f"urn:dev:{d}:", "n": "boost_kpa", "v": 1} for d in "ab")
    assert len(mapper.samples(pack(first), NOW_S)) == 1
    with pytest.raises(Rejected, match="second device"):
        mapper.samples(pack(second), NOW_S)
    assert "urn:dev:b:boost_kpa" in str(mapper.fault)
    assert len(mapper.samples(pack(first), NOW_S)) == 1


def test_a_rig_may_name_a_record_in_full() -> None:
    """A column that is the full name of a record means that one."""
    rig = rig_from_text(
        SMALL.replace(
            "[channels.boost_kpa]", '[channels.boost_kpa]\ncolumn = "urn:dev:b:p"\nunit = "bar"'
        ),
        "small.toml",
    )
    records = ({"n": "urn:dev:a:p", "v": 9}, {"n": "urn:dev:b:p", "v": 2})
    assert sampled(rig, *records) == [Sample(NOW_S, boost_kpa=200.0)]


def test_a_pack_without_any_channel_is_rejected() -> None:
    """Otherwise a line of another device would look like a line that speaks."""
    with pytest.raises(Rejected, match="no channel"):
        sampled(RIG, {"n": "humidity", "u": "%RH", "v": 50})


def test_many_names_are_not_remembered_for_ever() -> None:
    """What a line names is not kept without bound."""
    mapper = SenmlMapper(RIG, "port")
    for i in range(1000):
        mapper.samples(pack({"n": f"n{i}", "v": 1}, {"n": "boost_kpa", "v": 1}), NOW_S)
    assert len(mapper._picks) < 100
