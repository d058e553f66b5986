"""What a flow sensor of some delay and lag reads of a command: the guard's own model, in arrays."""

from typing import Any, Final

import numpy as np

from rules.step.arithmetic import kept_share

# Rows farther apart are filled up: the recursion's error grows with the square of its steps.
LONGEST_STEP_S: Final = 0.01
FORGOTTEN: Final = 1e-9  # so little of an old value is left that it counts no more


def filled(t_s: Any, longest_s: float = LONGEST_STEP_S) -> tuple[Any, Any]:
    """Return times with more between them where they lie far apart, and where the old ones are.

    Args:
        t_s: Ascending, s, (n,).
        longest_s: Steps of no more than this.
    """
    pieces = np.minimum(np.maximum(np.ceil(np.diff(t_s) / longest_s - 1e-9), 1.0), 64.0).astype(int)
    at = np.concatenate(([0], np.cumsum(pieces)))
    return np.interp(np.arange(at[-1] + 1), at, t_s), at


def delayed(t_s: Any, command: Any, at_s: Any, delay_s: float) -> Any:
    """Return the command one delay before ``at_s``, straight between rows, as ``expectation``."""
    return np.interp(at_s - delay_s, t_s, command)


def lagged(at_s: Any, asked: Any, lag_s: float) -> Any:
    """Return what is left of ``asked`` behind a first-order lag, as ``rules.step.expectation``.

    The same recursion y = m + (y' - m) kept, all steps at once: two neighbours are taken together,
    then two pairs, until nothing is left of what lies farther back (Hillis & Steele, Commun. ACM
    29, 1986).

    Args:
        at_s: Ascending times, s, (n,).
        asked: At each, (n,).
        lag_s: Time to 63 % of a step, >= 0 s.
    """
    kept = np.empty(len(at_s))
    kept[0] = 0.0
    kept[1:] = kept_share(np.diff(at_s), lag_s)
    out = np.empty(len(at_s))
    out[0] = asked[0]
    out[1:] = 0.5 * (asked[1:] + asked[:-1]) * (1.0 - kept[1:])
    reach = 1
    while reach < len(out) and kept.max() > FORGOTTEN:
        out[reach:] = out[reach:] + kept[reach:] * out[:-reach]
        kept[reach:] = kept[reach:] * kept[:-reach]
        reach *= 2
    return out
