"""Samples as they are posted to a broker."""

import json

from monitor.broker.address import broker_from
from monitor.send.broker import senml_posts
from monitor.sources.lines.senml import ABSOLUTE_FROM_S
from rules.channels import NOT_SENT, Sample


def test_a_pack_says_what_was_not_sent_and_what_is_no_number() -> None:
    """Not sent is left out; NaN is text, since JSON has none."""
    sample = Sample(2.0, boost_kpa=150.0, knock=float("nan"), intake_c=NOT_SENT)
    packs = senml_posts(broker_from("mqtt://nowhere/p"), ("boost_kpa", "intake_c", "knock"))
    (post,) = packs(sample, 7)
    assert (post.topic, post.qos) == ("p", 1)
    assert json.loads(post.payload) == [
        {"bt": 2.0 * ABSOLUTE_FROM_S + 2.0, "n": "boost_kpa", "v": 150.0},
        {"n": "knock", "vs": "nan"},
        {"n": "sequence", "v": 7},
    ]
