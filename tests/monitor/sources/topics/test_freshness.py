"""Is a message news? By its number, and by its time where it has none."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.sources.lines.strict_numbers import Rejected
from monitor.sources.topics.freshness import Freshness, read_payload


def test_numbers_tell_whatever_the_times_say() -> None:
    """A number of its own decides: a repetition with a newer time is one all the same."""
    fresh = Freshness()
    fresh.judge(1.0, 7.0)
    with pytest.raises(Rejected, match="repeated"):
        fresh.judge(2.0, 7.0)
    with pytest.raises(Rejected, match="out of order"):
        fresh.judge(3.0, 6.0)
    fresh.judge(0.5, 10.0)
    assert fresh.numbers.lost == 2


def test_without_numbers_times_tell() -> None:
    """The same time is a repetition, an older one disorder, a much older one a stepped clock."""
    fresh = Freshness()
    fresh.judge(10.0, None)
    with pytest.raises(Rejected, match="repeated"):
        fresh.judge(10.0, None)
    with pytest.raises(Rejected, match="out of order"):
        fresh.judge(9.5, None)
    fresh.judge(2.0, None)
    fresh.judge(2.1, None)


@given(st.binary(max_size=120))
def test_a_payload_is_read_or_rejected(payload: bytes) -> None:
    """Whatever bytes come, the answer is numbers or a reason."""
    try:
        value, time_s, number = read_payload(payload)
    except Rejected:
        return
    assert value < float("inf") or value != value
    assert time_s is None or abs(time_s) < float("inf")
    assert number is None or number >= 0
