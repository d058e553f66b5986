"""The rig file room: car, spray system and limits, from a TOML file to plain floats."""

from simulator.rig.changes import Change, changes, live_changes
from simulator.rig.columns import quantity_of
from simulator.rig.load import RigFile, find_rig, load_rig, rig_from_text, shipped_rigs
from simulator.rig.renamed import with_new_names
from simulator.rig.source_terms import ColumnMap, SerialTerms, TimeMap

__all__ = [
    "Change",
    "ColumnMap",
    "RigFile",
    "SerialTerms",
    "TimeMap",
    "changes",
    "find_rig",
    "live_changes",
    "load_rig",
    "quantity_of",
    "rig_from_text",
    "shipped_rigs",
    "with_new_names",
]
