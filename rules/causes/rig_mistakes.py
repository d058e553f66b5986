"""Mistakes in a rig that would explain a whole drive: units, gauge or absolute, nozzles, delay.

A fault of the car begins some day; a mistake in its rig was there from the first row, and has a
shape: flow off by one share at every level, the same flow but earlier or later, boost that engine
speed and injector duty contradict by one unit. What is found is a question to whoever wrote the
rig, no part of any action. The limits are common practice, no source.
"""

from collections import deque
from itertools import permutations
from math import sqrt
from typing import Final, NamedTuple

from rules import channels as ch
from rules.facts import Rig
from rules.step.state import HEALTHY, IMPLAUSIBLE, Decision

SPACING_S: Final = 0.05
MOST_ROWS: Final = 256
ENOUGH_ROWS: Final = 40
QUIET_S: Final = 1.0  # neither asked for nor delivered this long: nothing to learn from
LONGEST_SHIFT_S: Final = 0.6
SHORTEST_SHIFT_S: Final = 0.15
LEFT_OVER: Final = 0.25  # of the misfit, once shifted
LEFT_AFTER_FALSE_PULL: Final = 0.5
LEAST_SHARE: Final = 0.01  # less is no flow, unless a unit explains it and it ends with spray
LEAST_ABSOLUTE_KPA: Final = 5.0
LEAST_FILLING: Final = 0.6
MOST_FILLING: Final = 1.6
FULL_PCT: Final = (85.0, 105.0)  # what full flow reads where it is a percentage
RIGHT: Final = 0.1  # flow this near to what is expected counts as right

_AIR_J_KG_K: Final = 287.05  # ICAO standard atmosphere
_CHARGE_K: Final = 315.0
_PETROL_KG_L: Final = 0.745  # common practice, no source
_AIR_TO_PETROL: Final = 13.0  # between stoichiometric and rich, common practice, no source
_USUAL: Final = "mL/min"
# US gallons, of 231 cubic inches.
_FLOW_UNITS: Final = {
    **{_USUAL: 1.0, "L/h": 16.667, "mL/s": 60.0},
    **{"gal/h": 63.09, "L/min": 1000.0, "gal/min": 3785.4},
}
_UNIT_NEAR: Final = 0.12  # of a unit's factor: as near to it counts as it
_SAME: Final = 1e-3
_LEAST_APART: Final = (
    1.25  # of two units: a US gallon an hour is 1.05 mL/s, as any sensor may be off
)
_MOST_NAMED: Final = 3
_PRESSURE_UNITS: Final = {"kPa": 1.0, "psi": 6.895, "inHg": 3.386, "bar": 100.0}


class Row(NamedTuple):
    """What is kept of a decision: the guard's time (s) and flows (mL/min)."""

    clock_s: float
    expected: float
    delivered: float
    steady: bool


class Mistake(NamedTuple):
    """A likely mistake in a rig: what speaks for it, and what to look at."""

    evidence: str
    check: str

    @property
    def sentence(self) -> str:
        """Both in one."""
        return f"{self.evidence}: check {self.check}"


def wrong_unit(share: float, here: float = 0.0) -> Mistake | None:
    """Return the mistake where a wrong unit would explain a flow; None where none would.

    Args:
        share: What the flow reads, over what is due; > 0.
        here: The unit that a rig states, mL/min; 0 where that isn't known.
    """
    off = {
        (taken, there): abs(_FLOW_UNITS[there] / _FLOW_UNITS[taken] * share - 1.0)
        for taken, there in permutations(_FLOW_UNITS, 2)
        if here == 0.0 or abs(_FLOW_UNITS[taken] / here - 1.0) < _SAME
    }
    near = sorted((pair for pair in off if off[pair] < _UNIT_NEAR), key=lambda pair: off[pair])
    near.sort(key=lambda pair: _USUAL not in pair)
    times = share if share > 1.0 else 1.0 / share
    if not near or times < _LEAST_APART:
        return None
    told = f"{float(f'{times:z.2g}'):zg}"
    reads = f"{told} times" if share > 1.0 else f"1/{told} of"
    alike = " or ".join(f"{there} read as {taken}" for taken, there in near[:_MOST_NAMED])
    return Mistake(
        f"flow reads {reads} what is due in every pull",
        f"its unit ({alike} would look like this)",
    )


