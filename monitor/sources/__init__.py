"""Sources of samples: recorded files, serial ports, the simulated car. One contract for all."""

from monitor.sources.base import Arrival, Notice, Source, SourceStatistics

__all__ = ["Arrival", "Notice", "Source", "SourceStatistics"]
