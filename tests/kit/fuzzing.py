"""Mutated input for the decoders, and what must hold whatever comes of it."""

import json
import re
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from math import isfinite
from time import perf_counter
from typing import Any, Final

import numpy as np

from monitor.source_facts import SourceStatistics
from monitor.sources.lines.framer import LineFramer
from monitor.sources.lines.line_checks import with_crc
from monitor.sources.lines.line_decoder import LineDecoder
from monitor.sources.lines.senml_rows import SenmlMapper
from monitor.sources.lines.stream import StreamDecoder
from monitor.sources.lines.strict_numbers import Rejected
from rules.channels import Sample
from rules.guard import Guard
from simulator.rig import rig_from_text
from tests.kit.rig_text import SMALL

RIG: Final = rig_from_text(SMALL, "small.toml")
MS_RIG: Final = rig_from_text(
    SMALL + '[time]\ncolumn = "t"\nunit = "ms"\n[serial]\nsequence = "n"\n', "ms.toml"
)
NOW_S: Final = 5000.0
HEADER: Final = b"time_s,boost_kpa,delivered_ml_min"
CHECKED_HEADER: Final = HEADER + b",sequence,crc16"
LONGEST: Final = 64  # of a framer's line: short, so that overlong ones are common

TEXT: Final = (
    HEADER,
    HEADER + b",extra",
    b"s,kPa,mL/min",
    b"12.345,120.5,300.25",
    b"-0.5,-1e2,+3.",
    b"0.01,,nan",
    b"1e-3,1E+2,.5",
    b" 7 ,\t8, 9",
    b"12,34,56,78",
    b"\xff\xfe\x00garbage",
    b"ready: sensor v1.2",
    b"1.0,12.0,",
)
CHECKED: Final = tuple(
    with_crc(body).encode()
    for body in ("12.345,120.5,300.25,1", "12.355,120.6,,2", "12.365,nan,300.75,3", "1,2,3,4")
)
SENML: Final = (
    b'[{"bn":"urn:dev:x:","bt":1.32e9,"n":"boost_kpa","u":"Pa","v":120100},'
    b'{"n":"delivered_ml_min","v":300.25}]',
    b'[{"n":"boost_kpa","v":12.5},{"n":"delivered_ml_min","t":-1,"v":3}]',
    b'[{"n":"boost_kpa","vs":"nan"},{"n":"sequence","v":4}]',
    b'[{"bn":"a/","bver":10,"bu":"kPa","bv":2,"n":"boost_kpa","v":1,"ut":3,"x":"y"}]',
    b'[{"n":"boost_kpa","vb":true},{"n":"b","s":4.5},{"n":"nfc","vd":"aGkgCg"}]',
    b'[{"n":"\\u0062oost_kpa","v":-0.0}]',
)
STREAM: Final = (
    HEADER + b"\r\n1,2,3\r\n2,3,4\r\n",
    b"x" * (LONGEST + 1) + b"\n" + b"y" * LONGEST + b"\r\n",
    b"\r\n\n\r\r\n\x00\n",
    b"1,2,3\n" * 20,
    SENML[0] + b"\n" + CHECKED[0] + b"\r\n",
)
CONNECTION: Final = (
    b"t,n,boost_kpa,delivered_ml_min\nms,,kPa,mL/min\n65500,1,2,3\n65510,2,2,3\n4,3,2,3\n14,4,2,4\n",
    b"5.5\nt,n,boost_kpa,delivered_ml_min\n100,65534,2,3\n110,65535,2,3\n120,0,2,3\n5,1,2,3\n",
    CHECKED_HEADER + b"\n" + b"\n".join(CHECKED) + b"\n" + SENML[0] + b"\n" + SENML[2] + b"\n",
    b"\x80\xf8\x00\xfe" * 40 + b"\n" + HEADER + b"\n50000,1,2\n1,1,2\n99999,1,2\n",
    b"".join(b"noise %d\n" % i for i in range(25)) + HEADER + b"\n1,2,3\n",
)
_TOKENS: Final = (
    *(b"nan", b"inf", b"-inf", b"1e999", b"1_0", b"0x1", b"1e-400", b"9" * 40, b"-", b".", b"-0"),
    *(b",", b",,", b"\n", b"\r\n", b"\x00", b"\xff", b"\xef\xbb\xbf", b"\x1b[2J", b"'", b'"'),
    *(b"\\", b"[", b"]", b"{", b"}", b":", b"null", b"true", b'"v"', b'"n"', b'"bn"', b'"t"'),
    *(b'"bv"', b'"s"', b'"x_"', b'"bver"', b'"boost_kpa"', b"boost_kpa", b"delivered_ml_min"),
    *(b"time_s", b"[" * 50, b"{" * 50, b"268435456", b"4294967295", b"65535", b"1.0e300"),
    *("١٢".encode(), "１".encode(), b'"Pa"', b"psi", b"sequence", b"crc16"),
)
_TOKEN: Final = re.compile(rb'"[^"]*"|[0-9.eE+-]+|[a-z_]+')


