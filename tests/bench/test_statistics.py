"""Figures of two-class tests against independently computed ones."""

import pytest

from tests.bench.statistics import Confusion


def test_confusion_metrics() -> None:
    """The standard definitions, on tp 90, fn 10, fp 5, tn 895."""
    found = Confusion(tp=90, fn=10, fp=5, tn=895)
    assert found.sensitivity == pytest.approx(0.9, abs=1e-6)
    assert found.specificity == pytest.approx(0.9944444, abs=1e-6)
    assert found.ppv == pytest.approx(0.9473684, abs=1e-6)
    assert found.npv == pytest.approx(0.9889503, abs=1e-6)
    assert found.f1 == pytest.approx(0.9230769, abs=1e-6)
    assert found.mcc == pytest.approx(0.9151421, abs=1e-6)
    assert found.accuracy == pytest.approx(0.985, abs=1e-6)
    assert found.balanced_accuracy == pytest.approx(0.9472222, abs=1e-6)
