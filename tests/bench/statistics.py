"""Figures of two-class tests, for benches."""

from math import sqrt
from typing import NamedTuple


class Confusion(NamedTuple):
    """Counts of a two-class test; the metrics are the standard definitions."""

    tp: int
    fn: int
    fp: int
    tn: int

    @property
    def sensitivity(self) -> float:
        """Share of real faults found."""
        return self.tp / (self.tp + self.fn)

    @property
    def specificity(self) -> float:
        """Share of healthy cases left alone."""
        return self.tn / (self.tn + self.fp)

    @property
    def ppv(self) -> float:
        """Share of alarms that were real."""
        return self.tp / (self.tp + self.fp)

    @property
    def npv(self) -> float:
        """Share of silences that were right."""
        return self.tn / (self.tn + self.fn)

    @property
    def f1(self) -> float:
        """Harmonic mean of sensitivity and positive predictive value."""
        return 2.0 * self.tp / (2.0 * self.tp + self.fp + self.fn)

    @property
    def mcc(self) -> float:
        """Matthews correlation coefficient."""
        product = self.tp * self.tn - self.fp * self.fn
        return product / sqrt(
            (self.tp + self.fp) * (self.tp + self.fn) * (self.tn + self.fp) * (self.tn + self.fn)
        )

    @property
    def accuracy(self) -> float:
        """Share of all cases judged rightly."""
        return (self.tp + self.tn) / (self.tp + self.fn + self.fp + self.tn)

    @property
    def balanced_accuracy(self) -> float:
        """Mean of sensitivity and specificity."""
        return 0.5 * (self.sensitivity + self.specificity)
