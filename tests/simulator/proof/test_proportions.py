"""Intervals and quantiles against published and independently computed figures."""

from math import inf, isnan

import pytest

from simulator.proof.proportions import (
    clopper_pearson,
    miss_count,
    poisson,
    quantile,
    roc_auc,
    rule_of_three,
    trials_for,
    upper_bound_of_none,
    wilson,
)


@pytest.mark.parametrize(
    ("k", "n", "low", "high"),
    [  # Wilson (1927), z exactly 1.96
        (10, 100, 0.05522854161313612, 0.1743673043676654),
        (0, 100, 0.0, 0.03699480747600191),
        (1, 11, 0.016231752262825982, 0.3773646254862038),
        (25, 100, 0.17545094003724265, 0.3430464637007583),
        (50, 100, 0.40382982859014716, 0.5961701714098528),
    ],
)
def test_wilson_at_z_196(k: int, n: int, low: float, high: float) -> None:
    """Wilson's interval at z = 1.96 agrees to 1e-12."""
    assert wilson(k, n, 1.96) == pytest.approx((low, high), abs=1e-12)


@pytest.mark.parametrize(
    ("k", "n", "score", "exact"),
    [  # Newcombe, Stat. Med. 17 (1998) 857-872, 95 %
        (81, 263, (0.255289, 0.36621), (0.252737, 0.367622)),
        (15, 148, (0.062386, 0.160487), (0.057844, 0.16165)),
        (0, 20, (0.0, 0.161125), (0.0, 0.168433)),
        (1, 29, (0.006113, 0.171755), (0.000873, 0.177644)),
        (29, 29, (0.88303, 1.0), (0.880555, 1.0)),
    ],
)
def test_newcombe_cases(
    k: int, n: int, score: tuple[float, float], exact: tuple[float, float]
) -> None:
    """Score and exact intervals agree with Newcombe's worked cases."""
    assert wilson(k, n) == pytest.approx(score, abs=1e-6)
    assert clopper_pearson(k, n) == pytest.approx(exact, abs=1e-6)


@pytest.mark.parametrize(
    ("count", "low", "high"),
    [(0, 0.0, 3.689), (1, 0.0253, 5.572), (5, 1.623, 11.668), (10, 4.795, 18.390)],
)
def test_poisson_interval(count: int, low: float, high: float) -> None:
    """Garwood's limits for a Poisson mean, 95 %, as tabulated (values from memory)."""
    assert poisson(count) == pytest.approx((low, high), abs=6e-4)


@pytest.mark.parametrize(
    ("n", "approximate", "exact"),
    [(20, 0.15, 0.139108), (100, 0.03, 0.029513), (300, 0.01, 0.009936)],
)
def test_rule_of_three(n: int, approximate: float, exact: float) -> None:
    """Zero failures in n: 3/n, and exactly 1 - 0.05^(1/n) (Clopper-Pearson, one-sided)."""
    assert rule_of_three(n) == pytest.approx(approximate, abs=1e-12)
    assert upper_bound_of_none(n) == pytest.approx(exact, abs=1e-6)


def test_trials_for_one_percent() -> None:
    """No miss in 299 trials supports "under 1 %" at 95 %, and in 298 does not."""
    assert trials_for(0.01) == 299
    assert upper_bound_of_none(299) < 0.01 < upper_bound_of_none(298)


def test_roc_auc() -> None:
    """Pair counting (Hanley & McNeil 1982), and ties count one half."""
    assert roc_auc([0.9, 0.8, 0.3], [0.7, 0.2, 0.1]) == pytest.approx(0.8888889, abs=1e-7)
    assert roc_auc([0.5], [0.5]) == 0.5


def test_censored_quantiles() -> None:
    """A miss stays infinite, and moves the quantile instead of vanishing from it."""
    assert quantile([3.0, 1.0, 2.0, inf], 0.5) == 2.0
    assert quantile([3.0, 1.0, 2.0, inf], 0.75) == 3.0
    assert quantile([3.0, 1.0, 2.0, inf], 0.9) == inf
    assert quantile(range(1, 11), 0.9) == 9.0
    assert isnan(quantile([], 0.5))
    assert miss_count([1.0, inf, inf]) == 2


def test_bad_counts_are_refused() -> None:
    """Counts that can't be are an error, not an interval."""
    for k, n in ((-1, 5), (6, 5), (0, 0)):
        with pytest.raises(ValueError, match=f"found {k} of {n}"):
            wilson(k, n)
        with pytest.raises(ValueError, match=f"found {k} of {n}"):
            clopper_pearson(k, n)
    with pytest.raises(ValueError, match="empty"):
        roc_auc([], [1.0])
