"""The least delay any detector can have for a known shift, in theory.

Lorden, Ann. Math. Stat. 42 (1971) 1897-1908: among all rules with mean time between false trips of
at least ARL0, the worst-case mean delay is, for large ARL0, log(ARL0) / KL samples, KL being the
information a sample holds; Moustakides, Ann. Stat. 14 (1986) 1379-1387: CUSUM attains it exactly.

Assumptions, each in favour of the bound: the shift and this car's gain, delay and lag are known;
noise is all there is (normal, 4 % of full flow, correlated over 50 ms), no timing error, no
quantisation. Two readings of it:

- *step*: the ratio falls at once after the transport delay, and samples are independent once
  decimated to two correlation times (sum of correlations of exp(-t / tau), both sides).
- *through the lag*: the fall passes the sensor's lag, and noise is whitened before it is counted
  (for exponential correlation the information rate of a signal s is
  (s + tau s')^2 / (4 tau sigma^2), from its whitening filter). With information that
  grows with time, log(ARL0) / KL becomes the time at which log(ARL0) has come in (Lai, IEEE Trans.
  Inf. Theory 44 (1998) 2917-2929, for changes that are not identically distributed).
"""

from math import exp, log

from tests.bench.detection.pulls import DT_S

NOISE_SHARE = 0.04
CORRELATION_S = 0.05
MEAN_DELAY_S = 0.08
MEAN_LAG_S = 0.1


def information(missing: float, noise: float = NOISE_SHARE) -> float:
    """Return the Kullback-Leibler divergence of a normal mean shift, per sample, nats.

    Args:
        missing: Shift of the ratio, 0 to 1.
        noise: Standard deviation of the ratio, more than 0.
    """
    shift = missing / noise
    return 0.5 * shift * shift


def lorden_samples(log_arl0_nats: float, kl: float) -> float:
    """Return the bound log(ARL0) / KL, samples."""
    return log_arl0_nats / kl


def log_arl0(pulls_between_trips: float, spraying_s: float) -> float:
    """Return log(ARL0), ARL0 in samples two correlation times apart.

    Args:
        pulls_between_trips: Mean number of healthy pulls between false trips.
        spraying_s: Time under spray in a pull, s.
    """
    return log(pulls_between_trips * spraying_s / (2.0 * CORRELATION_S))


def step_bound_ms(missing: float, log_arl0_nats: float) -> float:
    """Return the least mean delay from fault to trip for a step, transport delay included, ms.

    Args:
        missing: Share of the flow that goes missing, more than 0.
        log_arl0_nats: From ``log_arl0``.
    """
    samples = lorden_samples(log_arl0_nats, information(missing))
    wait_s = samples * 2.0 * CORRELATION_S
    return 1000.0 * (MEAN_DELAY_S + max(wait_s, DT_S))


def lagged_bound_ms(missing: float, log_arl0_nats: float) -> float:
    """Return the same with the fall coming through the sensor's lag, ms."""
    known = 0.0
    wait_s = 0.0
    step_s = 1e-4
    while known < log_arl0_nats:
        wait_s += step_s
        left = exp(-wait_s / MEAN_LAG_S)
        whitened = missing * (1.0 - left + CORRELATION_S / MEAN_LAG_S * left)
        known += information(whitened) / (2.0 * CORRELATION_S) * step_s
    return 1000.0 * (MEAN_DELAY_S + max(wait_s, DT_S))
