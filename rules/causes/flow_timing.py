"""When the flow reading follows the command: delay and lag of this car, from its spray's edges.

A bank of plausible cars judges well only where the true car is one of them. At each onset and end
of healthy spray delay, lag and gain are fitted to the reading (least squares, Gauss-Newton); the
medians of some of both tell whether the rig's tolerances hold. An onset may be late for a pump that
starts slowly, an end for a line that dribbles: only what both agree on is the sensor's. No part of
any action.
"""

from collections import deque
from collections.abc import Sequence
from itertools import pairwise
from math import exp, sqrt
from typing import Final, NamedTuple

from rules import channels as ch
from rules.causes.rig_mistakes import Mistake
from rules.facts import Rig
from rules.step.from_rig import constants_of
from rules.step.state import HEALTHY, Decision

NIL_SHARE: Final = 0.02  # of full flow: a smaller command is none
LEAST_SHARE: Final = 0.25  # and an edge's highest command is no less than this
RESTED_S: Final = 0.5  # without command before an onset, so that nothing flows any more
SPRAYED_S: Final = 0.7  # of command before an end
SEEN_S: Final = 0.25  # before an end: its readings count from here on
SETTLES_S: Final = 0.45  # before that: from here on the command is followed
FOLLOWED_LAGS: Final = 2.0  # of the longest the rig allows, and
FOLLOWED_S: Final = 0.3  # this long beyond the longest delay, until an edge is fitted
SUBSTEP_S: Final = 0.02
TURNS: Final = 4  # of Gauss-Newton
MOVED_S: Final = 0.004  # to see how the reading moves with delay and lag
WIDE: Final = 2.0  # times the rig's delay and lag: how far off they may be for all we know
SHORTEST_S: Final = 0.02  # as far at least
LEAST_NOISE: Final = 0.02
WORST_MISFIT: Final = 0.1  # of the reading: what fits no better isn't healthy
GAIN_BEYOND: Final = 0.05  # the rig's tolerance: an edge shows the gain less well
LEAST_EDGES: Final = 3  # of either kind
MOST_EDGES: Final = 9
SURE: Final = 2.5  # standard errors of a median
OF_A_MEDIAN: Final = 1.25  # its standard error, to that of the mean (normal distribution)
OF_A_DEVIATION: Final = 1.48  # standard deviation, to the median absolute one (the same)
LEAST_SPREAD_S: Final = 0.005
OF_A_PERIOD: Final = 0.3  # a switch may come at any time between two rows (uniform distribution)
SLACK_S: Final = 0.004
MOST_ROWS: Final = 512

Row = tuple[float, float, float, bool]  # clock (s), commanded, delivered (mL/min), a new reading


class Edge(NamedTuple):
    """How the flow followed the command once.

    Attributes:
        delay_s: From the command until the reading moves.
        lag_s: From there to 63 %.
        gain: Of the reading.
        misfit: What is left over, as a share of the reading.
        period_s: How far apart readings were.
        unsure_s: By how much all edges may be off alike: a reading may be as old as it is held, and
            a jump of the command may have come at any time between two rows.
    """

    delay_s: float
    lag_s: float
    gain: float
    misfit: float
    period_s: float
    unsure_s: float = 0.0

    @property
    def both_s(self) -> float:
        """Delay and lag together, which is all that a slow ramp shows."""
        return self.delay_s + self.lag_s


