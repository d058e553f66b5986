"""The rig file room: car, spray system and limits, from a TOML file to plain floats."""

from simulator.rig.changes import Change, changes, live_changes, sensor_changes
from simulator.rig.columns import quantity_of
from simulator.rig.commissioned import Done, done_in, with_step
from simulator.rig.keys import EXTRA_KINDS, STEPS
from simulator.rig.load import RigFile, find_rig, load_rig, rig_from_text, shipped_rigs
from simulator.rig.renew import Renewed, by_default, left_open, renewed
from simulator.rig.source_terms import CLOCK, ROWS, ColumnMap, SerialTerms, TimeMap

__all__ = [
    "CLOCK",
    "EXTRA_KINDS",
    "ROWS",
    "STEPS",
    "Change",
    "ColumnMap",
    "Done",
    "Renewed",
    "RigFile",
    "SerialTerms",
    "TimeMap",
    "by_default",
    "changes",
    "done_in",
    "find_rig",
    "left_open",
    "live_changes",
    "load_rig",
    "quantity_of",
    "renewed",
    "rig_from_text",
    "sensor_changes",
    "shipped_rigs",
    "with_step",
]
