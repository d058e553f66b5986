"""A connection's lines, whatever their kind: found out, counted, and put in words when unusable."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.source_facts import SourceStatistics
from monitor.sources.lines.framer import LineFramer
from monitor.sources.lines.stream import UNUSABLE_LINES, StreamDecoder
from rules.channels import Sample
from rules.guard import Guard
from rules.step.state import CLOCK_STEP
from simulator.rig import rig_from_text
from tests.kit.decoding import RIG, Line
from tests.kit.rig_text import SMALL

MS_RIG = rig_from_text(SMALL + '[time]\ncolumn = "t"\nunit = "ms"\n', "ms.toml")
HEADER = b"time_s,boost_kpa,delivered_ml_min"


def pack(i: int) -> bytes:
    """Return a good pack."""
    return (
        f'[{{"bt":1e9,"t":{i / 100},"n":"boost_kpa","v":{i}}},'
        f'{{"t":{i / 100},"n":"delivered_ml_min","v":3}}]'
    ).encode()


def text(i: int) -> bytes:
    """Return a good text line."""
    return f"{i / 100},{i},3".encode()


GARBAGE = [
    b"\x00\xff\x13[[[",
    b"[",
    b"[1,2",
    b"]",
    b'{"n":1}',
    b"\xfe" * 40,
    b",,,,",
    b"[]",
    b"hello",
]


@pytest.mark.parametrize("kind", ["text", "senml"])
def test_the_kind_is_found_out_behind_garbage(kind: str) -> None:
    """Garbage first, of either look, hides neither text nor packs."""
    line = Line()
    assert line.say(*GARBAGE) == []
    good = [HEADER, *map(text, range(5))] if kind == "text" else list(map(pack, range(5)))
    assert [sample.boost_kpa for sample in line.say(*good)] == [0.0, 1.0, 2.0, 3.0, 4.0]


def test_a_device_may_change_its_kind() -> None:
    """Packs after text, and text after packs, without a word lost, and without a new header."""
    line = Line()
    samples = line.say(HEADER, text(1), pack(2), text(3), pack(4))
    assert [sample.boost_kpa for sample in samples] == [1.0, 2.0, 3.0, 4.0]


def test_packs_count_by_their_samples() -> None:
    """A pack of three times is three samples received."""
    line = Line()
    raw = b'[{"bn":"d:","n":"boost_kpa","t":-2,"v":1},{"n":"boost_kpa","t":-1,"v":2},'
    samples = line.say(raw + b'{"n":"boost_kpa","v":3}]')
    assert [sample.time_s for sample in samples] == pytest.approx([998.01, 999.01, 1000.01])
    assert (line.statistics.received, line.statistics.decoded) == (3, 3)


def test_a_wrong_speed_is_said_in_words() -> None:
    """Bytes that are no text, line ends or not: said once, with the speed to look at."""
    noise = bytes(np.random.default_rng(1).integers(0, 256, 4096, dtype=np.uint8))
    for lines in (True, False):
        line, framer = Line(), LineFramer()
        for at in range(0, len(noise), 64):
            line.decoder.look_at(noise[at : at + 64])
            if lines:
                assert line.say(*framer.feed(noise[at : at + 64])) == []
        ((kind, words),) = line.told()
        assert kind == "unusable"
        assert "115200 baud" in words


def test_a_wrong_speed_at_the_other_end_of_tcp() -> None:
    """Where this end has no speed, none is named."""
    line = Line(baud=None)
    line.decoder.look_at(b"\x80\xf8\x00" * 300)
    ((_, words),) = line.told()
    assert "baud" not in words


def test_text_nobody_can_use_is_said_in_words() -> None:
    """Good text without a header: the reason most lines had is named, once."""
    line = Line()
    assert line.say(*map(text, range(3 * UNUSABLE_LINES))) == []
    ((kind, words),) = line.told()
    assert kind == "unusable"
    assert "no header yet" in words
    line.say(HEADER, *map(text, range(UNUSABLE_LINES + 1)))
    line.say(*[b"noise"] * UNUSABLE_LINES)
    ((_, words),) = line.told()
    assert "not a number" in words


def test_a_line_that_works_says_nothing() -> None:
    """Header, many good lines, a bad one now and then: no notice."""
    line = Line()
    for i in range(500):
        raw = HEADER if i % 50 == 0 else b"x" if i % 7 == 0 else text(i)
        line.decoder.look_at(raw + b"\r\n")
        line.say(raw)
    assert line.told() == []
    assert line.statistics.clock == {}


def test_faults_are_told_a_bounded_number_of_times() -> None:
    """Garbage that looks like ever new headers can't flood the record."""
    line = Line()
    for i in range(200):
        line.say(f"boost_kpa,boost_kpa,delivered_ml_min,{i}x".encode())
        line.say(f'[{{"n":"boost_kpa","u":"u{i}","v":1}}]'.encode())
    assert len(line.told()) < 20