class FlowTiming:
    """Keeps how the flow followed at the newest edges, in bounded memory; feed it every decision.

    Args:
        rig: The rig whose guard makes the decisions.

    Attributes:
        onsets: The newest healthy ones.
        ends: The newest healthy ends.
        edges: How many there were of both.
        keep_s: How far back readings are kept, s.
        nil_ml_min: A smaller command is none.
    """

    def __init__(self, rig: Rig) -> None:
        sensor = self._sensor = rig.flow_sensor
        full_ml_min = constants_of(rig).full_ml_min
        self.nil_ml_min = NIL_SHARE * full_ml_min
        self._least_ml_min = LEAST_SHARE * full_ml_min
        self._followed_s = (
            sensor.delay_s
            + sensor.delay_within_s
            + FOLLOWED_LAGS * (sensor.lag_s + sensor.lag_within_s)
            + FOLLOWED_S
        )
        self.keep_s = self._followed_s + SEEN_S + SETTLES_S
        self.onsets: deque[Edge] = deque(maxlen=MOST_EDGES)
        self.ends: deque[Edge] = deque(maxlen=MOST_EDGES)
        self.edges = 0
        self._rows: deque[Row] = deque(maxlen=MOST_ROWS)
        self._forget()

    def _forget(self) -> None:
        self._rows.clear()
        self._on_s = self._nil_s = 0.0  # how long there has been a command, and none
        self._before_s = 0.0  # how long the other lasted before that
        self._open = False  # whether this edge is still to be fitted

    def take(self, d: Decision) -> None:
        """Take a decision into account: some milliseconds after an edge, else next to nothing."""
        if not d.late:
            usable = d.all_healthy != 0.0 and d.health[ch.DELIVERED] == HEALTHY
            self.follow(d.clock_s, d.commanded_ml_min, d.delivered_ml_min, d.holds_s, usable=usable)

    def follow(
        self, now_s: float, asked: float, reads: float, holds_s: float, *, usable: bool
    ) -> None:
        """Take what ``take`` does out of a decision that was not late.

        Rows far from any spray may be left out.

        Args:
            now_s: The guard's clock.
            asked: Commanded flow, mL/min.
            reads: What the sensor reads, mL/min.
            holds_s: How long it holds a reading, as learned.
            usable: Whether all that is essential is healthy.
        """
        if not usable:
            self._forget()
            return
        rows = self._rows
        if not rows:
            rows.append((now_s, asked, reads, False))
            return
        before = rows[-1]
        dt_s = now_s - before[0]
        if dt_s <= 0.0:
            return
        if self._nil_s > self.keep_s and not self._open and asked <= self.nil_ml_min:
            rows.clear()  # nearly always, and nothing to keep but the newest
        rows.append((now_s, asked, reads, reads != before[2]))
        while rows[0][0] < now_s - self.keep_s:
            rows.popleft()
        if asked > self.nil_ml_min:
            if self._on_s == 0.0:
                self._before_s, self._nil_s, self._open = self._nil_s, 0.0, True
            self._on_s += dt_s
            if self._open and self._on_s >= self._followed_s:
                self._open = False
                if self._before_s >= RESTED_S:
                    self._add(self.onsets, holds_s, self._on_s, 0.0)
        else:
            if self._nil_s == 0.0:
                self._before_s, self._on_s, self._open = self._on_s, 0.0, True
            self._nil_s += dt_s
            if self._open and self._nil_s >= self._followed_s:
                self._open = False
                if self._before_s >= SPRAYED_S:
                    self._add(self.ends, holds_s, self.keep_s, SETTLES_S)

    def _add(self, to: deque[Edge], holds_s: float, back_s: float, unseen_s: float) -> None:
        """Fit the rows of the last ``back_s``, readings not before ``unseen_s`` of that is over."""
        from_s = self._rows[-1][0] - back_s
        rows = [row for row in self._rows if row[0] >= from_s]
        held_s = max(self._sensor.refresh_s, holds_s)
        seen = [
            i
            for i, row in enumerate(rows)
            if i and row[0] >= from_s + unseen_s and (row[3] or held_s == 0.0)
        ]
        asked = max(row[1] for row in rows)
        if len(seen) < 4 or asked < self._least_ml_min or not any(rows[i][2] for i in seen):
            return
        edge = self._fitted(rows, seen, asked)
        within = self._sensor.gain_within + GAIN_BEYOND
        if edge is not None and edge.misfit < WORST_MISFIT and abs(edge.gain - 1.0) < within:
            # How far the command moved between two rows, by how far apart these are: mL/min s.
            unseen = max(abs(b[1] - a[1]) * (b[0] - a[0]) for a, b in pairwise(rows))
            to.append(edge._replace(unsure_s=held_s + 0.5 * unseen / asked))
            self.edges += 1

    def _fitted(self, rows: Sequence[Row], seen: Sequence[int], asked: float) -> Edge | None:
        """Return the delay and lag that fit best, given that the rig is not far wrong."""
        sensor = self._sensor
        delay_s, lag_s = sensor.delay_s, max(sensor.lag_s, SHORTEST_S)
        wide_d = WIDE * max(delay_s, SHORTEST_S)
        wide_l = WIDE * lag_s
        noise = max(sensor.noise, LEAST_NOISE) * asked
        reads = [rows[i][2] for i in seen]
        gain = misfit = 0.0
        for _ in range(TURNS):
            fit = followed(rows, seen, delay_s, lag_s)
            square = _dot(fit, fit)
            if square <= 0.0:
                return None
            gain = _dot(fit, reads) / square
            off = [y - gain * x for x, y in zip(fit, reads, strict=True)]
            misfit = sqrt(_dot(off, off) / _dot(reads, reads))
            later = followed(rows, seen, delay_s + MOVED_S, lag_s)
            slower = followed(rows, seen, delay_s, lag_s + MOVED_S)
            by_delay = _beside(later, fit, gain / MOVED_S, square)
            by_lag = _beside(slower, fit, gain / MOVED_S, square)
            weight = 1.0 / (noise * noise)
            dd = weight * _dot(by_delay, by_delay) + 1.0 / (wide_d * wide_d)
            dl = weight * _dot(by_delay, by_lag)
            ll = weight * _dot(by_lag, by_lag) + 1.0 / (wide_l * wide_l)
            to_d = weight * _dot(by_delay, off) + (sensor.delay_s - delay_s) / (wide_d * wide_d)
            to_l = weight * _dot(by_lag, off) + (sensor.lag_s - lag_s) / (wide_l * wide_l)
            over = dd * ll - dl * dl
            delay_s = min(max(delay_s + (to_d * ll - to_l * dl) / over, 0.0), 2.0 * wide_d)
            lag_s = min(max(lag_s + (dd * to_l - dl * to_d) / over, 0.1 * SHORTEST_S), 2.0 * wide_l)
        period_s = (rows[-1][0] - rows[seen[0]][0]) / (len(seen) - 1)
        return Edge(delay_s, lag_s, gain, misfit, period_s)

    def doubt(self) -> Mistake | None:
        """Return what of the rig's delay and lag doesn't hold; None where that isn't known."""
        if min(len(self.onsets), len(self.ends)) < LEAST_EDGES:
            return None
        sensor = self._sensor
        terms = (
            (0, "delay", sensor.delay_s, sensor.delay_within_s),
            (1, "lag", sensor.lag_s, sensor.lag_within_s),
            (
                2,
                "delay and lag together",
                sensor.delay_s + sensor.lag_s,
                sensor.delay_within_s + sensor.lag_within_s,
            ),
        )
        for place, name, middle_s, within_s in terms:
            onset, end = (_middle(edges, place) for edges in (self.onsets, self.ends))
            nearest = "least", min(onset[0], end[0])
            if min(onset[0] - onset[1], end[0] - end[1]) <= middle_s + within_s:
                nearest = "most", max(onset[0], end[0])
                if max(onset[0] + onset[1], end[0] + end[1]) >= middle_s - within_s:
                    continue
            return _mistake(place, name, nearest, (middle_s, within_s))
        return None


