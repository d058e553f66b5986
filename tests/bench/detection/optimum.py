"""How soon a shortfall can be found in theory: when a sum of log-likelihood ratios is enough.

For a shortfall that is known but for its time, on a car that is known, that sum (CUSUM) is the best
rule there is: Lorden, Ann. Math. Stat. 42 (1971) 1897-1908; Moustakides, Ann. Stat. 32 (2004)
302-315, for Brownian motion. log(ARL0) / KL is its mean delay to first order alone, where the limit
is far off. Here all of it is of finite time:

- Noise that is correlated as exp(-t / tau) is whitened; a signal s then brings information at the
  rate (s + tau s')^2 / (4 tau sigma^2) nats a second (from the whitening filter of an
  Ornstein-Uhlenbeck process). The signal is the shortfall through the sensor's lag.
- Against the information come in, the sum is Brownian motion with drift 1 and variance 2. Its
  first passage of a limit h follows the inverse Gaussian distribution of mean h and shape h^2 / 2
  (Wald, Sequential Analysis, 1947, appendix A; Folks & Chhikara, J. R. Stat. Soc. B 40 (1978)
  263-289).
- The limit follows from the time between false trips: e^h - h - 1 nats of information, at the rate
  of a shortfall that has settled (Taylor, Ann. Probab. 3 (1975) 234-246).

Each is in favour of the bound: delay, lag, gain and the size of the shortfall are known, the noise
is normal, the reading is continuous, nothing else is uncertain. (Sources from memory.)
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.stats import invgauss

from rules.facts import FlowSensor

STEP_S = 1e-4
LONGEST_S = 60.0


@dataclass(frozen=True, slots=True)
class Theory:
    """A shortfall of ``missing`` (0 to 1, more than 0), seen by a flow sensor."""

    missing: float
    sensor: FlowSensor

    @property
    def settled_nats_s(self) -> float:
        """Information a second once the shortfall has come through the lag, nats."""
        sensor = self.sensor
        return (self.missing / sensor.noise) ** 2 / (4.0 * sensor.noise_lasts_s)

    def limit_nats(self, false_every_s: float) -> float:
        """Return the limit at which false trips are so far apart."""
        nats = self.settled_nats_s * false_every_s
        return float(brentq(lambda h: np.expm1(h) - h - nats, 1e-9, 700.0))

    def first_order_ms(self, false_every_s: float) -> float:
        """Return the mean delay to first order, the settled rate from the start on, ms."""
        late_s = np.log(self.settled_nats_s * false_every_s) / self.settled_nats_s
        return 1000.0 * (self.sensor.delay_s + float(late_s))

    def delay_ms(self, false_every_s: float, share: float) -> float:
        """Return the delay not exceeded by a share (0 to 1) of faults, transport included, ms."""
        limit = self.limit_nats(false_every_s)
        shape = 0.5 * limit * limit
        needed = float(invgauss.ppf(share, limit / shape, scale=shape))
        sensor = self.sensor
        left = np.exp(-np.arange(0.0, LONGEST_S, STEP_S) / sensor.lag_s)
        whitened = 1.0 - (1.0 - sensor.noise_lasts_s / sensor.lag_s) * left
        known = np.cumsum(self.settled_nats_s * whitened * whitened) * STEP_S
        return 1000.0 * (sensor.delay_s + STEP_S * (1 + int(np.searchsorted(known, needed))))
