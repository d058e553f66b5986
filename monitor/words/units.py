"""Metric or US units, for the screen alone: nothing that is recorded or decided changes.

Factors: NIST SP 811 (2008), appendix B, from the exact definitions behind them (inch 25.4 mm,
pound 0.45359237 kg, pound-force 4.4482216152605 N, US gallon 231 cubic inches). Debt stays in mL in
both: that is what thresholds are given in.
"""

import re
from dataclasses import dataclass, field
from math import isfinite
from typing import Final

from monitor.words.literal import figure

_INCH_M: Final = 0.0254
_KPA_PER_PSI: Final = 4.4482216152605 / _INCH_M**2 / 1000.0
_ML_PER_GALLON: Final = 231.0 * (100.0 * _INCH_M) ** 3
_ML_PER_OUNCE: Final = _ML_PER_GALLON / 128.0
_KG_PER_POUND: Final = 0.45359237
_NM_PER_POUND_FOOT: Final = 4.4482216152605 * 12.0 * _INCH_M
_KM_PER_MILE: Final = 1.609344
_KW_PER_HORSEPOWER: Final = 550.0 * _NM_PER_POUND_FOOT / 1000.0


@dataclass(frozen=True, slots=True)
class Measure:
    """How one metric unit is shown: ``factor`` times the figure plus ``offset``.

    Attributes:
        unit: What stands behind the figure.
        decimals: How many more decimals it gets than the metric figure, to tell as much.
    """

    unit: str
    factor: float
    offset: float = 0.0
    decimals: int = 0


_US: Final = {
    "kPa": Measure("psi", 1.0 / _KPA_PER_PSI, decimals=1),
    "°C": Measure("°F", 1.8, 32.0),
    "K": Measure("°F", 1.8),  # a difference: no offset
    "mL/min": Measure("gal/h", 60.0 / _ML_PER_GALLON, decimals=2),
    "mL/s": Measure("fl oz/s", 1.0 / _ML_PER_OUNCE, decimals=2),
    "mL": Measure("fl oz", 1.0 / _ML_PER_OUNCE, decimals=1),
    "N m": Measure("lb ft", 1.0 / _NM_PER_POUND_FOOT),
    "kg": Measure("lb", 1.0 / _KG_PER_POUND),
    "kg/h": Measure("lb/h", 1.0 / _KG_PER_POUND),
    "kW": Measure("hp", 1.0 / _KW_PER_HORSEPOWER),
    "cm": Measure("in", 0.01 / _INCH_M),
    "mm": Measure("in", 0.001 / _INCH_M, decimals=2),
    "km": Measure("mi", 1.0 / _KM_PER_MILE),
    "km/h": Measure("mph", 1.0 / _KM_PER_MILE),
    "kg/m3": Measure("lb/gal", 1e-6 * _ML_PER_GALLON / _KG_PER_POUND, decimals=2),
}

# The guard's sentences: a plain number and one of these, or two numbers that share a unit. A volume
# is only converted where it is the tank's. Digits, points, signs and letters right beside a number,
# and whatever could make the unit another one, keep the words as they are.
_NUMBER: Final = r"-?[0-9]{1,9}(?:\.[0-9]{1,6})?"
_SENTENCE: Final = re.compile(
    rf"(?<![\w.,+\-−°/^])(?:(?P<first>{_NUMBER})(?P<between> of | -> | to | instead of ))?"
    rf"(?P<last>{_NUMBER}) "
    r"(?P<unit>kPa|degC|°C|K|cm|mm|mL/min|mL/s|mL(?= left in the tank))(?![\w/^°²³·*%\-−])"
)
_SAME: Final = {"degC": "°C"}


@dataclass(frozen=True, slots=True)
class Units:
    """A way to show figures.

    Attributes:
        name: What it is chosen by.
        word: For footer and notices.
        measures: What is shown differently, by metric unit.
    """

    name: str
    word: str
    measures: dict[str, Measure] = field(default_factory=dict)

    def unit(self, metric: str) -> str:
        """Return what stands behind a figure that is given in a metric unit."""
        measure = self.measures.get(metric)
        return metric if measure is None else measure.unit

    def factor(self, metric: str) -> float:
        """Return what to multiply flows, pressures and volumes by; not for temperatures."""
        measure = self.measures.get(metric)
        return 1.0 if measure is None else measure.factor

    def value(self, value: float, metric: str) -> float:
        """Return a metric figure as shown; NaN stays NaN."""
        measure = self.measures.get(metric)
        return value if measure is None else value * measure.factor + measure.offset

    def figure(self, value: float, metric: str, decimals: int) -> str:
        """Return a metric figure as text, without its unit; "--" where unknown.

        Args:
            value: In the metric unit.
            metric: "kPa", "°C", "K", "mL/min", "mL/s", "mL", "kg" ...; any other stays as it is.
            decimals: Decimals of the metric figure.
        """
        measure = self.measures.get(metric)
        more = 0 if measure is None else measure.decimals
        return figure(self.value(value, metric), decimals + more)

    def told(self, value: float, metric: str, decimals: int) -> str:
        """Return a metric figure as text with its unit behind it."""
        return f"{self.figure(value, metric, decimals)} {self.unit(metric)}"

    def sentence(self, text: str) -> str:
        """Return a ready-made sentence with its figures in these units.

        Doing so twice changes nothing more: no unit that comes out is one that goes in.
        """
        return _SENTENCE.sub(self._converted, text) if self.measures else text

    def _converted(self, found: re.Match[str]) -> str:
        metric = _SAME.get(found["unit"], found["unit"])
        last = self._figure_of(found["last"], metric)
        pair = ""
        if found["first"] is not None:
            pair = self._figure_of(found["first"], metric) + found["between"]
        return f"{pair}{last} {self.unit(metric)}"

    def _figure_of(self, text: str, metric: str) -> str:
        value = float(text)
        return self.figure(value, metric, len(text.partition(".")[2])) if isfinite(value) else text


METRIC: Final = Units("metric", "metric")
US: Final = Units("us", "US", _US)
ALL_UNITS: Final = (METRIC, US)
