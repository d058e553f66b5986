"""From healthy logs, what a rig can't know beforehand: this car's numbers, with their intervals."""

from simulator.identify.estimates import Estimate, Identified, Pull, Series
from simulator.identify.identify import identify

__all__ = ["Estimate", "Identified", "Pull", "Series", "identify"]
