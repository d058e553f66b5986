"""Lines out of bytes, however the bytes come."""

from hypothesis import given
from hypothesis import strategies as st

from monitor.sources.lines.framer import LONGEST_LINE, LineFramer

LONGEST = 12
# Short lines, long ones, line ends of either kind, and noise.
STREAMS = st.lists(
    st.sampled_from([b"\n", b"\r\n", b"\r", b"1,2", b"x" * 5, b"y" * 11, b"\0\xff", b"z" * 40])
    | st.binary(max_size=20),
    max_size=30,
).map(b"".join)


def whole(stream: bytes) -> tuple[list[bytes], int]:
    """Return the lines of a whole stream and how many were too long, the plain way."""
    *lines, rest = stream.split(b"\n")
    good = [line.removesuffix(b"\r") for line in lines if len(line) <= LONGEST]
    overlong = sum(len(line) > LONGEST for line in (*lines, rest))
    return [line for line in good if line], overlong


@given(STREAMS, st.lists(st.integers(0, 15), min_size=1, max_size=40))
def test_any_chunking_gives_the_lines_of_the_whole(stream: bytes, sizes: list[int]) -> None:
    """Cut anywhere, a stream gives the same lines and counts as cut at its line ends."""
    framer = LineFramer(LONGEST)
    found: list[bytes] = []
    at, turn = 0, 0
    while at < len(stream):
        size = max(sizes[turn % len(sizes)], turn % 2)  # nothing at all is a chunk too
        found += framer.feed(stream[at : at + size])
        at += size
        turn += 1
    assert (found, framer.overlong) == whole(stream)


def test_an_unfinished_line_waits() -> None:
    """Half a line is no line; the rest completes it."""
    framer = LineFramer()
    assert framer.feed(b"1,2,") == []
    assert framer.feed(b"3\r") == []
    assert framer.feed(b"\n4") == [b"1,2,3"]
    assert framer.feed(b"\n") == [b"4"]


def test_noise_without_an_end_is_bounded_and_forgotten() -> None:
    """A megabyte without a line end holds no memory, counts once, and the next line is good."""
    framer = LineFramer()
    for _ in range(1000):
        assert framer.feed(b"\x55" * 1000) == []
        assert len(framer._rest) <= LONGEST_LINE
    assert framer.feed(b"tail\n1,2\n") == [b"1,2"]
    assert framer.overlong == 1


def test_the_longest_line_is_kept() -> None:
    """A line of exactly the longest length is good, one byte more is not."""
    framer = LineFramer(LONGEST)
    assert framer.feed(b"a" * LONGEST + b"\n") == [b"a" * LONGEST]
    assert framer.feed(b"a" * (LONGEST + 1) + b"\n") == []
    assert framer.overlong == 1
