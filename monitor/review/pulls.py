"""Pulls in a log: when the engine ran at full throttle, through which speeds, in which gear.

Pure: columns go in block by block, pulls come out with their rows once they are over, so that a log
of any size takes the memory of one pull. By throttle where it is read; else by boost and an engine
that speeds up. A shift ends a pull, also one with the foot down. A log without spray has pulls too.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import inf, isnan, log, pi
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.review.parts import Parts
from rules.channels import LATE_S, TIME_BOUND_S
from rules.facts import Rig, Vehicle

Floats = npt.NDArray[np.float64]

FULL_PCT: Final = 90.0  # of throttle, from which on it is full; common practice, no source
SHORTEST_S: Final = 1.0
MOST_ROWS: Final = 200_000  # a longer one is told as several
_BRIDGED_S: Final = 0.12  # a throttle that trembles; a shift takes longer
_HOLE_S: Final = 0.6  # without a row, and it is another pull
_ANY: Final = (-1e300, 1e300)
_EXTRA_AGE_S: Final = 1.0  # of what is no channel: a position comes as seldom
_BOOST_NOISE_KPA: Final = 1.0
_TURNING_RPM: Final = 1000.0  # more than idle, or the pedal is tried with the engine off
# Two engine speeds so far apart in time, and the later so much lower: a shift, or a spinning wheel
# that grips again.
_SHIFT_S: Final = 0.3
_SHIFT_SHARE: Final = 0.93
_RISES: Final = 1.1  # by boost alone: the last engine speed over the first
_KEEPS: Final = 0.12  # how far a gear's ratio may be from the gearbox's, and from itself
_SHIFT_WITHIN: Final = 0.06  # the same of the step from one gear to the next, as a logarithm
_LONGEST_SHIFT_S: Final = 1.5
_LINE_S: Final = 0.5  # of engine speed, that a line is laid through at a pull's ends
_HELD: Final = ("engine_speed_rpm", "throttle_pct", "boost_kpa", "gear", "speed_kmh")


class Gear(NamedTuple):
    """A gear, from first up, and how it is known; or None, and why it isn't."""

    number: int | None
    why: str


_NOT_YET: Final = Gear(None, "the log is not at its end")


@dataclass(slots=True)
class Pull:
    """A run at full throttle, in one gear.

    Attributes:
        start_s: Time of its first row.
        end_s: Of its last.
        low_rpm: Lowest engine speed; NaN where none is read.
        high_rpm: Highest.
        rows: The rows it was found in, by column, each (m,): as they were handed in, but that
            ``engine_speed_rpm``, ``throttle_pct`` and ``boost_kpa``, ``gear`` and ``speed_kmh``
            hold the newest value in each row, NaN where that is too old. Whoever needs them no
            more may put none in their place. Those of all pulls that one block ended are the same.
        at: Which of these are its own.
        gear: Known once the log is at its end.
    """

    start_s: float
    end_s: float
    low_rpm: float
    high_rpm: float
    rows: Mapping[str, Floats] = field(repr=False)
    at: slice
    gear: Gear = _NOT_YET
    _first_rpm: float = field(default=np.nan, repr=False)
    _last_rpm: float = field(default=np.nan, repr=False)
    _column: float = field(default=np.nan, repr=False)  # the gear as logged; NaN: it changes
    _ratio: tuple[float, float] | None = field(default=None, repr=False)  # rpm a km/h; its spread

    @property
    def length_s(self) -> float:
        """How long it lasts."""
        return self.end_s - self.start_s

    @property
    def columns(self) -> dict[str, Floats]:
        """Its own rows by column, each (n,)."""
        return {name: values[self.at] for name, values in self.rows.items()}


def full_boost_kpa(rig: Rig) -> float:
    """Return the boost, gauge, from which an engine that speeds up runs at full throttle.

    Half way from the onset of spray to the dry limit: a dry run gets there too. Where nothing
    boosts, what ``[paid]`` ends at: the least there is at full throttle, at its highest speed.
    """
    if rig.unboosted:
        return rig.paid.boost_kpa[-1] - _BOOST_NOISE_KPA
    return 0.5 * (rig.command.start_boost_kpa + rig.paid.dry_limit_kpa)


