"""What is learned of this car while it is healthy: its noise, how long that lasts, and its gain.

All of it within what the rig allows, so that no slow fade is ever learned as normal: the noise
within bounds, the gain within its tolerance, both from entries alone in which every plausible car
expects the same and nothing speaks for a shortfall.
"""

from math import sqrt

from rules.step.arithmetic import clamp, smaller
from rules.step.constants import Constants
from rules.step.state import State

REMEMBERED_S = 30.0  # of healthy spraying: what was learned longer ago is forgotten
MEAN_REMEMBERED_S = 5.0
STATED_S = 2.0  # of healthy spraying: what the rig states is worth as much
DOUBTED_S = 10.0  # of healthy spraying until half the doubt of the gain is gone
OUTLIER = 3.0  # standard deviations; what lies farther out counts as that far
LEAST_NOISE = 0.5  # of the rig's standard deviation
MOST_NOISE = 4.0
LONGEST_CORRELATION_S = 0.25
MOST_KEPT = 0.97


def forget(k: Constants, s: State) -> None:
    """Know no more of this car than its rig says."""
    s.gain = 1.0
    s.doubt = k.gain_within
    s.noise_sq = k.noise_sq
    s.correlation_s = k.correlation_s
    s.covariance = 0.0
    s.mean_residual = 0.0
    s.entry_usual_s = 0.0
    s.learned_s = 0.0


def learn(k: Constants, s: State, residual: float, before: float, entry_s: float) -> None:
    """Learn from one entry of plenty of steady spray.

    Args:
        k: Constants.
        s: State.
        residual: What this entry's reading was off, as a share of the expected flow.
        before: What that of the entry before was.
        entry_s: How long the entry is, s, > 0.
    """
    s.learned_s += entry_s
    weight = entry_s / (entry_s + smaller(STATED_S + s.learned_s, REMEMBERED_S))
    most = OUTLIER * sqrt(s.noise_sq)
    s.gain = clamp(
        s.gain * (1.0 + weight * clamp(residual, -most, most)), k.lowest_gain, k.highest_gain
    )
    s.doubt = k.least_doubt + (k.gain_within - k.least_doubt) * DOUBTED_S / (
        DOUBTED_S + s.learned_s
    )
    learn_noise(k, s, residual, before, weight, entry_s)


def learn_noise(
    k: Constants, s: State, residual: float, before: float, weight: float, entry_s: float
) -> None:
    """Learn the noise's variance and how long it lasts, from two residuals in a row."""
    if s.entry_usual_s == 0.0:
        s.entry_usual_s = entry_s
        s.covariance = s.noise_sq * s.correlation_s / (s.correlation_s + entry_s)
    most = OUTLIER * sqrt(s.noise_sq)
    to_mean = entry_s / (entry_s + smaller(s.learned_s, MEAN_REMEMBERED_S))
    now = residual - s.mean_residual
    then = before - s.mean_residual
    off = clamp(now, -most, most)
    s.mean_residual += to_mean * off
    square = most * most
    s.covariance += weight * (clamp(now * then, -square, square) - s.covariance)
    s.noise_sq = clamp(
        s.noise_sq + weight * (off * off - s.noise_sq), k.least_noise_sq, k.most_noise_sq
    )
    s.entry_usual_s += weight * (entry_s - s.entry_usual_s)
    kept = clamp(s.covariance / s.noise_sq, 0.0, MOST_KEPT)
    s.correlation_s = smaller(s.entry_usual_s * kept / (1.0 - kept), LONGEST_CORRELATION_S)