class Mutator:
    """Endless seeded mutations of a corpus."""

    def __init__(self, corpus: tuple[bytes, ...], seed: int) -> None:
        self._corpus = corpus
        self._generator = np.random.default_rng(seed)
        self._draws: Iterator[int] = iter(())

    def draw(self, below: int) -> int:
        """Return a whole number from 0 to ``below`` less one."""
        for drawn in self._draws:
            return drawn % below
        self._draws = iter(self._generator.integers(0, 2**31, 100_000).tolist())
        return self.draw(below)

    def __iter__(self) -> Iterator[bytes]:
        """Yield inputs: one to six changes each; one in fifty is nothing but noise."""
        while True:
            if self.draw(50) == 0:
                yield self._generator.bytes(self.draw(120))
                continue
            data = bytearray(self._corpus[self.draw(len(self._corpus))])
            for _ in range(1 + min(self.draw(6), self.draw(6))):
                self._change(data)
            yield bytes(data)

    def _change(self, data: bytearray) -> None:
        at = self.draw(len(data) + 1)
        end = min(len(data), at + 1 + self.draw(12))
        match self.draw(11):
            case 0 if at < len(data):
                data[at] ^= 1 << self.draw(8)
            case 1 if at < len(data):
                data[at] = self.draw(256)
            case 2:
                data.insert(at, self.draw(256))
            case 3:
                del data[at:end]
            case 4:
                data[at:at] = data[at:end] * (1 + self.draw(3))
            case 5:
                data[at:at] = _TOKENS[self.draw(len(_TOKENS))]
            case 6:
                other = self._corpus[self.draw(len(self._corpus))]
                data[at:] = other[self.draw(len(other) + 1) :]
            case 7 if at < len(data):
                data[at] = b"0123456789.,-e"[self.draw(14)]
            case 8 | 9 | 10:  # one word or number for another
                if (token := _TOKEN.search(data, at)) is not None:
                    data[token.start() : token.end()] = _TOKENS[self.draw(len(_TOKENS))]


class Broken(AssertionError):
    """Something came of an input that must not."""


_PLAIN: Final = re.compile(rb"[ \t]*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)[ \t]*")
_EMPTY: Final = re.compile(rb"(?i)\s*(nan)?\s*")


def read_again(field_: bytes) -> float | None:
    """Return a field's number by another reading of what a number is; None where it is none."""
    match = _PLAIN.fullmatch(field_.strip())
    if match is None or len(match[1]) > 32:
        return None
    value = float(match[1])
    return value if isfinite(value) else None


def check_verdict(sample: Sample) -> bool:
    """Whether a new guard calls a sample healthy; it must have every channel, and within reason.

    Raises:
        Broken: It is healthy all the same.
    """
    if float("inf") in sample or len(sample) != len(Sample(0.0)):
        raise Broken(f"infinite, or too long: {sample}")
    healthy = Guard(RIG.rig).step(sample).all_healthy == 1.0
    within = -101.4 <= sample.boost_kpa <= 450.0 and 0.0 <= sample.delivered_ml_min <= 6000.0
    if healthy and not (within and isfinite(sample.time_s)):
        raise Broken(f"healthy: {sample}")
    return healthy


def text_line(data: bytes) -> bool:
    """Read a text line behind a good header; return whether it is healthy.

    Raises:
        Broken: A healthy sample of fields that are no numbers.
        Rejected: The line is refused.
    """
    decoder = LineDecoder(RIG, "line")
    decoder.decode(HEADER, NOW_S)
    sample = decoder.decode(data, NOW_S)
    if sample is None or not check_verdict(sample):
        return False
    values = [read_again(part) for part in data.split(b",")]
    if values != [sample.time_s, sample.boost_kpa, sample.delivered_ml_min]:
        raise Broken(f"{data!r} read as {sample}")
    return True


def checked_line(data: bytes) -> bool:
    """Read a line with a CRC; return whether it is a sample that was never sent.

    Raises:
        Rejected: The line is refused.
    """
    decoder = LineDecoder(RIG, "line")
    decoder.decode(CHECKED_HEADER, NOW_S)
    sample = decoder.decode(data, NOW_S)
    if sample is None:
        return False
    check_verdict(sample)
    sent = {line.rpartition(b",")[0] for line in CHECKED}
    return data.rpartition(b",")[0] not in sent


