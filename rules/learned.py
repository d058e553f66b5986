"""What a guard learned of a car, handed on to a later guard of the same car.

Evidence is never weaker for it: no gain makes a reading healthy that the rig's own tolerance
doesn't, and what is restored counts as a short time of healthy spraying, so that its doubt is wide
again and a car that has changed meanwhile is soon learned anew.
"""

from dataclasses import dataclass
from math import isfinite, sqrt
from typing import Final, Self

from rules.step.arithmetic import clamp, smaller
from rules.step.constants import Constants
from rules.step.learning import (
    LONGEST_CORRELATION_S,
    LONGEST_HOLD_S,
    REMEMBERED_S,
    RIG_COUNTS_S,
    doubt_after,
    line_doubt_after,
)
from rules.step.state import State

ENOUGH_S: Final = 10.0  # of healthy spraying: what was learned in less isn't worth restoring
# Restored, it counts as no longer: from then on weights are those of any longer time.
COUNTS_S: Final = REMEMBERED_S - RIG_COUNTS_S
MOST_NOISE: Final = 2.0  # times the rig's: more must be seen, since it costs time to find a fault


@dataclass(frozen=True, slots=True)
class Learned:
    """What was learned of a car's flow sensor, and of its line's pressure.

    Attributes:
        gain: The flow reading to the rig's.
        noise: Standard deviation of the reading, as a share of it.
        noise_lasts_s: The time in which its correlation falls to half.
        holds_s: How long the sensor holds a reading; 0: new in every row.
        flow_step_ml_min: The smallest change of its reading.
        learned_s: Healthy spraying that this was learned from.
        line_gain: The line's pressure to the rig's.
        line_noise: Standard deviation of that reading, as a share of it.
        line_noise_lasts_s: The time in which its correlation falls to half.
        line_learned_s: Healthy spraying that this was learned from.
    """

    gain: float = 1.0
    noise: float = 0.0
    noise_lasts_s: float = 0.0
    holds_s: float = 0.0
    flow_step_ml_min: float = 0.0
    learned_s: float = 0.0
    line_gain: float = 1.0
    line_noise: float = 0.0
    line_noise_lasts_s: float = 0.0
    line_learned_s: float = 0.0

    @classmethod
    def of(cls, s: State) -> Self:
        """Return what a guard with this state has learned."""
        return cls(
            s.gain,
            s.noise,
            s.noise_lasts_s,
            s.holds_s,
            s.flow_step_ml_min,
            s.learned_s,
            s.line_gain,
            sqrt(s.line_noise_sq),
            s.line_noise_lasts_s,
            s.line_learned_s,
        )

    @property
    def is_enough(self) -> bool:
        """Whether it is worth restoring, of the flow or of the line."""
        return self.learned_s >= ENOUGH_S or self.line_learned_s >= ENOUGH_S

    def restore(self, k: Constants, s: State) -> None:
        """Let a guard that has seen nothing know it, within the tolerances of its rig.

        Raises:
            ValueError: A value is no finite number.
        """
        if not all(isfinite(getattr(self, name)) for name in self.__slots__):
            raise ValueError("what was learned: found a value that is no number")
        if self.learned_s >= ENOUGH_S:
            s.learned_s = smaller(self.learned_s, COUNTS_S)
            s.gain = clamp(self.gain, k.lowest_gain, k.highest_gain)
            s.doubt = doubt_after(k, s.learned_s)
            s.noise_sq = _noise_sq(self.noise, k.noise_sq, k.least_noise_sq)
            s.noise = sqrt(s.noise_sq)
            s.noise_lasts_s = clamp(self.noise_lasts_s, 0.0, LONGEST_CORRELATION_S)
            s.holds_s = clamp(self.holds_s, 0.0, LONGEST_HOLD_S)
            s.flow_step_ml_min = clamp(self.flow_step_ml_min, 0.0, 2.0 * k.floor_ml_min)
        if self.line_learned_s >= ENOUGH_S:
            within = k.line_gain_within
            s.line_learned_s = smaller(self.line_learned_s, COUNTS_S)
            s.line_gain = clamp(self.line_gain, 1.0 - within, 1.0 + within)
            s.line_doubt = line_doubt_after(k, s.line_learned_s)
            s.line_noise_sq = _noise_sq(self.line_noise, k.line_noise_sq, 0.25 * k.line_noise_sq)
            s.line_noise_lasts_s = clamp(
                self.line_noise_lasts_s, k.line_correlation_s, LONGEST_CORRELATION_S
            )


def _noise_sq(noise: float, of_rig_sq: float, least_sq: float) -> float:
    return clamp(noise * noise, least_sq, MOST_NOISE * MOST_NOISE * of_rig_sq)
