"""Parts of rows: each number as if that part stood alone."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from monitor.review.parts import Parts

VALUES = st.lists(st.sampled_from([-2.5, 0.0, 1.0, 3.0, np.nan]), min_size=1, max_size=30)


@st.composite
def cut(draw: st.DrawFn) -> tuple[list[float], list[tuple[int, int]]]:
    """Draw values and parts of them, some rows being in none."""
    values = draw(VALUES)
    edges = draw(st.lists(st.integers(0, len(values)), min_size=2, max_size=8, unique=True))
    pairs = list(zip(sorted(edges)[:-1], sorted(edges)[1:], strict=True))
    return values, pairs[:: draw(st.sampled_from([1, 2]))]


@given(cut())
def test_each_part_comes_to_what_it_comes_to_alone(
    drawn: tuple[list[float], list[tuple[int, int]]],
) -> None:
    """Sums, lowest and highest, and the first row that has the highest."""
    values, pairs = np.array(drawn[0]), drawn[1]
    parts = Parts(*zip(*pairs, strict=True))
    alone = [values[begin:end] for begin, end in pairs]
    np.testing.assert_array_equal(
        parts.reduced(np.add, np.nan_to_num(values)), [np.nan_to_num(one).sum() for one in alone]
    )
    highest, rows = parts.highest(values)
    np.testing.assert_array_equal(highest, [np.fmax.reduce(one) for one in alone])
    np.testing.assert_array_equal(
        parts.reduced(np.fmin, values), [np.fmin.reduce(a) for a in alone]
    )
    for (begin, _), one, top, row in zip(pairs, alone, highest, rows, strict=True):
        if not np.isnan(top):
            assert row == begin + int(np.flatnonzero(one == top)[0])
    np.testing.assert_array_equal(parts.inside(values), np.concatenate(alone))
    np.testing.assert_array_equal(
        values[parts.row(np.arange(len(parts.part)))], parts.inside(values)
    )
