"""Limits: boost, knock, intake temperature and injector duty above what the rig allows."""

from rules.step.constants import LIMIT_COLUMNS, Constants
from rules.step.state import NO_ACTION, OVERBOOST, State


def limits_level(k: Constants, s: State, dt_s: float) -> float:
    """Return the hardest action that the limits in force ask for (0 to 3).

    A channel's value above its limit for long enough asks for the limit's own action; what each
    asks for stands in ``asked``, from ``OVERBOOST`` on in the order of ``LIMIT_COLUMNS``.
    """
    worst = NO_ACTION
    for i in range(k.n_limited):
        limit = k.limited[i]
        column = LIMIT_COLUMNS[limit]
        finding = OVERBOOST + limit
        asked = NO_ACTION
        if s.value[column] > k.limit_above[limit] and s.usable[column] > 0.0:
            s.for_s[finding] = s.for_s[finding] + dt_s
            if s.for_s[finding] >= k.limit_for_s[limit]:
                asked = k.limit_action[limit]
        else:
            s.for_s[finding] = 0.0
        s.asked[finding] = asked
        if asked > worst:
            worst = asked
    return worst
