"""The link to a broker without one: what errors say, and posts that nobody takes."""

from monitor.broker.address import broker_from
from monitor.broker.link import MOST_POSTS, MqttLink, Post, plainly


def test_what_libraries_say_is_put_plainly() -> None:
    """A cause behind an error counts too; what nobody knows stays in its own words."""
    error = RuntimeError("Disconnected during message iteration")
    error.__cause__ = ConnectionError("[Errno 104] x")
    assert plainly(error) == "the connection was lost"
    assert plainly(RuntimeError("[code:135] Not authorized")).startswith("the broker does not let")
    assert plainly(RuntimeError("odd")) == "odd"
    assert plainly(RuntimeError()) == "RuntimeError"


def test_posts_wait_in_a_bounded_ring() -> None:
    """Where no connection takes them the oldest go, counted; nobody waits."""
    link = MqttLink(broker_from("mqtt://nowhere/x"), lambda heard: None)
    for i in range(MOST_POSTS + 7):
        link.post(Post("x", b"%d" % i))
    assert link.dropped == 7
    link.stop()
    link.post(Post("x", b"late"))
    assert link.dropped == 7