class PullFinder:
    """Finds pulls in columns that come block by block.

    Args:
        rig: The car; ``[vehicle]`` says what the gears are.

    Attributes:
        pulls: All that are over, in order; each has its gear once ``finish`` was called.
        most_throttle_pct: The most that was read; minus infinite where none was.
    """

    def __init__(self, rig: Rig) -> None:
        self.pulls: list[Pull] = []
        self.most_throttle_pct = -inf
        self._full_kpa = full_boost_kpa(rig)
        self._gears = _Gearbox(rig.vehicle)
        self._terms = {channel.name: channel for channel in rig.channels}
        self._newest: dict[str, tuple[float, float]] = {}  # its time, and itself
        self._kept: dict[str, Floats] | None = None  # rows of a pull that may go on
        self._shift_s = 0.0  # what is added to times so that they never step back
        self._last_s: float | None = None
        self._most_s = -inf

    def take(self, columns: Mapping[str, Any]) -> list[Pull]:
        """Take a block of rows; return the pulls that are over now.

        Args:
            columns: ``time_s`` and what else there is, (n,): the channels by name, ``gear``,
                ``speed_kmh``, and any others, which come back with a pull's rows. NaN or
                ``NOT_SENT``: nothing known. Rows that came late are left out.
        """
        if self._is_calm(columns):
            return []
        rows = {name: np.ascontiguousarray(values, float) for name, values in columns.items()}
        timed = np.abs(rows["time_s"]) < TIME_BOUND_S
        if not timed.all():
            rows = {name: values[timed] for name, values in rows.items()}
        if not len(rows["time_s"]):
            return []
        rows["_run_s"] = self._running(rows["time_s"])
        in_order = (
            rows["_run_s"]
            >= np.maximum.accumulate(np.concatenate(([self._most_s], rows["_run_s"])))[1:]
        )
        if not in_order.all():
            rows = {name: values[in_order] for name, values in rows.items()}
            if not len(rows["_run_s"]):
                return []
        self._most_s = float(rows["_run_s"][-1])
        for name in _HELD:
            rows[name] = self._hold(name, rows)
        self.most_throttle_pct = float(
            np.fmax(self.most_throttle_pct, np.fmax.reduce(rows["throttle_pct"]))
        )
        if self._kept is not None:
            kept = self._kept
            rows = {name: np.concatenate((kept[name], new)) for name, new in rows.items()}
        return self._close(rows, at_end=False)

    def _is_calm(self, columns: Mapping[str, Any]) -> bool:
        """Whether no pull goes on, and throttle is read, and below full, in all of some rows.

        Then they are passed over quickly, as nearly all of a street log.
        """
        time_s, throttle_pct = columns["time_s"], columns.get("throttle_pct")
        if throttle_pct is None or self._kept is not None or not len(time_s):
            return False
        throttle_pct, time_s = throttle_pct.copy(), time_s.copy()  # quicker to go through
        low, _ = self._bounds("throttle_pct")
        if not ((throttle_pct >= low) & (throttle_pct < FULL_PCT)).all():
            return False
        if not (-TIME_BOUND_S < time_s[0] <= time_s[-1] < TIME_BOUND_S):
            return False
        if time_s[0] + self._shift_s < self._most_s or not (time_s[1:] >= time_s[:-1]).all():
            return False  # late, a clock that stepped back, or what is no time
        self._last_s = float(time_s[-1])
        self._most_s = self._last_s + self._shift_s
        self.most_throttle_pct = max(self.most_throttle_pct, float(throttle_pct.max()))
        for name in _HELD:
            if name in columns:
                self._note_newest(name, time_s + self._shift_s, columns[name])
        return True

    def _bounds(self, name: str) -> tuple[float, float]:
        terms = self._terms.get(name)
        return _ANY if terms is None else (terms.low, terms.high)

    def _note_newest(self, name: str, run_s: Floats, values: Floats) -> None:
        """Note the newest value that is known."""
        low, high = self._bounds(name)
        known = low <= values[-1] <= high  # nearly always
        at = [-1] if known else np.flatnonzero((values >= low) & (values <= high))[-1:]
        if len(at):
            self._newest[name] = float(run_s[at[0]]), float(values[at[0]])

    def finish(self) -> list[Pull]:
        """Return the pull that ends with the log, if any; settle all gears."""
        last = [] if self._kept is None else self._close(self._kept, at_end=True)
        self._gears.settle(self.pulls)
        return last

    def _running(self, time_s: Floats) -> Floats:
        """Return times that go on where the clock stepped back."""
        before_s = time_s[0] if self._last_s is None else self._last_s
        steps_s = time_s - np.concatenate(([before_s], time_s[:-1]))
        steps_s = np.cumsum(np.where(steps_s < -LATE_S, -steps_s, 0.0))
        running: Floats = time_s + (self._shift_s + steps_s)
        self._shift_s += float(steps_s[-1])
        self._last_s = float(time_s[-1])
        return running

    def _hold(self, name: str, rows: Mapping[str, Floats]) -> Floats:
        """Return the newest value at each row; NaN where there is none, or it is too old."""
        run_s = rows["_run_s"]
        values = rows.get(name)
        if values is None:
            return np.full(len(run_s), np.nan)
        low, high = self._bounds(name)
        known = (values >= low) & (values <= high)
        if not known.all():
            from simulator.identify.spraying import latest  # loads all that fits a car

            terms = self._terms.get(name)
            age_s = _EXTRA_AGE_S if terms is None else terms.max_age_s
            then_s, then = self._newest.get(name, (run_s[0], np.nan))
            values = np.where(known, values, np.nan)
            held: Floats = latest(
                np.concatenate(([then], values)), np.concatenate(([then_s], run_s)), age_s
            )[1:]
            self._note_newest(name, run_s, values)
            return held
        self._note_newest(name, run_s, values)
        return values

    def _full(self, rows: Mapping[str, Floats]) -> Any:
        """Return in which rows the throttle is full, (n,) of bool; unknown is not."""
        throttle_pct = rows["throttle_pct"]
        by_boost = np.isnan(throttle_pct) & (rows["boost_kpa"] >= self._full_kpa)
        turning = ~(rows["engine_speed_rpm"] < _TURNING_RPM)
        return turning & ((throttle_pct >= FULL_PCT) | by_boost)

    def _close(self, rows: dict[str, Floats], *, at_end: bool) -> list[Pull]:
        run_s = rows["_run_s"]
        parts: list[slice] = []
        self._kept = None
        for begin, end in _runs(self._full(rows), run_s):
            goes_on = run_s[-1] - run_s[end - 1] <= _BRIDGED_S and len(run_s) - begin < MOST_ROWS
            if goes_on and not at_end:
                self._kept = {name: values[begin:] for name, values in rows.items()}
                break
            parts += self._parts(rows, begin, end)
        found = [] if not parts else _pulls_of(rows, parts)
        self.pulls += found
        return found

    def _parts(self, rows: Mapping[str, Floats], begin: int, end: int) -> Iterator[slice]:
        """Yield a run's parts between shifts that are long enough."""
        run_s, rpm = rows["_run_s"][begin:end], rows["engine_speed_rpm"][begin:end]
        known = np.isfinite(rpm)
        fell: Any = np.zeros(len(rpm), dtype=bool)
        if known.any():
            before_rpm = np.interp(run_s - _SHIFT_S, run_s[known], rpm[known])
            fell = rpm < _SHIFT_SHARE * before_rpm
        first = 0
        for fall, over in _runs(fell, run_s) if fell.any() else ():
            # It fell from its highest on, and rises again from its lowest.
            fall = int(np.searchsorted(run_s, run_s[fall] - _SHIFT_S))
            last = fall + int(np.nanargmax(rpm[fall:over]))
            if run_s[last] - run_s[first] >= SHORTEST_S:
                yield slice(begin + first, begin + last + 1)
            first = last + int(np.nanargmin(rpm[last:over]))
        if len(run_s) and run_s[-1] - run_s[first] >= SHORTEST_S:
            yield slice(begin + first, end)


