"""Hostile acts to processes, plugs, lines and clocks, while a guard watches a healthy pull."""

import os
import resource
import shutil
import signal
import threading
import time
from collections.abc import Callable
from typing import Final, NamedTuple

from tests.bench.hostile.stage import BOOST_KPA, FLOW_ML_MIN, Line, Logger, Stage, healthy
from tests.bench.latency import Screen

GARBAGE_S: Final = 1.5
RNG_BYTES: Final = os.urandom(4096)

Do = Callable[[Stage], None]


class Act(NamedTuple):
    """A hostile act.

    Attributes:
        name: What is done.
        do: Does it.
        wanted: What the output must do, as in ``Outcome``.
        within_s: How soon it must be released, s.
    """

    name: str
    do: Do
    wanted: str
    within_s: float = 0.0


def logger_of(stage: Stage) -> Logger:
    """Return the stage's logger."""
    if stage.logger is None:
        raise RuntimeError("no logger here")
    return stage.logger


def writes(line: Line) -> Do:
    """Have the logger write other lines from now on."""

    def do(stage: Stage) -> None:
        logger_of(stage).line = line

    return do


def after(first: bytes, then: Do) -> Do:
    """Write something once, give it a moment, then do something else."""

    def do(stage: Stage) -> None:
        logger_of(stage).raw(first)
        time.sleep(0.5)
        then(stage)

    return do


def unplug(stage: Stage) -> None:
    """Pull the logger's plug."""
    if stage.cable is not None:
        stage.cable.pull()


def silent(stage: Stage) -> None:
    """Let the logger say nothing more."""
    logger_of(stage).going.clear()


def poured(data: bytes, *, instead: bool) -> Do:
    """Pour bytes into the line for a while, beside the logger's or instead of them."""

    def do(stage: Stage) -> None:
        logger = logger_of(stage)
        if instead:
            logger.going.clear()
        until_s = time.monotonic() + GARBAGE_S
        while time.monotonic() < until_s:
            logger.raw(data)
            time.sleep(0.05)

    return do


def frozen(*, boost: bool, flow: bool, clock: bool = False) -> Do:
    """Let readings stand still; the clock too, or not."""

    def do(stage: Stage) -> None:
        logger = logger_of(stage)
        stop_s = time.monotonic() - logger.start_s

        def line(time_s: float, i: int) -> bytes:
            moving = healthy(time_s, i).split(b",")
            at = b"%.4f" % (stop_s if clock else time_s)
            first = b"%.2f" % BOOST_KPA if boost else moving[1]
            second = b"%.2f\n" % FLOW_ML_MIN if flow else moving[2]
            return b",".join((at, first, second))

        logger.line = line

    return do


def lost_with_slow_clock(stage: Stage) -> None:
    """Let the device's clock run a thousand times too slow, and the spray stop."""
    logger = logger_of(stage)
    start_s = time.monotonic() - logger.start_s
    logger.line = lambda time_s, i: (
        b"%.6f,%.2f,0\n"
        % (
            start_s + (time_s - start_s) / 1000.0,
            BOOST_KPA + 0.1 * (i % 7),
        )
    )


def doubled(stage: Stage) -> None:
    """Let a second sender with healthy readings hide that no spray arrives."""
    logger_of(stage).line = lambda time_s, i: (
        b"%.4f,%.2f,%.2f\n" % (time_s, BOOST_KPA + 0.1 * (i % 7), 0.3 * (i % 3))
        + healthy(time_s + 0.0001, i)
    )


def screen(number: int) -> Do:
    """Attach a dashboard on a terminal, and send it a signal once it draws."""

    def do(stage: Stage) -> None:
        made = Screen(str(stage.pid))
        until_s = time.monotonic() + 20.0
        while made.bytes < 2000 and time.monotonic() < until_s:
            time.sleep(0.05)
        made.signal(number)
        threading.Timer(6.0, made.close).start()

    return do


def files_full(stage: Stage) -> None:
    """Let no file of the guard grow any more, as on a full disk."""
    resource.prlimit(stage.pid, resource.RLIMIT_FSIZE, (1, resource.RLIM_INFINITY))
    time.sleep(1.0)
    resource.prlimit(
        stage.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
    )


def row(time_text: bytes) -> bytes:
    """Return a healthy row with a time of its own."""
    return b"%s,%.2f,%.2f\n" % (time_text, BOOST_KPA, FLOW_ML_MIN)


GONE_S: Final = 0.3 + 0.3 + 0.25 + 0.1  # max_age, blind_after, a tick, the wire
MISSING_S: Final = 1.0
KILLED_S: Final = 0.1
HUNG_S: Final = 0.35

PROCESSES: Final = (
    Act("kill -9 of the guard", lambda s: s.kill(signal.SIGKILL), "released", KILLED_S),
    Act("SIGTERM to the guard", lambda s: s.kill(signal.SIGTERM), "released", KILLED_S),
    Act("SIGSTOP of the guard", lambda s: s.kill(signal.SIGSTOP), "released", HUNG_S),
    Act(
        "kill -9 of the keeper",
        lambda s: os.kill(s.keeper, signal.SIGKILL),
        "held again",
        KILLED_S,
    ),
    Act("SIGSTOP of the keeper", lambda s: os.kill(s.keeper, signal.SIGSTOP), "held again", 0.6),
    Act("kill -9 of a viewer", screen(signal.SIGKILL), "stays held"),
    Act("SIGSTOP of a viewer", screen(signal.SIGSTOP), "stays held"),
)
PLUGS: Final = (
    Act("the logger's plug pulled", unplug, "released", GONE_S),
    Act("the logger falls silent", silent, "released", GONE_S),
    Act("the output's plug pulled", lambda s: s.wire.cut(), "released", KILLED_S),
)
LINES: Final = (
    Act("no spray arrives", writes(lambda t, i: b"%.4f,120.%d,0\n" % (t, i % 7)), "released", 1.0),
    Act("binary garbage only", poured(RNG_BYTES, instead=True), "released", GONE_S),
    Act("binary garbage between lines", poured(b"\x00\xff\x13\x11\n", instead=False), "stays held"),
    Act("NUL bytes in each line", writes(lambda t, i: b"\x00" + healthy(t, i)), "released", GONE_S),
    Act("a line without end", poured(b"7" * 4096, instead=True), "released", GONE_S),
    Act("readings nan", writes(lambda t, _: b"%.4f,nan,nan\n" % t), "released", GONE_S),
    Act("the logger frozen, its clock too", frozen(boost=True, flow=True, clock=True), "released"),
    Act("the logger frozen, its clock goes on", frozen(boost=True, flow=True), "released"),
    Act("flow alone stands still", frozen(boost=False, flow=True), "released"),
    Act("boost alone stands still", frozen(boost=True, flow=False), "released"),
    Act("a second sender hides a dry line", doubled, "released"),
)
TIMES: Final = (b"-9223372036854775808", b"-1e300", b"1e300", b"nan", b"inf")
CLOCKS: Final = (
    *(
        Act(f"one time of {text.decode()}, then silence", after(row(text), silent), "released", 1.5)
        for text in TIMES
    ),
    Act("clock 1000 times too slow, no spray", lost_with_slow_clock, "released"),
    Act("clock starts again", writes(lambda t, i: healthy(t - 1e4, i)), "held again", 0.5),
)
DISKS: Final = (
    Act("files can't grow for a second", files_full, "stays held"),
    Act("session folder removed", lambda s: shutil.rmtree(s.session), "stays held"),
)
BY_NAME: Final = {
    act.name: act for acts in (PROCESSES, PLUGS, LINES, CLOCKS, DISKS) for act in acts
}
