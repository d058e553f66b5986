"""The decoders under mutated input, in short; ``python -m tests.bench fuzz`` does it at length."""

from itertools import islice

import pytest

from monitor.sources.lines.strict_numbers import Rejected, strict_number
from rules.channels import Sample
from tests.kit import fuzzing
from tests.kit.fuzzing import TARGETS, Broken, Mutator, check_verdict, fuzz, text_line


@pytest.mark.parametrize("name", TARGETS)
def test_nothing_breaks(name: str) -> None:
    """Whatever comes is refused for a counted reason or used; no garbage is healthy."""
    count = 1500
    tally = fuzz(name, count, 7)
    assert tally.inputs == count
    assert tally.rejected.total() + tally.said_yes <= count
    if name == "text line with CRC":
        assert tally.said_yes == 0
    else:
        assert tally.said_yes > 0  # the fuzzer reaches what is beyond the refusals


def test_mutations_are_seeded_and_many() -> None:
    """The same seed gives the same inputs; few of them are the same as another."""
    one, other = (list(islice(Mutator(fuzzing.TEXT, 5), 2000)) for _ in range(2))
    assert one == other
    assert len(set(one)) > 1800


def test_the_fuzzer_sees_what_is_broken(monkeypatch: pytest.MonkeyPatch) -> None:
    """A decoder that raises something else, and a number read as another, are found."""

    def sloppy(field: bytes) -> float:
        try:
            return float(field)
        except UnicodeDecodeError:
            raise
        except ValueError:
            raise Rejected("not a number") from None

    monkeypatch.setattr("monitor.sources.lines.line_decoder.strict_number", sloppy)
    with pytest.raises(Broken):
        fuzz("text line", 20_000, 1)


def test_the_verdict_check_can_fail(monkeypatch: pytest.MonkeyPatch) -> None:
    """A sample with an infinite value is broken; so is a line that two readings differ on."""
    with pytest.raises(Broken):
        check_verdict(Sample(0.0, boost_kpa=float("inf")))
    monkeypatch.setattr(
        "monitor.sources.lines.line_decoder.strict_number", lambda field: strict_number(field) + 1.0
    )
    with pytest.raises(Broken):
        text_line(b"1,2,3")
