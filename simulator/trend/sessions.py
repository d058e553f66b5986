"""What one session of a car says, in few numbers, and what several say together."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np

from rules.facts import Rig

MOST_BANDS: Final = 4
WIDTHS: Final = (5.0, 10.0, 20.0, 25.0, 50.0, 100.0, 200.0)
# Common practice, no source:
LEAST_STRETCHES: Final = 3  # of steady spray in a band
ENOUGH_STRETCHES: Final = 10  # in all: five seconds
# Of what is normally distributed:
_OF_A_MEDIAN: Final = 1.2533  # standard error of a median to a mean's: the root of half of pi
_TO_DEVIATION: Final = 1.4826  # standard deviation to the median distance from the median
_TURNS: Final = 60


class Measured(NamedTuple):
    """A number, its standard error within the session, and from how many stretches it is."""

    value: float
    error: float
    stretches: int


@dataclass(frozen=True, slots=True)
class Session:
    """What one session says.

    Attributes:
        sprayed_s: For how long spray was asked for.
        flow: Of what was due, the share that the flow sensor read, by boost band; None where
            there was too little steady spray, or no sensor.
        line: The same of the line's pressure.
        supply_v: Voltage at the pump while it sprayed.
        delay_s: From the command to the flow sensor's reading.
        lag_s: From there to 63 % of a step; without a flow sensor the line's.
    """

    sprayed_s: float
    flow: tuple[Measured | None, ...]
    line: tuple[Measured | None, ...]
    supply_v: Measured | None = None
    delay_s: float | None = None
    lag_s: float | None = None


def band_edges_kpa(rig: Rig, unit_kpa: float = 1.0) -> tuple[float, ...]:
    """Return the edges of a rig's boost bands, gauge, ascending; the outer bands are open.

    They begin where spray does and end at the boost that the spray pays for.

    Args:
        rig: The rig.
        unit_kpa: What they are shown in, in kPa: they are round in that.
    """
    low, high = rig.command.start_boost_kpa, rig.paid.boost_kpa[-1]
    widths = [unit_kpa * width for width in WIDTHS]
    fits = (w for w in widths if np.ceil(high / w) - np.floor(low / w) <= MOST_BANDS)
    width = next(fits, widths[-1])
    first = width * np.floor(low / width)
    last = max(width * np.ceil(high / width), first + width)
    return tuple(np.arange(first, last + 0.5 * width, width).tolist())


def measured(values: Any) -> Measured | None:
    """Return the median of some stretches; None where there are too few.

    Its error: from the median distance from it (Hampel, J. Am. Stat. Assoc. 69, 1974), as a large
    sample's (Kendall & Stuart, The Advanced Theory of Statistics 1, ch. 10).
    """
    values = values[np.isfinite(values)]
    if len(values) < LEAST_STRETCHES:
        return None
    middle = float(np.median(values))
    deviation = _TO_DEVIATION * float(np.median(np.abs(values - middle)))
    return Measured(middle, _OF_A_MEDIAN * deviation / len(values) ** 0.5, len(values))


def by_band(boost_kpa: Any, values: Any, edges_kpa: Sequence[float]) -> tuple[Measured | None, ...]:
    """Return what stretches say by boost band.

    Args:
        boost_kpa: Of each stretch, gauge, (n,).
        values: (n,); NaN where one tells nothing.
        edges_kpa: Ascending; what lies beyond the outer ones belongs to the outer bands.
    """
    band = np.searchsorted(np.asarray(edges_kpa)[1:-1], boost_kpa, side="right")
    return tuple(measured(values[band == i]) for i in range(len(edges_kpa) - 1))


def pooled(bands: Sequence[tuple[Measured | None, ...]]) -> Any:
    """Return one number a session, (n,), which bands it sprayed in left out of account.

    Session and band add up: what a band differs by in all sessions is no session's doing. Least
    squares, each band as its stretches count (Yates, J. Am. Stat. Assoc. 29, 1934). NaN where a
    session has fewer than ``ENOUGH_STRETCHES``.
    """
    value = np.array([[np.nan if b is None else b.value for b in one] for one in bands])
    count = np.array([[0.0 if b is None else b.stretches for b in one] for one in bands])
    count[count.sum(axis=1) < ENOUGH_STRETCHES] = 0.0
    value = np.where(count > 0.0, value, 0.0)
    of_session = np.maximum(count.sum(axis=1), 1e-12)
    of_band = np.maximum(count.sum(axis=0), 1e-12)
    band = np.zeros(value.shape[1])
    session = np.zeros(len(value))
    for _ in range(_TURNS):
        session = (count * (value - band)).sum(axis=1) / of_session
        band = (count * (value - session[:, None])).sum(axis=0) / of_band
        band -= (of_band * band).sum() / of_band.sum()
    return np.where(count.sum(axis=1) > 0.0, session, np.nan)