class RigMistakes:
    """Keeps what a mistake in the rig would show in, in bounded memory; feed it every decision.

    Args:
        rig: The rig whose guard makes the decisions.
    """

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._gate = 4.0 * rig.flow_sensor.floor_ml_min
        self._rows: deque[Row] = deque(maxlen=MOST_ROWS)
        self._pressures: deque[tuple[float, float]] = deque(maxlen=MOST_ROWS)
        self._clock_s = float("-inf")
        self._busy_s = float("-inf")
        self._was_right = self._was_refused = False
        self.rows = 0  # kept so far

    def take(self, d: Decision) -> None:
        """Take a decision into account; one closer than ``SPACING_S`` to the last is left out."""
        if d.late or not self.is_due(d.clock_s):
            return
        self._clock_s = d.clock_s
        if d.health[ch.BOOST] != HEALTHY:
            return
        self._pressure(d)
        delivered = d.delivered_ml_min
        refused = d.health[ch.DELIVERED] == IMPLAUSIBLE and d.refused_column == ch.DELIVERED
        if refused:  # a wrong unit reads what no sensor of the right one does
            delivered = d.refused
        if delivered != delivered:
            return
        if max(d.expected_ml_min, delivered) > self._gate:
            self._busy_s = d.clock_s
        if d.clock_s - self._busy_s > QUIET_S:
            return
        before = self._rows[-1].expected if self._rows else 0.0
        steady = (
            d.expected_ml_min > self._gate
            and abs(d.expected_ml_min - before) < 0.02 * d.expected_ml_min
            and abs(d.expected_ml_min - d.commanded_ml_min) < 0.05 * d.expected_ml_min
        )
        row = Row(d.clock_s, d.expected_ml_min, delivered, steady)
        self._was_refused |= refused
        if steady and abs(row.delivered / row.expected - 1.0) < RIGHT:
            self._was_right = True
        self._rows.append(row)
        self.rows += 1

    def is_due(self, clock_s: float) -> bool:
        """Whether a decision of this time (the guard's, s) would be taken into account."""
        return clock_s - self._clock_s >= 0.9 * SPACING_S

    def _pressure(self, d: Decision) -> None:
        """Keep a pair: manifold pressure by injector duty and engine speed, and boost as read."""
        engine, injectors = self._rig.engine, self._rig.injectors
        speed_rpm = d.value[ch.ENGINE_SPEED]
        if d.health[ch.ENGINE_SPEED] != HEALTHY or d.health[ch.INJECTOR_DUTY] != HEALTHY:
            return
        dead_share = injectors.dead_time_ms * 1e-3 * speed_rpm / 120.0
        open_share = 0.01 * d.value[ch.INJECTOR_DUTY] - dead_share
        if speed_rpm < 500.0 or open_share < 0.005:  # standing, or fuel cut on overrun
            return
        full_ml_min = injectors.count * injectors.rated_ml_min
        full_ml_min *= sqrt(injectors.fuel_kpa / injectors.rated_kpa)
        air_kg_s = open_share * full_ml_min * _PETROL_KG_L / 60000.0 * _AIR_TO_PETROL
        drawn_m3_s = engine.volumetric_efficiency * engine.displacement_l * 1e-3 * speed_rpm / 120.0
        absolute_kpa = 1e-3 * air_kg_s * _AIR_J_KG_K * _CHARGE_K / drawn_m3_s
        self._pressures.append((absolute_kpa, d.boost_kpa))

    def likely(self) -> tuple[Mistake, ...]:
        """Return the mistakes that are likely; empty where there are none, or too little is known.

        Takes some milliseconds: not for every decision.
        """
        boost = self.of_boost()  # where boost is wrong, so is everything reckoned from it
        found = (boost,) if boost is not None else (self.of_delay(), self.of_share())
        return tuple(mistake for mistake in found if mistake is not None)

    def of_share(self) -> Mistake | None:
        """Say whether flow was off by one share at every level, and never right."""
        steady = sorted((row for row in self._rows if row.steady), key=lambda row: row.expected)
        if self._was_right or len(steady) < ENOUGH_ROWS:
            return None
        shares = [row.delivered / row.expected for row in steady]
        third = len(steady) // 3
        low, share, high = (_middle(shares[i : i + third]) for i in (0, third, len(steady) - third))
        if share <= 0.0 or _spread(shares) > 0.2 or abs(high - low) > 0.1 * share:
            return None
        full = steady[-third].expected
        reads = share * full
        unit = wrong_unit(share)
        if unit is not None and (share >= LEAST_SHARE or self._at_rest(full) < 0.1 * reads):
            return unit
        if share < LEAST_SHARE or self._was_refused:
            return None
        levels = "at every level" if full > 1.3 * steady[third].expected else ""
        percent = " (% would look like this)" * (FULL_PCT[0] < reads < FULL_PCT[1])
        return Mistake(
            f"flow reads {100.0 * share:z.3g} % of what the rig expects {levels or 'all along'}, "
            "from the first spray on",
            f"nozzles, pump, mix and the flow's unit in the rig{percent}, then "
            "what may have been wrong before the first row",
        )

    def _at_rest(self, full: float) -> float:
        """Return what flow mostly reads where hardly any is due; infinite where none is so."""
        rest = [row.delivered for row in self._rows if row.expected < 0.01 * full]
        return _middle(rest) if rest else float("inf")

    def of_delay(self, *, false_pull: bool = False) -> Mistake | None:
        """Say whether flow fits what is expected well, but earlier or later.

        Args:
            false_pull: Whether missing spray was accused, and all arrived: the delay is the first
                to suspect then, and a shift just beyond the rig's tolerance is enough.
        """
        rows = list(self._rows)
        if len(rows) < ENOUGH_ROWS:
            return None
        most = round(LONGEST_SHIFT_S / SPACING_S)
        misfits = {n * SPACING_S: _misfit(rows, n * SPACING_S) for n in range(-most, most + 1, 2)}
        shift_s = min(misfits, key=lambda key: misfits[key])
        for near_s in (shift_s - SPACING_S, shift_s + SPACING_S):
            misfits[near_s] = _misfit(rows, near_s)
        shift_s = min(misfits, key=lambda key: misfits[key])
        sensor = self._rig.flow_sensor
        least_s = sensor.delay_within_s if false_pull else SHORTEST_SHIFT_S
        left = LEFT_AFTER_FALSE_PULL if false_pull else LEFT_OVER
        if (
            not least_s <= abs(shift_s) < LONGEST_SHIFT_S
            or misfits[shift_s] > 0.01
            or misfits[shift_s] > left * misfits[0.0]
        ):
            return None
        delay_s = sensor.delay_s
        way = "later" if shift_s > 0.0 else "earlier"
        return Mistake(
            f"flow reads what the rig expects, but about {abs(shift_s):z.2f} s {way}",
            f"transport_delay ({1000.0 * delay_s:z.0f} ms) and lag in the rig, then whether a "
            "column of the log is late",
        )

    def of_boost(self) -> Mistake | None:
        """Say whether injector duty and engine speed contradict boost by one mistake in its unit.

        Speed-density: the air that the petrol injected can burn, over the volume drawn, is the
        manifold's absolute pressure but for a factor of filling and mixture.
        """
        pairs = list(self._pressures)
        by_duty = sorted(kpa for kpa, _ in pairs)
        few = len(pairs) // 20
        if len(pairs) < ENOUGH_ROWS or 2.0 * by_duty[few] > by_duty[-1 - few]:
            return None
        ambient_kpa = self._rig.engine.ambient_kpa
        as_is = _pressure_misfit(pairs, ambient_kpa, 1.0)
        tried = {"absolute pressure read as gauge": _pressure_misfit(pairs, 0.0, 1.0)}
        for (there, in_there), (here, in_here) in permutations(_PRESSURE_UNITS.items(), 2):
            factor = in_there / in_here
            tried[f"{there} read as {here}"] = _pressure_misfit(pairs, ambient_kpa, factor)
        best = min(tried, key=lambda words: tried[words])
        if tried[best] > 0.5 or tried[best] > 0.5 * as_is:
            return None
        return Mistake(
            f"boost does not go with injector duty and engine speed, but would if it were {best}",
            "unit and absolute in [channels.boost_kpa] of the rig",
        )


