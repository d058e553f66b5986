"""From a rig's facts to constants: what can't be divided by or looked up is refused."""

from typing import Any

import numpy as np
import pytest

from rules import channels as ch
from rules.facts import CommandKind, Nozzle, Pump
from rules.step.from_rig import constants_of, essential_columns
from tests.kit.rigs import NAN, of_kind, rig, terms


def test_essential_channels_follow_the_command() -> None:
    """Boost and delivered flow always; beside them what the command is worked out from."""
    extra = {kind: essential_columns(of_kind(kind))[2:] for kind in CommandKind}
    assert extra == {
        CommandKind.LOG_FLOW: (ch.COMMANDED,),
        CommandKind.LOG_PERCENT: (ch.COMMAND_PCT,),
        CommandKind.FIXED: (),
        CommandKind.BOOST: (),
        CommandKind.INJECTOR_DUTY: (ch.INJECTOR_DUTY,),
        CommandKind.MAP: (ch.INJECTOR_DUTY,),
    }


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"channels": terms("boost_kpa", "commanded_ml_min")}, "delivered_ml_min is essential"),
        ({"command": {"kind": CommandKind.MAP}}, "injector_duty_pct is essential"),
        ({"command": {"kind": CommandKind.LOG_PERCENT}}, "command_pct is essential"),
        ({"spray": {"nozzles": ()}}, "nozzle flow"),
        ({"spray": {"pump": Pump(1000.0, 0.0)}}, "pump free flow"),
        ({"spray": {"fluid_kg_m3": 0.0}}, "fluid density"),
        ({"spray": {"nozzles": (Nozzle(500.0, 0.0),)}}, "rated pressure"),
        ({"ladder": {"step_deg": 0.0}}, "timing step"),
        ({"command": {"kind": CommandKind.BOOST, "full_boost_kpa": 50.0}}, "full less start 0"),
        ({"command": {"kind": CommandKind.BOOST, "full_boost_kpa": np.inf}}, "start inf"),
        ({"paid": {"boost_kpa": (), "timing_deg": ()}}, "1 to 32 ascending"),
        ({"paid": {"boost_kpa": (100.0, 100.0)}}, "1 to 32 ascending"),
        ({"paid": {"boost_kpa": (0.0, NAN)}}, "1 to 32 ascending"),
        ({"paid": {"timing_deg": (1.0,)}}, "one value for each boost"),
    ],
)
def test_unsafe_facts_are_refused(changes: dict[str, Any], says: str) -> None:
    """What cannot be divided by or looked up is one clear error, not a guard that never acts."""
    with pytest.raises(ValueError, match=says):
        constants_of(rig(**changes))


@pytest.mark.parametrize(
    ("command", "says"),
    [
        ({"map_boost_kpa": (50.0,), "map_pct": ((0.0, 40.0),)}, "2 to 32 ascending"),
        ({"map_duty_pct": (80.0, 20.0)}, "2 to 32 ascending"),
        ({"map_boost_kpa": tuple(float(i) for i in range(33))}, "2 to 32 ascending"),
        ({"map_pct": ((0.0, 40.0), (30.0, 70.0))}, "found 4 cells"),
    ],
)
def test_unsafe_maps_are_refused(command: dict[str, Any], says: str) -> None:
    """A delivery map needs two ascending axes of 2 to 32 points, and every cell."""
    with pytest.raises(ValueError, match=says):
        constants_of(of_kind(CommandKind.MAP, command=command))
