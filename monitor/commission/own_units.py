"""A draft's numbers in the units that its log is written in: what is asked for, and the rig."""

import re
from typing import Final

from monitor.commission.drafting import FromLog
from monitor.commission.rig_text import ASKED, RigText
from simulator.rig.toml_places import Places
from simulator.strict import DegC, Kpa, Ml, MlMin

# Kind, units of its defaults, channels whose unit decides, units taken over, the table it is for.
_OWN: Final = (
    (Kpa, ("kPa",), ("boost_kpa",), ("psi", "bar"), None),
    (DegC, ("degC",), ("intake_c",), ("degF",), None),
    (MlMin, ("mL/min",), ("delivered_ml_min", "commanded_ml_min"), ("gal/h", "L/h"), "spray"),
    (Ml, ("mL", "L"), ("tank_ml",), ("gal",), "spray"),
)
_NUMBER: Final = re.compile(r'"(-?[0-9.]+ (\S+))"')


def in_own_units(rig: RigText, log: FromLog | None) -> RigText:
    """Return the rig with its numbers in the log's units; what was asked stays as it was typed.

    To three digits, as nobody stated them to more. The tables of the channels stay: there the
    columns' units stand.

    Args:
        rig: A draft; changed.
        log: What the logs say; None where there is none.
    """
    channels = {} if log is None else log.channels()
    for kind, plain, names, usual, table in _OWN:
        stated = next((channels[name].unit for name in names if name in channels), kind.UNIT)
        own = next((unit for unit in usual if kind.linear(unit) == kind.linear(stated)), "")
        if not own:
            continue
        places = Places(rig.toml).values
        for path, (start, end) in sorted(places.items(), key=lambda item: -item[1][0]):
            if path[0] in {"channels", "commissioned"} or table not in {None, path[0]}:
                continue
            found = _NUMBER.fullmatch(rig.toml, start, end)
            if found is not None and found[2] in plain and rig.origin(path) != ASKED:
                factor, offset = kind.linear(own)
                number = (float(kind.from_toml(found[1])) - offset) / factor
                told = f'"{float(f"{number:z.3g}"):zg} {own}"'
                rig.toml = rig.toml[:start] + told + rig.toml[end:]
    return rig