def _mistake(
    place: int, name: str, found: tuple[str, float], of_rig: tuple[float, float]
) -> Mistake:
    """Say which tolerance doesn't hold: ``found`` is a bound and its time, s."""
    longer = found[0] == "least"
    how = (
        ("later", "earlier"),
        ("more slowly", "more quickly"),
        ("later", "earlier"),
    )[place][not longer]
    keys = (
        "transport_delay or transport_delay_within",
        "lag or lag_within",
        "transport_delay, lag or what they may be off by",
    )[place]
    way = "raise" if longer else "lower"
    allow = "allows" if place < 2 else "allow"
    middle_s, within_s = of_rig
    return Mistake(
        f"at onsets and ends of spray the flow follows {how} than the rig's {name} {allow}: "
        f"{1000.0 * found[1]:z.0f} ms at {found[0]}, the rig says {1000.0 * middle_s:z.0f} ms, "
        f"{1000.0 * within_s:z.0f} ms off either way",
        f"[flow_sensor] of the rig ({way} {keys}), then whether a column of the log is "
        f"{'late' if longer else 'early'}",
    )


def _middle(edges: Sequence[Edge], place: int) -> tuple[float, float]:
    """Return the median of a time (0: delay, 1: lag, 2: both) and how far off it may be, s."""
    n = len(edges)
    values = [(edge.delay_s, edge.lag_s, edge.both_s)[place] for edge in edges]
    median_s = _median(values)
    spread_s = OF_A_DEVIATION * _median([abs(value - median_s) for value in values])
    period_s = sum(edge.period_s for edge in edges) / n
    spread_s = max(spread_s, LEAST_SPREAD_S, OF_A_PERIOD * period_s)
    unsure_s = max(edge.unsure_s for edge in edges)
    return median_s, SURE * OF_A_MEDIAN * spread_s / sqrt(n) + SLACK_S + unsure_s


def _median(values: list[float]) -> float:
    ordered = sorted(values)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else 0.5 * (ordered[middle - 1] + ordered[middle])


def _dot(a: Sequence[float], b: Sequence[float]) -> float:
    return sum(x * y for x, y in zip(a, b, strict=True))


def _beside(moved: list[float], fit: list[float], factor: float, square: float) -> list[float]:
    """Return how the reading moves, less what of it a gain would do as well."""
    slope = [factor * (x - y) for x, y in zip(moved, fit, strict=True)]
    along = _dot(slope, fit) / square
    return [x - along * y for x, y in zip(slope, fit, strict=True)]


def followed(rows: Sequence[Row], seen: Sequence[int], delay_s: float, lag_s: float) -> list[float]:
    """Return what a sensor of this delay and lag reads at the rows ``seen``, gain 1, mL/min.

    Before the first row the command was what it is there; between rows it is a straight line, which
    goes through the lag exactly.
    """
    found = []
    wanted = iter(seen)
    want = next(wanted)
    first_s, first, _, _ = rows[0]
    last = len(rows) - 1
    reading = asked = first
    before_s, at = first_s, 0
    for i in range(1, last + 1):
        now_s = rows[i][0]
        steps = 1 + int((now_s - before_s) / SUBSTEP_S)
        step_s = (now_s - before_s) / steps
        kept = exp(-step_s / lag_s)
        part = lag_s / step_s * (1.0 - kept)
        for j in range(1, steps + 1):
            then_s = before_s + j * step_s - delay_s
            while at < last and rows[at + 1][0] <= then_s:
                at += 1
            if then_s <= first_s:
                now = first
            elif at == last:
                now = rows[at][1]
            else:
                a, b = rows[at], rows[at + 1]
                now = a[1] + (then_s - a[0]) / (b[0] - a[0]) * (b[1] - a[1])
            reading = reading * kept + asked * (part - kept) + now * (1.0 - part)
            asked = now
        before_s = now_s
        if i == want:
            found.append(reading)
            want = next(wanted, -1)
    return found
