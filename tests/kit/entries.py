"""Evidence fed by hand, entry by entry, to the decision code's own ``judge_entry``."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from rules.step.constants import Constants
from rules.step.evidence import judge_entry
from rules.step.from_rig import constants_of
from rules.step.state import N_SIZES, State
from rules.step.step import fresh_state
from tests.kit.rigs import rig

EXPECTED_ML_MIN = 500.0
NO_LIMIT = 1e9  # nats: neither a ratio nor a sum is held to it

Floats = npt.NDArray[np.float64]


def one_car(
    sizes: Sequence[float],
    noise: float,
    kept: float = 0.0,
    entry_s: float = 0.01,
    learns: bool = False,
) -> tuple[Constants, State]:
    """Return constants and state of a bank of one car of which all is known.

    Args:
        sizes: Shares of the shortfalls that are looked for, ascending.
        noise: Standard deviation of a reading, as a share.
        kept: Of the noise from one entry to the next, 0 to below 1.
        entry_s: How long an entry is.
        learns: Whether the noise and the gain are learned.
    """
    k = constants_of(rig(flow_sensor={"delay_within_s": 0.0, "lag_within_s": 0.0}))
    k.size[:] = [sizes[min(i, len(sizes) - 1)] for i in range(N_SIZES)]
    k.limit_nats = NO_LIMIT
    k.floor_sq = 0.0
    if not learns:
        k.least_scale_ml_min = 2.0 * EXPECTED_ML_MIN  # too little is expected to learn from
    s = fresh_state(k)
    s.noise, s.noise_sq = noise, noise * noise
    s.noise_lasts_s = entry_s * kept / (1.0 - kept)
    if not learns:
        s.doubt = 0.0
    s.entry_ml_min[0] = EXPECTED_ML_MIN
    return k, s


def put_account(s: State, nats: float) -> None:
    """Let this much be known for every size of shortfall of the first car, for a second now."""
    s.account[:N_SIZES] = [nats] * N_SIZES
    s.car_short_s[0] = 1.0 if nats > 0.0 else 0.0


_ONE = one_car((1.0,), 1.0)


def next_account(account: float, excess: float) -> float:
    """Return a car's evidence after an entry that speaks for a shortfall by ``excess`` nats."""
    k, s = _ONE
    put_account(s, account)
    # A shortfall of 1, noise of 1: the ratio of a reading x short is x - 0.5.
    judge_entry(k, s, EXPECTED_ML_MIN * (0.5 - excess), 0.01)
    return s.flow_evidence


def correlated(n: int, kept: float, seed: int) -> Floats:
    """Return normal noise of variance 1 of which each entry keeps this share of the one before."""
    fresh = np.random.default_rng(seed).normal(size=n)
    noise = np.empty(n)
    noise[0] = fresh[0]
    for i in range(1, n):
        noise[i] = kept * noise[i - 1] + np.sqrt(1.0 - kept * kept) * fresh[i]
    return noise
