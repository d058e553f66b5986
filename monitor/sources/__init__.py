"""Sources of samples: recorded files, serial ports, the simulated car. One contract for all."""

from monitor.source_facts import SourceStatistics
from monitor.sources.base import Arrival, Notice, Source

__all__ = ["Arrival", "Notice", "Source", "SourceStatistics"]
