"""How long to wait before the next attempt to connect."""

from monitor.broker.backoff import Backoff


def test_waits_double_up_to_the_longest_and_begin_anew() -> None:
    """Chance takes off at most half; a connection that worked resets."""
    longest = Backoff(0.1, 1.0, draw=lambda: 1.0)
    assert [longest.wait_s() for _ in range(6)] == [0.1, 0.2, 0.4, 0.8, 1.0, 1.0]
    longest.reset()
    assert longest.wait_s() == 0.1
    shortest = Backoff(0.1, 1.0, draw=lambda: 0.0)
    assert [shortest.wait_s() for _ in range(3)] == [0.05, 0.1, 0.2]
