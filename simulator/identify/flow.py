"""The flow sensor's delay, lag, gain and noise, fitted to how its reading follows the command.

The model is the guard's: the command, one delay ago, behind a first-order lag, times a gain. A
coarse grid finds the neighbourhood; Gauss-Newton on gain, delay and the logarithm of lag does the
rest, with outliers held (Huber, Ann. Math. Statist. 35, 1964), readings weighted by their noise and
whitened by its own correlation time. A sensor that holds its readings is fitted where it gives a
new one, halfway between the rows that show it.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from simulator.identify.model import delayed, filled, lagged
from simulator.identify.readings import rate_of, refresh_of, resolution_of
from simulator.identify.spraying import Spraying

GRID_DELAYS_S: Final = np.arange(-0.30, 0.601, 0.03)
GRID_LAGS_S: Final = (0.01, 0.03, 0.06, 0.10, 0.16, 0.25, 0.40, 0.70)
GRID_ROWS: Final = 12_000
ROUNDS: Final = 4  # of noise and weights anew
TURNS: Final = 12  # of Gauss-Newton in each
HUBER: Final = 2.5  # standard deviations
LEAST_SHARE: Final = 0.006  # of the most that is asked for: noise that doesn't go with the flow
FIRST_NOISE: Final = 0.03
STILL_PER_S: Final = 0.25  # of the most that is asked for: slower a command stands still
STILL_SHARE: Final = 0.15
LAG_MOVED: Final = 1.02
MOST_KEPT: Final = 0.97
LEAST_NOISE: Final = 0.003
LEAST_GAIN: Final = 1e-3
COARSE: Final = 0.3  # of the mean deviation: a lesser median one is a coarse reading's
OUTLIER: Final = 3.0  # standard deviations: farther out counts as that far
OF_A_DEVIATION: Final = 1.4826  # standard deviation, to the median absolute one (normal)


@dataclass(frozen=True, slots=True)
class Seen:
    """What is fitted: readings, and where the model has to be known for them.

    Attributes:
        t_s: Times of command, (n,).
        command: At these, (n,).
        unseen: What the command did between rows unseen, as a variance a second, (n,).
        at_s: Times at which the model is worked out, (m,).
        where: Of these, which belong to a reading, (r,).
        reading: (r,).
        boost: Gauge, kPa, (r,).
        pull: Whose pull each is, (r,).
        first: Whether no reading stands just before it, (r,) of bool.
    """

    t_s: Any
    command: Any
    unseen: Any
    at_s: Any
    where: Any
    reading: Any
    boost: Any
    pull: Any
    first: Any

    def model(self, delay_s: float, lag_s: float) -> tuple[Any, Any]:
        """Return what a sensor of gain 1 reads, and the command that it follows then, (r,) each."""
        asked = delayed(self.t_s, self.command, self.at_s, delay_s)
        return lagged(self.at_s, asked, lag_s)[self.where], asked[self.where]

    def untimed(self, delay_s: float, lag_s: float) -> Any:
        """Return the model's variance from jumps that came at some time between two rows, (r,).

        Each moves the reading by its impulse response: exp(-t / lag) / lag, squared.
        """
        unseen = delayed(self.t_s, self.unseen, self.at_s, delay_s)
        return np.maximum(lagged(self.at_s, unseen, 0.5 * lag_s)[self.where], 0.0) / (2.0 * lag_s)


@dataclass(frozen=True, slots=True)
class FlowFit:
    """A fit.

    Attributes:
        delay_s: Transport delay.
        lag_s: Time to 63 %.
        gain: Reading to model.
        noise: Standard deviation of a reading where the command stands still, share of it.
        lasts_s: How long noise takes to fall to a 1/e part, 0 where that can't be told from none.
        refresh_s: How long the sensor holds a reading; 0: new in every row.
        period_s: Usual time between two rows.
        seen: What was fitted.
        off: What each reading is off the model, mL/min, (r,).
        expected: The model, gain included, (r,).
        whitened: ``off`` in standard deviations, and whitened, (r,).
        slopes: How ``whitened`` moves with gain, delay and log lag, (r, 3).
        weight: What each counts, 0 to 1, (r,).
    """

    delay_s: float
    lag_s: float
    gain: float
    noise: float
    lasts_s: float
    refresh_s: float
    period_s: float
    seen: Seen
    off: Any
    expected: Any
    whitened: Any
    slopes: Any
    weight: Any


def jumps_of(command: Any) -> Any:
    """Return by how much the command changed more before each row than around it, (n,)."""
    steps = np.abs(np.diff(command, prepend=command[0], append=command[-1]))
    return np.maximum(steps[:-1] - np.maximum(np.append(0.0, steps[:-2]), steps[1:]), 0.0)


def seen_of(spray: Spraying, refresh_s: float) -> Seen:
    """Return what there is to fit: each reading, or where they are held each new one."""
    use = spray.seen
    at_s = spray.t_s
    if refresh_s > 0.0:
        same_pull = spray.pull[1:] == spray.pull[:-1]
        new = np.diff(spray.reading) != 0.0
        use = use & np.concatenate(([False], new & same_pull & spray.seen[:-1]))
        half_s = 0.5 * np.diff(spray.t_s)
        at_s = spray.t_s - np.concatenate(([0.0], half_s))
    places = np.flatnonzero(use)
    knots = np.union1d(spray.t_s, at_s[places]) if refresh_s > 0.0 else spray.t_s
    fine_s, at = filled(knots)
    pull = spray.pull[places]
    apart = np.diff(at_s[places], prepend=-np.inf)
    period_s = max(refresh_s, rate_of(spray.t_s).period_s)
    return Seen(
        t_s=spray.t_s,
        command=spray.command,
        unseen=jumps_of(spray.command) ** 2 * np.gradient(spray.t_s) / 12.0,
        at_s=fine_s,
        where=at[np.searchsorted(knots, at_s[places])],
        reading=spray.reading[places],
        boost=spray.boost[places],
        pull=pull,
        first=(np.diff(pull, prepend=-1) != 0) | (apart > max(0.35, 4.0 * period_s)),
    )


def fit_flow(spray: Spraying) -> FlowFit:
    """Fit delay, lag, gain and noise to stretches of spray; one reading of spray at least."""
    most = _most(spray)
    asked = delayed(spray.t_s, spray.command, spray.t_s, 0.1)
    top = float(np.quantile(spray.reading[spray.seen], 0.95))
    lively = spray.seen & (asked > 0.1 * most) & (spray.reading > 0.05 * top)
    refresh_s = refresh_of(spray.t_s, spray.reading, lively)
    seen = seen_of(spray, refresh_s)
    delay_s, lag_s = _coarse(spray, seen, refresh_s, top)
    return _refined(seen, delay_s, lag_s, most, refresh_s, rate_of(spray.t_s).period_s)


def refitted(fit: FlowFit, spray: Spraying, pulls: Any) -> FlowFit:
    """Return a fit of some pulls alone, which begins at that of all.

    Args:
        fit: That of all.
        spray: What it was fitted to.
        pulls: Which of ``spray.pulls``, (len(pulls),) of bool; with one reading at least.
    """
    some = spray.only(pulls)
    seen = seen_of(some, fit.refresh_s)
    return _refined(seen, fit.delay_s, fit.lag_s, _most(some), fit.refresh_s, fit.period_s)


def _most(spray: Spraying) -> float:
    return float(np.quantile(spray.command[spray.command > 0.0], 0.95))


def _coarse(spray: Spraying, seen: Seen, refresh_s: float, top: float) -> tuple[float, float]:
    """Return the best of a grid of delays and lags, by as many pulls as there is need for."""
    each = max(len(seen.reading) // GRID_ROWS, 1)
    if each > 1:
        seen = seen_of(spray.only(np.arange(len(spray.pulls)) % each == 0), refresh_s)
    weight = 1.0 / ((0.02 * top) ** 2 + (0.04 * np.maximum(seen.reading, 0.0)) ** 2)
    best = (np.inf, 0.0, 0.1)
    for delay_s in GRID_DELAYS_S:
        asked = delayed(seen.t_s, seen.command, seen.at_s, delay_s)
        for lag_s in GRID_LAGS_S:
            model = lagged(seen.at_s, asked, lag_s)[seen.where]
            gain = (weight * model * seen.reading).sum() / max((weight * model**2).sum(), 1e-9)
            off = weight * (seen.reading - gain * model) ** 2
            loss = float(np.minimum(off, 25.0).sum())
            if loss < best[0]:
                best = loss, float(delay_s), lag_s
    return best[1], best[2]


def _whiten(x: Any, kept: Any, first: Any) -> Any:
    """Return the news in each value of a process of which ``kept`` goes on, of one variance."""
    out = x.copy()
    out[1:] = (x[1:].T - kept[1:] * x[:-1].T).T
    out[1:] = (out[1:].T / np.sqrt(1.0 - kept[1:] ** 2)).T
    out[first] = x[first]
    return out


def _refined(
    seen: Seen, delay_s: float, lag_s: float, most: float, refresh_s: float, period_s: float
) -> FlowFit:
    apart_s = np.diff(seen.at_s[seen.where], prepend=0.0)
    model, asked = seen.model(delay_s, lag_s)
    gain = float((model * seen.reading).sum() / max((model**2).sum(), 1e-9))
    gain = max(gain, LEAST_GAIN)  # a dead pull reads nothing at all
    noise, lasts_s = FIRST_NOISE, 0.0
    rounding = resolution_of(seen.reading) / np.sqrt(12.0)
    floor = float(np.hypot(LEAST_SHARE * gain * most, rounding))
    for _ in range(ROUNDS):
        kept = np.exp(-apart_s / lasts_s) if lasts_s > 0.0 else np.zeros(len(apart_s))
        kept = np.where(seen.first, 0.0, np.minimum(kept, MOST_KEPT))
        untimed = gain**2 * seen.untimed(delay_s, lag_s)
        deviation = np.sqrt(floor**2 + (noise * gain * model) ** 2 + untimed)
        for _ in range(TURNS):
            slower, _ = seen.model(delay_s, LAG_MOVED * lag_s)
            slopes = np.column_stack(
                (
                    model,
                    -gain * (asked - model) / lag_s,
                    gain * (slower - model) / np.log(LAG_MOVED),
                )
            )
            slopes = _whiten((slopes.T / deviation).T, kept, seen.first)
            off = _whiten((seen.reading - gain * model) / deviation, kept, seen.first)
            scale = max(OF_A_DEVIATION * float(np.median(np.abs(off))), 0.3)
            weight = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(off), 1e-9))
            normal = (slopes.T * weight) @ slopes
            normal += np.diag(1e-6 * np.diag(normal) + 1e-12)
            step = np.linalg.solve(normal, (slopes.T * weight) @ off)
            gain += float(np.clip(step[0], -0.3 * gain, 0.3 * gain))
            delay_s = float(np.clip(delay_s + np.clip(step[1], -0.06, 0.06), -0.4, 0.8))
            lag_s = float(np.clip(lag_s * np.exp(np.clip(step[2], -0.6, 0.6)), 0.003, 2.0))
            model, asked = seen.model(delay_s, lag_s)
            if abs(step[1]) < 2e-5 and abs(step[2]) < 2e-4 and abs(step[0]) < 1e-5:
                break
        raw, expected = seen.reading - gain * model, gain * model
        still = (np.abs(asked - model) / lag_s < STILL_PER_S * most) & (model > STILL_SHARE * most)
        if still.sum() > 30:
            noise = max(deviation_of(raw[still] / expected[still]), LEAST_NOISE)
        shares = np.clip(raw / np.hypot(floor, noise * expected), -4.0, 4.0)
        lasts_s = lasting_s(seen.at_s[seen.where], shares, seen.first, still)
    return FlowFit(
        delay_s,
        lag_s,
        gain,
        noise,
        lasts_s,
        refresh_s,
        period_s,
        seen,
        raw,
        expected,
        off,
        slopes,
        weight,
    )


def deviation_of(values: Any) -> float:
    """Return a standard deviation that a fault hardly changes, nor that most values are alike."""
    off = np.abs(values - np.median(values))
    usual = OF_A_DEVIATION * float(np.median(off))
    if usual < COARSE * float(np.mean(off)):  # a coarse reading, most of the time on one step
        usual = float(np.mean(off))
    return float(np.sqrt(np.mean(np.minimum(off, OUTLIER * usual) ** 2)))


def lasting_s(at_s: Any, off: Any, first: Any, use: Any) -> float:
    """Return the time in which noise falls out of step with itself (1/e), s; 0: not told from none.

    From what the values one, two, three ... rows apart have in common, up to half a second.
    """
    if use.sum() < 60:
        use = np.ones(len(off), bool)
    bout = np.cumsum(first)
    off = off - np.median(off[use])
    variance = float(np.mean(off[use] ** 2))
    if variance <= 0.0:
        return 0.0
    apart_s, shared = [], []
    for k in range(1, len(off)):
        both = use[k:] & use[:-k] & (bout[k:] == bout[:-k])
        if both.sum() < 20:
            break
        apart = at_s[k:] - at_s[:-k]
        apart_s.append(float(apart[both].mean()))
        shared.append(float(np.mean(off[k:][both] * off[:-k][both])) / variance)
        if shared[-1] < 0.15 or apart_s[-1] > 0.5:
            break
    if not shared or shared[0] < 0.12:
        return 0.0
    part, apart = np.clip(shared, 0.02, 0.999), np.array(apart_s)
    weight = part**2
    return float(
        np.clip((weight * apart**2).sum() / (weight * apart * -np.log(part)).sum(), 0, 0.6)
    )
