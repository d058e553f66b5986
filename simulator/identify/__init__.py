"""From healthy logs, what a rig can't know beforehand: this car's numbers, with their intervals."""

from simulator.identify.estimates import Estimate, Identified, Law, Pull, Series
from simulator.identify.identify import identify
from simulator.identify.widen import rig_with

__all__ = ["Estimate", "Identified", "Law", "Pull", "Series", "identify", "rig_with"]