def pulls_of(columns: Mapping[str, Any], rig: Rig) -> list[Pull]:
    """Return the pulls of a whole log; for ``columns`` and ``rig`` see ``PullFinder``."""
    finder = PullFinder(rig)
    finder.take(columns)
    finder.finish()
    return finder.pulls


def _runs(on: Any, run_s: Floats) -> list[tuple[int, int]]:
    """Return where rows are on, first and behind the last, short gaps bridged."""
    edges = np.flatnonzero(np.diff(on, prepend=False, append=False))
    holes = np.flatnonzero(run_s[1:] - run_s[:-1] > _HOLE_S) + 1
    cuts = set(holes[on[holes]].tolist()) if len(holes) else set()
    if cuts:
        edges = np.sort(np.concatenate((edges, np.repeat([*cuts], 2)))).astype(int)
    runs: list[tuple[int, int]] = []
    for begin, end in edges.reshape(-1, 2).tolist():
        if begin == end:
            continue
        if runs and begin not in cuts and run_s[begin] - run_s[runs[-1][1] - 1] <= _BRIDGED_S:
            runs[-1] = runs[-1][0], end
        else:
            runs.append((begin, end))
    return runs


def _pulls_of(rows: dict[str, Floats], slices: Sequence[slice]) -> list[Pull]:
    """Return the pulls among parts of rows: throttle is read in them, or engine speed rises."""
    parts = Parts([at.start for at in slices], [at.stop for at in slices])
    run_s = rows.pop("_run_s")
    time_s, rpm, throttle_pct = (
        rows[name] for name in ("time_s", "engine_speed_rpm", "throttle_pct")
    )
    told = zip(
        slices,
        parts.reduced(np.fmin, rpm).tolist(),
        parts.reduced(np.fmax, rpm).tolist(),
        parts.reduced(np.fmax, throttle_pct).tolist(),
        _rpm_at_start(run_s, rpm, slices),
        _rpm_at_end(run_s, rpm, slices),
        strict=True,
    )
    return [
        Pull(
            start_s=float(time_s[at.start]),
            end_s=float(time_s[at.stop - 1]),
            low_rpm=low_rpm,
            high_rpm=high_rpm,
            rows=rows,
            at=at,
            _first_rpm=first_rpm,
            _last_rpm=last_rpm,
            _column=_steady_gear(rows["gear"][at]),
            _ratio=_ratio_of(rpm[at], rows["speed_kmh"][at]),
        )
        for at, low_rpm, high_rpm, most_pct, first_rpm, last_rpm in told
        if last_rpm >= _RISES * first_rpm or not isnan(most_pct)
    ]