def test_lost_lines_are_counted_and_told_now_and_then() -> None:
    """By sequence numbers, in text and in packs; the notice comes at most each ten seconds."""
    line = Line()
    line.say(HEADER + b",sequence", *(f"{i / 100},1,2,{i}".encode() for i in (1, 2, 5, 6, 9)))
    assert line.statistics.lost == 4
    assert [kind for kind, _ in line.told()] == ["sequence"]
    line = Line()
    for number in (1, 2, 2, 4):
        line.say(f'[{{"n":"boost_kpa","v":1}},{{"n":"sequence","v":{number}}}]'.encode())
    assert line.statistics.lost == 1
    assert line.statistics.rejected == {"repeated": 1}
    assert line.statistics.decoded == 3


def test_a_new_connection_adds_to_what_was_lost() -> None:
    """Statistics outlive the decoder."""
    statistics = SourceStatistics()
    for _ in range(2):
        decoder = StreamDecoder(RIG, "port", statistics)
        for raw in (HEADER + b",sequence", b"1,1,2,1", b"2,1,2,5", b"0.1,1,2,6"):
            decoder.decode(raw, 1.0)
    assert statistics.lost == 6
    assert statistics.clock == {"reset": 2}


def test_a_wrapping_counter_goes_on_in_the_samples() -> None:
    """A 16-bit counter of milliseconds: time goes on over the wrap, and the wrap is told."""
    line = Line(MS_RIG)
    counts = [65_500, 65_510, 65_520, 65_530, 4, 14]
    samples = line.say(b"t,boost_kpa,delivered_ml_min", *(f"{c},1,2".encode() for c in counts))
    times = [sample.time_s for sample in samples]
    assert times == pytest.approx([65.5, 65.51, 65.52, 65.53, 65.54, 65.55])
    assert [kind for kind, _ in line.told()] == ["clock"]
    assert line.statistics.clock == {"wrapped": 1}


def test_a_reset_is_told_and_left_for_the_rules() -> None:
    """The device starts again: a notice, and the guard sees its clock in doubt all the same."""
    line, guard = Line(), Guard(RIG.rig)
    first = line.say(HEADER, *(f"{50 + i / 100},1,2".encode() for i in range(10)))
    assert all(guard.step(sample).all_healthy for sample in first)
    again = line.say(*(f"{i / 100},1,2".encode() for i in range(10)))
    assert [sample.time_s for sample in again] == [i / 100 for i in range(10)]
    assert "started again" in line.told()[0][1]
    findings = [guard.step(sample) for sample in again]
    assert findings[0].level[CLOCK_STEP] > 0.0


def test_a_wrong_unit_of_time_is_told() -> None:
    """Milliseconds under a header that says seconds run a thousand times too fast."""
    line = Line()
    line.say(HEADER)
    for i in range(1500):
        line.say(f"{i * 10},1,2".encode())
    assert any("times our pace" in words for _, words in line.told())


