"""A small rig file as text, and what the loader answers to a wrong one."""

import pytest

from simulator.rig import find_rig, rig_from_text
from simulator.strict import BadInput

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


def with_channels(text: str) -> str:
    """Return brindle as shipped, with these channels in place of its own, limits and charge."""
    head = find_rig("brindle").read_text(encoding="utf-8").partition("[limits.boost_kpa]")[0]
    before, _, rest = head.partition("[charge_sensor]")
    charge, _, after = rest.partition("\n[")
    assert "drop_k" in charge
    return f"{before}[{after}{text}"


TWO_CHANNELS = "[channels.boost_kpa]\n[channels.delivered_ml_min]\n"


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