def _rpm_at_start(run_s: Floats, rpm: Floats, slices: Sequence[slice]) -> list[float]:
    begins = np.array([at.start for at in slices])
    ends = np.minimum(
        run_s.searchsorted(run_s[begins] + _LINE_S, "right"), [at.stop for at in slices]
    )
    return _on_lines(run_s, rpm, begins, ends, run_s[begins])


def _rpm_at_end(run_s: Floats, rpm: Floats, slices: Sequence[slice]) -> list[float]:
    ends = np.array([at.stop for at in slices])
    begins = np.maximum(run_s.searchsorted(run_s[ends - 1] - _LINE_S), [at.start for at in slices])
    return _on_lines(run_s, rpm, begins, ends, run_s[ends - 1])


def _on_lines(run_s: Floats, rpm: Floats, begins: Any, ends: Any, at_s: Floats) -> list[float]:
    """Return engine speed at some moments, by a straight line through what is read near each.

    Args:
        run_s: Times, (n,), in order.
        rpm: Engine speed, (n,); NaN where unknown.
        begins: First row near each moment, (p,).
        ends: Behind the last.
        at_s: The moments, (p,).
    """
    near = Parts(begins, ends)
    y = near.inside(rpm)
    known = np.isfinite(y)
    y = np.where(known, y, 0.0)
    x = np.where(known, near.inside(run_s) - at_s[near.part], 0.0)
    count, of_x, of_y, of_xx, of_xy = (
        np.add.reduceat(values, near.starts) for values in (1.0 * known, x, y, x * x, x * y)
    )
    with np.errstate(invalid="ignore"):  # where nothing is known
        slope = (of_xy - of_x * of_y / count) / np.maximum(of_xx - of_x * of_x / count, 1e-12)
        found = (of_y - slope * of_x) / count
    for few in np.flatnonzero(count < 3.0).tolist():
        first = y[(near.part == few) & known][:1]
        found[few] = first[0] if len(first) else np.nan
    lines: list[float] = found.tolist()
    return lines