PIECES: st.SearchStrategy[Any] = st.sampled_from(
    [
        *(HEADER, HEADER + b",sequence,crc16", b"t,boost_kpa,delivered_ml_min", b"s,kPa,mL/min"),
        *(pack(1), text(1), b"[", b"\xff\x00", b"1,2,3,4,29B1"),
        *(b"nan,nan,nan", b"4294967295,1,2", b"0,1,2"),
    ]
)


@settings(max_examples=200)
@given(st.lists(PIECES | st.binary(max_size=40), max_size=80), st.booleans())
def test_any_stream_is_counted_and_never_raises(lines: list[bytes], milliseconds: bool) -> None:
    """Whatever lines come in whatever order, they are samples, headers or refused."""
    line = Line(MS_RIG if milliseconds else RIG)
    for raw in lines:
        line.decoder.look_at(raw)
        for sample in line.say(raw):
            assert len(sample) == len(Sample(0.0))
            assert float("inf") not in sample
    assert len(line.told()) < 40


GARBLED = {
    "a stray letter": b"xtime_s,boost_kpa,delivered_ml_min",
    "a stray byte": b"\xfftime_s,boost_kpa,delivered_ml_min",
    "a control character": b"\x00time_s,boost_kpa,delivered_ml_min",
    "within": b"time_s,~boost_kpa,delivered_ml_min",
    "a line of numbers cut off": b"12.25,170.1,3time_s,boost_kpa,delivered_ml_min",
    "its beginning lost": b"me_s,boost_kpa,delivered_ml_min",
}


@pytest.mark.parametrize("garbled", GARBLED.values(), ids=GARBLED)
def test_a_garbled_header_is_refused_and_the_one_in_force_stays(garbled: bytes) -> None:
    """Without its time column, samples would get the time they arrived at, and nobody would know.

    The first header of all may be garbled too: then nothing is used until a good one comes.
    """
    line = Line()
    line.say(HEADER)
    samples = line.say(text(1), garbled, text(2))
    assert [sample.time_s for sample in samples] == [0.01, 0.02]
    assert line.statistics.rejected == {"garbled header": 1}
    assert line.told() == []
    early = Line()
    assert early.say(garbled, text(1)) == []
    assert early.statistics.rejected == {"garbled header": 1, "wrong columns": 1}
    ((kind, words),) = early.told()
    assert (kind, "garbled" in words) == ("header", True)
    assert [sample.time_s for sample in early.say(HEADER, text(2))] == [0.02]


def test_a_header_that_comes_twice_alike_is_meant_so() -> None:
    """A column may well be called "xtime_s": the second time it is taken, whatever that means."""
    line = Line()
    line.say(HEADER, GARBLED["a stray letter"], text(1), GARBLED["a stray letter"])
    assert (line.statistics.headers, line.statistics.rejected.total()) == (2, 1)


@pytest.mark.parametrize(
    ("header", "fault"),
    [
        (b"time_s,delivered_ml_min,boost_kpa", None),
        (b"time_s,boost_kpa,delivered_ml_min,rpm", None),
        (b"boost_kpa,delivered_ml_min,rpm", None),
        (b"\xef\xbb\xbftime_s,boost_kpa,delivered_ml_min", None),
        (b"time_s,boost_psi,delivered_ml_min", '"boost_kpa"'),
        (b"time_s,exhaust_boost_kpa,delivered_ml_min", '"boost_kpa"'),
    ],
)
def test_a_new_header_is_followed_at_once(header: bytes, fault: str | None) -> None:
    """Another order, more, fewer or renamed columns are no damage: the old mapping is over."""
    line = Line()
    line.say(HEADER, text(1), header)
    assert line.statistics.rejected.total() == 0
    told = line.told()
    assert bool(told) is (fault is not None)
    assert fault is None or fault in told[0][1]
