"""The small arithmetic of the decision code, against numpy, scipy and exp."""

from math import exp, nan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from rules.step.arithmetic import (
    clamp,
    interpolate,
    interpolate_map,
    kept_share,
    larger,
    round_up,
    smaller,
)


@settings(max_examples=200)
@given(ratio=st.floats(0.0, 60.0), lag_s=st.floats(0.001, 10.0))
def test_kept_share_against_exp(ratio: float, lag_s: float) -> None:
    """The kept share is exp's within its stated tolerance, between 0 and 1, and falling."""
    found = kept_share(ratio * lag_s, lag_s)
    exact = exp(-ratio)
    tolerance = 2e-6 if ratio <= 0.2 else 0.0014 if ratio <= 1.0 else 0.02
    assert abs(found - exact) <= tolerance + 1e-12
    assert 0.0 < found <= 1.0
    assert kept_share((ratio + 0.01) * lag_s, lag_s) < found
    assert kept_share(ratio, 0.0) == 0.0


axis = st.lists(st.integers(-300, 300), min_size=2, max_size=8, unique=True).map(
    lambda points: [float(p) for p in sorted(points)]
)


@settings(max_examples=100)
@given(xs=axis, data=st.data())
def test_linear_interpolation_against_numpy(xs: list[float], data: st.DataObject) -> None:
    """Piecewise-linear tables read as numpy.interp does, ends held flat."""
    ys = data.draw(st.lists(st.floats(-50.0, 50.0), min_size=len(xs), max_size=len(xs)))
    x = data.draw(st.one_of(st.floats(-400.0, 400.0), st.sampled_from(xs)))
    found = interpolate(x, [*xs, nan], [*ys, nan], len(xs))
    assert found == pytest.approx(float(np.interp(x, xs, ys)), abs=1e-9)


@settings(max_examples=100)
@given(xs=axis, ys=axis, seed=st.integers(0, 9), data=st.data())
def test_bilinear_interpolation_against_scipy(
    xs: list[float], ys: list[float], seed: int, data: st.DataObject
) -> None:
    """Maps read as scipy's RegularGridInterpolator does, held flat beyond the edges."""
    cells = np.random.default_rng(seed).uniform(0.0, 100.0, (len(xs), len(ys)))
    x = data.draw(st.one_of(st.floats(-400.0, 400.0), st.sampled_from(xs)))
    y = data.draw(st.one_of(st.floats(-400.0, 400.0), st.sampled_from(ys)))
    found = interpolate_map(x, y, [*xs, nan], len(xs), [*ys, nan], len(ys), cells.ravel().tolist())
    inside = [np.clip(x, xs[0], xs[-1]), np.clip(y, ys[0], ys[-1])]
    exact = RegularGridInterpolator((xs, ys), cells)(inside)[0]
    assert found == pytest.approx(float(exact), abs=1e-9)


def test_small_arithmetic() -> None:
    """Smaller, larger, clamp, and rounding up that leaves exact multiples alone."""
    assert (smaller(1.0, 2.0), smaller(2.0, 1.0)) == (1.0, 1.0)
    assert (larger(1.0, 2.0), larger(2.0, 1.0)) == (2.0, 2.0)
    assert [clamp(x, 0.0, 1.0) for x in (-1.0, 0.5, 2.0)] == [0.0, 0.5, 1.0]
    rounded = [round_up(x, 0.5) for x in (-1.0, 0.0, 0.01, 0.5, 0.51, 4.8, 5.0)]
    assert rounded == [0.0, 0.0, 0.5, 0.5, 1.0, 5.0, 5.0]
    assert all(round_up(i * 0.1, 0.1) == i * 0.1 for i in range(100))