def _ratio_of(rpm: Floats, speed_kmh: Floats) -> tuple[float, float] | None:
    """Return engine speed over road speed, rpm a km/h, and how far that spreads; None unknown."""
    moves = speed_kmh > 1.0
    if moves.any():
        moves &= np.isfinite(rpm)
    if not moves.any():
        return None
    low, mid, high = np.percentile(rpm[moves] / speed_kmh[moves], (10.0, 50.0, 90.0)).tolist()
    return mid, high / low - 1.0 if low > 0.0 else inf


def _steady_gear(gear: Floats) -> float:
    """Return the gear that nearly all rows log; 0 where none is logged, NaN where it changes."""
    logged = gear[np.isfinite(gear)]
    if not len(logged):
        return 0.0
    mid = float(np.round(np.median(logged)))
    return mid if np.mean(abs(logged - mid) < 0.1) >= 0.8 and 1.0 <= mid <= 20.0 else np.nan


class _Gearbox:
    """What tells a pull's gear, the surest first."""

    def __init__(self, vehicle: Vehicle) -> None:
        self.stated = vehicle != Vehicle()
        self._ratios = vehicle.gears
        # Engine speed over wheel speed is the gearing; 30 / pi turns a minute are 1 rad/s.
        per_kmh = vehicle.final_drive / vehicle.tyre_radius_m / 3.6 * 30.0 / pi
        self._rpm_per_kmh = [ratio * per_kmh for ratio in vehicle.gears]

    def settle(self, pulls: Sequence[Pull]) -> None:
        for pull in pulls:
            pull.gear = self._alone(pull)
        for chain in _chains(pulls):
            if self.stated and len(chain) > 1:
                self._by_shifts(chain)

    def _alone(self, pull: Pull) -> Gear:
        if isnan(pull._column):
            return Gear(None, "the gear as logged changes within the pull")
        if pull._column:
            return Gear(int(pull._column), "as logged")
        if not self.stated:
            return Gear(None, "no gear is logged, and the rig states no [vehicle]")
        if pull._ratio is None:
            return Gear(None, "neither gear nor road speed is logged, and no shift tells it")
        ratio, spread = pull._ratio
        if spread > _KEEPS:
            return Gear(None, "engine speed and road speed keep no one ratio (shift, slip, spin)")
        near = _nearest([abs(log(ratio / own)) for own in self._rpm_per_kmh], _KEEPS)
        if near is None:
            return Gear(None, "engine speed over road speed is near no gear of [vehicle]")
        return Gear(near + 1, "by road speed")

    def _by_shifts(self, chain: Sequence[Pull]) -> None:
        """Settle gears by how far engine speed fell in each shift up, where one set fits."""
        falls = [log(a._last_rpm / b._first_rpm) for a, b in pairwise(chain)]
        steps = [log(a / b) for a, b in pairwise(self._ratios)]
        starts = range(len(steps) - len(falls) + 1)
        off = [max(abs(f - s) for f, s in zip(falls, steps[g:], strict=False)) for g in starts]
        first = _nearest(off, _SHIFT_WITHIN)
        if first is None:
            return
        for gear, pull in enumerate(chain, start=first + 1):
            if pull.gear.number is None and not isnan(pull._column):
                pull.gear = Gear(gear, "by the shift's fall of engine speed")


def _nearest(off: Sequence[float], within: float) -> int | None:
    """Return which is least, where it is near and the next is at least twice as far off."""
    if not off:
        return None
    best = min(range(len(off)), key=off.__getitem__)
    others = [one for i, one in enumerate(off) if i != best]
    return best if off[best] <= within and min(others, default=inf) >= 2.0 * off[best] else None


def _chains(pulls: Sequence[Pull]) -> Iterator[list[Pull]]:
    """Yield pulls that follow one another with nothing between them but a shift up."""
    chain: list[Pull] = []
    for pull in pulls:
        if chain:
            gap_s = pull.start_s - chain[-1].end_s
            if not (0.0 < gap_s <= _LONGEST_SHIFT_S and pull._first_rpm < chain[-1]._last_rpm):
                yield chain
                chain = []
        chain.append(pull)
    yield chain