def senml_pack(data: bytes) -> bool:
    """Read a pack; return whether any sample in it is healthy.

    Raises:
        Broken: What the standard library's JSON reader would not take.
        Rejected: The pack is refused.
    """
    samples = SenmlMapper(RIG, "line").samples(data, NOW_S)
    healthy = [check_verdict(sample) for sample in samples]
    try:
        records = json.loads(data.decode(), object_pairs_hook=_no_twins, parse_constant=_none)
    except (ValueError, RecursionError) as error:
        raise Broken(f"{data!r}: {error}") from None
    if any(healthy) and not any(isinstance(record.get("v"), int | float) for record in records):
        raise Broken(f"{data!r} is healthy")
    times = [sample.time_s for sample in samples]
    if times != sorted(times) or not all(map(isfinite, times)):
        raise Broken(f"{data!r}: times {times}")
    return any(healthy)


def _no_twins(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    if len(dict(pairs)) != len(pairs):
        raise ValueError("a key twice")
    return dict(pairs)


def _none(word: str) -> None:
    raise ValueError(word)


def framed(data: bytes) -> bool:
    """Cut a stream into lines in odd chunks; return whether there are lines.

    Raises:
        Broken: Other lines than a plain split gives.
    """
    framer = LineFramer(LONGEST)
    lines: list[bytes] = []
    at = 0
    size = 1 + len(data) % 7
    while at < len(data):
        lines += framer.feed(data[at : at + size])
        at += size
        size = 1 + (size * 5 + at) % 17
    whole = [line for line in data.split(b"\n")[:-1] if len(line) <= LONGEST]
    expected = [line.removesuffix(b"\r") for line in whole]
    if lines != [line for line in expected if line]:
        raise Broken(f"{data!r} framed as {lines}")
    return bool(lines)


def stream(data: bytes) -> bool:
    """Read a whole connection; return whether any sample in it is healthy.

    Raises:
        Broken: Lines that are not counted, or notices without end or with signs that don't print.
    """
    statistics = SourceStatistics()
    decoder, framer = StreamDecoder(MS_RIG, "line", statistics), LineFramer(4096)
    decoder.look_at(data)
    healthy = False
    arrived_s = NOW_S
    for line in framer.feed(data):
        arrived_s += 0.01
        for sample in decoder.decode(line, arrived_s):
            healthy |= check_verdict(sample)
    counts = statistics
    if counts.received != counts.decoded + counts.headers + counts.rejected.total():
        raise Broken(f"{data!r}: {counts}")
    notices = decoder.notices()
    if len(notices) > 30 or not all(notice.text.isprintable() for notice in notices):
        raise Broken(f"{data!r}: {notices}")
    return healthy


TARGETS: Final[dict[str, tuple[tuple[bytes, ...], Callable[[bytes], bool]]]] = {
    "text line": (TEXT, text_line),
    "text line with CRC": (CHECKED, checked_line),
    "SenML": (SENML, senml_pack),
    "framer": (STREAM, framed),
    "whole connection": (CONNECTION, stream),
}


@dataclass
class Tally:
    """What came of many inputs.

    Attributes:
        inputs: How many.
        said_yes: Of how many the target said yes (see there).
        rejected: Refused, by reason.
        slowest_s: The longest that one took, s.
        took_s: All of them together with their making, s.
    """

    inputs: int = 0
    said_yes: int = 0
    rejected: Counter[str] = field(default_factory=Counter)
    slowest_s: float = 0.0
    took_s: float = 0.0


def fuzz(name: str, count: int, seed: int) -> Tally:
    """Give a target its corpus and ``count`` mutations of it.

    Raises:
        Broken: And whatever else but Rejected a decoder raises.
    """
    corpus, target = TARGETS[name]
    tally = Tally()
    start_s = perf_counter()
    mutations = iter(Mutator(corpus, seed))
    for i in range(count):
        data = corpus[i] if i < len(corpus) else next(mutations)
        before_s = perf_counter()
        try:
            tally.said_yes += target(data)
        except Rejected as rejected:
            tally.rejected[rejected.reason] += 1
        except Exception as error:
            raise Broken(f"{name}: {data!r}") from error
        if (took_s := perf_counter() - before_s) > tally.slowest_s:
            # Once more: was it the input, or the machine?
            before_s = perf_counter()
            with suppress(Rejected):
                target(data)
            tally.slowest_s = max(tally.slowest_s, min(took_s, perf_counter() - before_s))
    tally.inputs = count
    tally.took_s = perf_counter() - start_s
    return tally