def _misfit(rows: list[Row], shift_s: float) -> float:
    """Return the share of delivered flow (squared) that expected flow, shifted, leaves over.

    The gain is free: the least squares of delivered = gain * expected(t - shift).
    """
    with_expected = expected_squared = squared = 0.0
    at, last = 0, len(rows) - 1
    first_s = rows[0].clock_s
    for clock_s, _, delivered, _ in rows:
        then_s = clock_s - shift_s
        if then_s < first_s:
            continue
        while at < last and rows[at + 1].clock_s <= then_s:
            at += 1
        if at == last:
            break
        before_s, before, _, _ = rows[at]
        after_s, after, _, _ = rows[at + 1]
        expected = before + (then_s - before_s) / (after_s - before_s) * (after - before)
        with_expected += delivered * expected
        expected_squared += expected * expected
        squared += delivered * delivered
    if squared <= 0.0 or expected_squared <= 0.0:
        return 1.0
    return 1.0 - with_expected * with_expected / (squared * expected_squared)


def _pressure_misfit(pairs: list[tuple[float, float]], offset_kpa: float, factor: float) -> float:
    """Return how much pressure by duty over pressure as read varies; infinite where impossible."""
    read = [offset_kpa + factor * boost_kpa for _, boost_kpa in pairs]
    if min(read) < LEAST_ABSOLUTE_KPA:
        return float("inf")
    ratios = [by_duty / kpa for (by_duty, _), kpa in zip(pairs, read, strict=True)]
    if not LEAST_FILLING < _middle(ratios) < MOST_FILLING:
        return float("inf")
    return _spread(ratios)


def _middle(values: list[float]) -> float:
    return sorted(values)[len(values) // 2]


def _spread(values: list[float]) -> float:
    """Return the span of the middle eight tenths, over the median; infinite where that is nil."""
    ordered = sorted(values)
    tenth, median = len(ordered) // 10, ordered[len(ordered) // 2]
    return (ordered[-1 - tenth] - ordered[tenth]) / median if median > 0.0 else float("inf")
